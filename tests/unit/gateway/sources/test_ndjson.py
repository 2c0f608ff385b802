"""Readings on standard input, and on a Unix socket."""

from __future__ import annotations

import dataclasses
import os
import socket
import stat
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.commands.feed import Feed
from cleanside.gateway.errors import NotAReading, SourceWrong
from cleanside.gateway.log import unheard
from cleanside.gateway.sources.listener import MOST_CLIENTS
from cleanside.gateway.sources.ndjson import NdjsonSource
from cleanside.gateway.timing.clock import Anchor
from cleanside.gateway.wire import BatchRefused, instant_text, us_of
from tests.support.coded import refused
from tests.unit.gateway.helpers import open_spool, settable_clock
from tests.unit.gateway.sources.test_csv import Taken

OPTIONS = {"units": {"restriction": "kPa", "engine_speed": "r/min"}}


def read(*lines: bytes) -> Taken:
    taken = Taken()
    ours, theirs = os.pipe()

    def write() -> None:
        with os.fdopen(theirs, "wb") as pipe:
            pipe.write(b"".join(lines))

    writer = threading.Thread(target=write)
    writer.start()
    NdjsonSource(OPTIONS, taken.context, descriptor=ours).run(taken, threading.Event())
    writer.join()
    os.close(ours)
    return taken


def test_a_line_is_a_reading_stamped_on_arrival_or_with_its_own_time() -> None:
    taken = read(
        b'{"restriction": 3.05, "engine_speed": 1795}\n',
        b'{"at": "2026-12-02T06:14:07.250Z", "at_uncertainty_s": 4.0, "restriction": 3}\n',
    )
    first, second = taken.readings
    assert (first.at, dict(first.values)) == (None, {"restriction": 3.05, "engine_speed": 1795})
    assert second.at is not None
    assert (instant_text(us_of(second.at)), second.at_uncertainty_s) == ("2026-12-02T06:14:07.250Z", 4.0)
    assert type(second.values["restriction"]) is int


def test_lines_of_a_receiver_tell_what_time_it_is() -> None:
    told: list[Anchor] = []
    context = dataclasses.replace(Taken().context, tell_time=told.append)
    options = OPTIONS | {"tells_time": "gps", "delay_s": 2}
    source = NdjsonSource(options, context)
    lines = [
        b'{"at": "2026-03-02T06:14:07.250Z", "at_uncertainty_s": 0.5, "restriction": 3}',
        b'{"at": "2026-03-02T06:14:08Z", "restriction": 3}',  # how sure, it does not say: it tells nothing
        b'{"restriction": 3}',
    ]
    assert all(source._reading(line, {}) for line in lines)
    (anchor,) = told
    assert anchor.kind == "gps"
    # Said at 7.25 and read up to two seconds later: a second on, give or take that second and its own half.
    assert (instant_text(anchor.utc_us), anchor.uncertainty_us) == ("2026-03-02T06:14:08.250Z", 1_500_000)
    assert anchor.since_boot_us == context.clock.since_boot_us()
    assert all(NdjsonSource(OPTIONS, context)._reading(line, {}) for line in lines)
    assert len(told) == 1  # no client that was not asked to


def test_a_value_that_is_null_is_not_there_and_an_empty_line_is_nothing() -> None:
    taken = read(b'\n{"restriction": null, "engine_speed": 1}\n  \n')
    assert [dict(r.values) for r in taken.readings] == [{"engine_speed": 1}]
    assert taken.reports == []


def test_a_last_line_without_a_line_end_counts() -> None:
    assert len(read(b'{"restriction": 1}').readings) == 1


@pytest.mark.parametrize(
    "line",
    [
        b"not JSON",
        b"[1, 2]",
        b'{"restriction": "3.05"}',
        b'{"restriction": true}',
        b'{"restriction": NaN}',
        b'{"restriction": 1, "restriction": 2}',
        b'{"restriction": 9007199254740993}',
        b'{"pressure": 1}',
        b'{"supply_voltage": 27}',
        b'{"at": "2026-12-02T06:14:07", "restriction": 1}',
        b'{"at": 1796192047, "restriction": 1}',
        b'{"at": "2026-12-02T06:14:07Z", "at_uncertainty_s": -1, "restriction": 1}',
        b'{"restriction": 1}\xff',
        b'{"restriction": 1' + b" " * 70_000 + b"}",
    ],
)
def test_a_line_that_is_not_as_specified_is_reported_and_the_next_one_is_read(line: bytes) -> None:
    taken = read(line + b"\n", b'{"restriction": 7}\n')
    assert [dict(r.values) for r in taken.readings][-1:] == [{"restriction": 7}]
    assert len(taken.readings) == 1
    assert {report["what"] for report in taken.reports} == {"line_not_read"}


@pytest.mark.parametrize(
    "extra", [b'"note": "hi"', b'"rpm": 1800', b'"supply_voltage": 27', b'"engine_speed": "x"']
)
def test_what_can_be_read_of_a_line_is_kept_and_the_rest_is_said(extra: bytes) -> None:
    taken = read(b'{"restriction": 3.13, ' + extra + b"}\n")
    assert [dict(r.values) for r in taken.readings] == [{"restriction": 3.13}]
    [part] = taken.parts
    assert (part["what"], taken.reports) == ("line_read_in_part", [])
    assert extra.decode().split('"')[1] in part["reason"]
    assert "; " in part["reason"]  # with the next step


def test_the_advice_for_an_unknown_member_leads_to_a_source_that_starts() -> None:
    [part] = read(b'{"restriction": 3.13, "note": "hi"}').parts
    assert "pass_over" in part["reason"]
    taken = Taken()
    source = NdjsonSource({**OPTIONS, "pass_over": ["note"]}, taken.context)
    assert source.read(b'{"restriction": 3.13, "note": "hi"}').values == {"restriction": 3.13}
    assert taken.parts == []


def test_a_leap_second_is_kept_with_a_second_of_doubt() -> None:
    source = NdjsonSource(OPTIONS, Taken().context)
    reading = source.read(b'{"at": "2016-12-31T23:59:60.5Z", "restriction": 1}')
    assert reading.at is not None
    assert instant_text(us_of(reading.at)) == "2017-01-01T00:00:00.500Z"
    assert reading.at_uncertainty_s == 1.0


def test_a_refusal_says_value_rule_and_next_step() -> None:
    source = NdjsonSource(OPTIONS, Taken().context)
    with refused(NotAReading, "member_without_unit", name="supply_voltage"):
        source.read(b'{"supply_voltage": 27}')
    with pytest.raises(BatchRefused) as twice:
        source.read(b'{"restriction": 1, "restriction": 2}')
    assert [problem.code for problem in twice.value.problems] == ["key_twice"]


@pytest.mark.parametrize(
    "options", [{}, {"units": {}}, {"units": {"restriction": "furlong"}}, {**OPTIONS, "speed": 1}]
)
def test_options_that_cannot_work_are_refused(options: dict[str, Any]) -> None:
    with pytest.raises(SourceWrong):
        NdjsonSource(options, Taken().context)


def test_a_stop_is_heard_while_nothing_comes() -> None:
    ours, theirs = os.pipe()
    stop = threading.Event()
    source = NdjsonSource(OPTIONS, Taken().context, descriptor=ours)
    thread = threading.Thread(target=source.run, args=(Taken(), stop))
    thread.start()
    stop.set()
    thread.join(5)
    assert not thread.is_alive()
    os.close(ours)
    os.close(theirs)


# ------------------------------------------------------------ on a socket


def until(happened: Callable[[], bool]) -> None:
    """Wait until it happened, ten seconds at most."""
    deadline_s = time.monotonic() + 10
    while not happened():
        assert time.monotonic() < deadline_s, "it did not happen"
        threading.Event().wait(0.005)


@contextmanager
def listening(path: Path, taken: Taken) -> Iterator[None]:
    """The source on a socket, until the block ends."""
    stop = threading.Event()
    source = NdjsonSource({**OPTIONS, "socket": str(path)}, taken.context)
    thread = threading.Thread(target=source.run, args=(taken, stop))
    thread.start()
    try:
        until(path.exists)
        yield
    finally:
        stop.set()
        thread.join(5)
        assert not thread.is_alive()


def client(path: Path) -> socket.socket:
    """A program that has a line to the source."""
    made = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)

    def is_connected() -> bool:
        try:
            made.connect(str(path))
        except (FileNotFoundError, ConnectionRefusedError):  # a dead one is gone; bound, not listening yet
            return False
        return True

    try:
        until(is_connected)
    except BaseException:
        made.close()
        raise
    return made


def speeds(taken: Taken) -> list[float]:
    return [reading.values["engine_speed"] for reading in taken.readings]


def test_programs_write_lines_to_a_socket_one_after_the_other_and_at_once(tmp_path: Path) -> None:
    taken = Taken()
    with listening(tmp_path / "in", taken):
        with client(tmp_path / "in") as one:
            one.sendall(b'{"engine_speed": 1}\n{"engine_speed": 2}\n')
            until(lambda: len(taken.readings) == 2)
        with client(tmp_path / "in") as two, client(tmp_path / "in") as three:
            two.sendall(b'{"engine_speed": 3}\n')
            three.sendall(b'not a line of ours\n{"engine_speed": 4}\n')
            until(lambda: len(taken.readings) == 4)
    assert sorted(speeds(taken)) == [1, 2, 3, 4]
    assert speeds(taken)[:2] == [1, 2]
    assert [report["what"] for report in taken.reports] == ["line_not_read"]


def test_a_client_that_is_stuck_in_the_middle_of_a_line_stops_no_other(tmp_path: Path) -> None:
    taken = Taken()
    with listening(tmp_path / "in", taken), client(tmp_path / "in") as stuck, client(tmp_path / "in") as well:
        stuck.sendall(b'{"engine_speed": 1}\n{"engine_sp')
        for number in range(2, 20):
            well.sendall(b'{"engine_speed": %d}\n' % number)
            until(lambda wanted=number: wanted in speeds(taken))  # type: ignore[misc]
        stuck.sendall(b'eed": 20}\n')
        until(lambda: len(taken.readings) == 20)
    assert sorted(speeds(taken)) == list(range(1, 21))


def test_a_client_whose_reading_waits_for_the_disk_stops_no_other(tmp_path: Path) -> None:
    """What one client sent is slow on its way to the disk; what another sends is taken meanwhile."""
    let_go = threading.Event()
    taken = Taken()
    take = taken.__call__

    class Held(Taken):
        def __call__(self, readings: Any, *, mark: str | None = None) -> None:
            if readings[0].values["engine_speed"] == 1:
                let_go.wait(10)
            take(readings, mark=mark)

    with listening(tmp_path / "in", Held()), client(tmp_path / "in") as one, client(tmp_path / "in") as two:
        one.sendall(b'{"engine_speed": 1}\n')
        two.sendall(b'{"engine_speed": 2}\n')
        until(lambda: speeds(taken) == [2])
        let_go.set()
        until(lambda: speeds(taken) == [2, 1])


def test_more_clients_than_are_served_at_once_wait_and_get_their_turn(tmp_path: Path) -> None:
    taken = Taken()
    with listening(tmp_path / "in", taken):
        clients = [client(tmp_path / "in") for _ in range(MOST_CLIENTS + 3)]
        for number, one in enumerate(clients):
            one.sendall(b'{"engine_speed": %d}\n' % number)
        until(lambda: len(taken.readings) == MOST_CLIENTS)
        for one in clients:
            one.close()
        until(lambda: len(taken.readings) == MOST_CLIENTS + 3)
    assert sorted(speeds(taken)) == list(range(MOST_CLIENTS + 3))


def test_the_socket_is_not_open_to_everybody_and_goes_with_the_source(tmp_path: Path) -> None:
    with listening(tmp_path / "in", Taken()):
        client(tmp_path / "in").close()  # from now on it listens
        assert stat.S_IMODE((tmp_path / "in").stat().st_mode) == 0o660
    assert not (tmp_path / "in").exists()


def test_a_socket_left_behind_by_a_kill_is_replaced(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as dead:
        dead.bind(str(tmp_path / "in"))
    taken = Taken()
    with listening(tmp_path / "in", taken), client(tmp_path / "in") as one:
        one.sendall(b'{"engine_speed": 1}\n')
        until(lambda: speeds(taken) == [1])


def test_a_socket_in_use_and_a_file_in_its_place_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as other:
        other.bind(str(tmp_path / "other"))
        other.listen()
        for name, code in [("other", "socket_in_use"), ("file", "not_a_socket")]:
            source = NdjsonSource({**OPTIONS, "socket": str(tmp_path / name)}, Taken().context)
            with refused(SourceWrong, code):
                source.run(Taken(), threading.Event())
    assert (tmp_path / "file").read_text() == "mine"
    assert (tmp_path / "other").exists()


def test_a_path_too_long_for_a_socket_is_said_to_be_so(tmp_path: Path) -> None:
    source = NdjsonSource({**OPTIONS, "socket": str(tmp_path / ("a" * 120))}, Taken().context)
    with refused(SourceWrong, "socket_not_made"):
        source.run(Taken(), threading.Event())


def test_a_failure_behind_a_client_ends_the_source_so_that_it_is_started_again(tmp_path: Path) -> None:
    taken = Taken()
    taken.fail_after = 1
    source = NdjsonSource({**OPTIONS, "socket": str(tmp_path / "in")}, taken.context)
    raised: list[BaseException] = []

    def run() -> None:
        try:
            source.run(taken, threading.Event())
        except OSError as error:
            raised.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    until((tmp_path / "in").exists)
    with client(tmp_path / "in") as one:
        one.sendall(b'{"engine_speed": 1}\n{"engine_speed": 2}\n')
        thread.join(5)
    assert [str(error) for error in raised] == ["key-off"]


def test_a_line_whose_time_is_no_date_in_utc_is_refused_and_its_neighbours_are_read() -> None:
    taken = read(
        b'{"restriction": 1}\n',
        b'{"at": "9999-12-31T23:59:59-01:00", "restriction": 2}\n',
        b'{"restriction": 3}\n',
    )
    assert [dict(reading.values) for reading in taken.readings] == [{"restriction": 1}, {"restriction": 3}]
    assert [report["what"] for report in taken.reports] == ["line_not_read"]


@pytest.mark.parametrize("said", ["1e999", "1e300", "1e18"])
def test_a_line_of_a_receiver_that_knows_next_to_nothing_costs_no_other_line(
    tmp_path: Path, said: str
) -> None:
    """Its width is no whole number of microseconds that a file can hold."""
    lines = [
        b'{"restriction": 1}\n',
        b'{"at": "2026-12-02T06:14:07Z", "at_uncertainty_s": %s, "restriction": 2}\n' % said.encode(),
        b'{"restriction": 3}\n',
    ]
    ours, theirs = os.pipe()
    os.write(theirs, b"".join(lines))
    os.close(theirs)
    with open_spool(tmp_path / "spool.db") as spool:
        entry = {"use": "ndjson", "tells_time": "gps", **OPTIONS}
        more: Any = {"clock": settable_clock(), "log": unheard, "stop": threading.Event()}
        feed = Feed(spool, entry, number=1, **more)
        feed._source._descriptor = ours  # type: ignore[attr-defined]
        feed.run()
        assert (spool.state().held, feed.told()["refused"]) == (2, 1)
    os.close(ours)
