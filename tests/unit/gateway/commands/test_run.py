"""The gateway put together: sources, spool and uplink in one process, and how it ends."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping, Sequence
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any, ClassVar

import pytest

from cleanside.gateway.commands.run import STOP_WITHIN_S, Gateway
from cleanside.gateway.errors import ReadingRefused, SettingsWrong, SourceWrong, SpoolInUse, SpoolUnavailable
from cleanside.gateway.settings import Settings
from cleanside.gateway.sources import Context, Emit, find_source
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.uplink.fakes import FakeServer
from cleanside.gateway.uplink.transport import NoAnswer, Outcome, Request
from cleanside.gateway.wire import Reading
from tests.support.coded import refused
from tests.unit.gateway.helpers import DEVICE, UNITS, numbers, readings, settable_clock

OTHERS = "tests.unit.gateway.commands.test_run"


class Scripted:
    """A source of others: emits what its options say, fails or gets stuck where they say."""

    tries: ClassVar[dict[str, int]] = {}

    def __init__(self, options: Mapping[str, Any], context: Context) -> None:
        self.options = options
        self.context = context

    def run(self, emit: Emit, _: threading.Event) -> None:
        tried = self.tries[self.context.name] = self.tries.get(self.context.name, 0) + 1
        if self.options.get("stuck"):
            threading.Event().wait()  # deaf to the stop
        if tried <= self.options.get("fails", 0):
            raise OSError("the bus is gone")
        first, last = self.options.get("emits", (1, 0))
        for reading in readings(first, last):
            emit([reading], mark=str(int(reading.values["engine_speed"])))
        if self.options.get("bad"):
            emit([*readings(97, 97), Reading(at=None, values={"restriction": float("nan")}, units=UNITS)])


@pytest.fixture
def others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A distribution of someone else's that registers a source."""
    info = tmp_path / "site" / "someone_elses-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: someone-elses\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[cleanside.sources]\nscripted = {OTHERS}:Scripted\n")
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    Scripted.tries.clear()


def made(
    tmp_path: Path, *sources: Mapping[str, Any], server: FakeServer | None = None, **more: Any
) -> Gateway:
    clock = settable_clock()
    settings = Settings(
        device=DEVICE,
        spool_path=tmp_path / "a",
        run_exit_when_done=True,
        sources=[dict(s) for s in sources],
        **more,
    )
    return Gateway(
        settings,
        clock=clock,
        transport=server or FakeServer(now_us=clock.true_us),
        random=lambda: 0.5,
        log=lambda *_, **__: None,
    )


@pytest.mark.usefixtures("others")
def test_a_source_of_others_is_found_by_its_entry_point() -> None:
    assert find_source("scripted").__name__ == "Scripted"  # type: ignore[attr-defined]
    assert "scripted" in entry_points(group="cleanside.sources").names


def test_a_source_that_does_not_exist_is_named_with_those_that_do() -> None:
    with refused(SourceWrong, "unknown_source", use="cvs"):
        find_source("cvs")


@pytest.mark.usefixtures("others")
def test_what_a_source_emits_reaches_the_server_and_the_gateway_ends_when_all_is_done(tmp_path: Path) -> None:
    server = FakeServer(now_us=settable_clock().true_us)
    made(tmp_path, {"use": "scripted", "emits": (1, 30)}, server=server).run()
    (stream,) = server.streams.values()
    assert stream.mark == 30
    assert server.closed


@pytest.mark.usefixtures("others")
def test_a_source_that_fails_is_started_again_and_one_that_is_stuck_stops_no_other(tmp_path: Path) -> None:
    server = FakeServer(now_us=settable_clock().true_us)
    gateway = made(
        tmp_path,
        {"use": "scripted", "name": "stuck", "stuck": True},
        {"use": "scripted", "name": "flaky", "fails": 1, "emits": (1, 5)},
        server=server,
    )
    thread = threading.Thread(target=gateway.run)
    thread.start()
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline and not any(s.mark == 5 for s in server.streams.values()):
        thread.join(0.01)
    gateway.stop()
    thread.join(STOP_WITHIN_S + 1)
    assert Scripted.tries == {"stuck": 1, "flaky": 2}
    assert [s.mark for s in server.streams.values()] == [5]
    assert not thread.is_alive()


@pytest.mark.usefixtures("others")
def test_one_reading_that_cannot_be_written_takes_no_other_with_it(tmp_path: Path) -> None:
    server = FakeServer(now_us=settable_clock().true_us)
    made(tmp_path, {"use": "scripted", "bad": True}, server=server).run()
    (stream,) = server.streams.values()
    assert stream.mark == 1


@pytest.mark.usefixtures("others")
def test_a_stop_ends_the_gateway_in_time_while_the_network_hangs(tmp_path: Path) -> None:
    class Hanging(FakeServer):
        asked = threading.Event()

        def send(self, _: Request) -> Outcome:
            self.asked.set()
            threading.Event().wait()
            return NoAnswer("never")

    server = Hanging(now_us=settable_clock().true_us)
    gateway = made(tmp_path, {"use": "scripted", "emits": (1, 3)}, server=server)
    thread = threading.Thread(target=gateway.run)
    thread.start()
    assert server.asked.wait(10)
    began_s = time.monotonic()
    gateway.stop()
    thread.join(10)
    assert time.monotonic() - began_s < STOP_WITHIN_S
    with Spool(tmp_path / "a", device=DEVICE, clock=settable_clock()) as spool:
        assert numbers(spool.peek()) == [1, 2, 3]


@pytest.mark.usefixtures("others")
def test_an_append_that_the_disk_refuses_is_tried_again_until_it_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refusals = iter([SpoolUnavailable("read-only"), None])
    append = Spool.append

    def flaky(self: Spool, given: Sequence[Reading], **more: Any) -> range:
        if (refusal := next(refusals, None)) is not None:
            raise refusal
        return append(self, given, **more)

    monkeypatch.setattr(Spool, "append", flaky)
    server = FakeServer(now_us=settable_clock().true_us)
    made(tmp_path, {"use": "scripted", "emits": (1, 3)}, server=server).run()
    assert [s.mark for s in server.streams.values()] == [3]


def test_a_gateway_that_cannot_start_lets_go_of_the_spool(tmp_path: Path) -> None:
    with pytest.raises(SourceWrong):
        made(tmp_path, {"use": "nothing-of-that-name"})
    Spool(tmp_path / "a", device=DEVICE, clock=settable_clock()).close()


def test_two_gateways_never_run_one_spool(tmp_path: Path) -> None:
    first = made(tmp_path)
    with pytest.raises(SpoolInUse):
        made(tmp_path)
    first.spool.close()


def test_without_a_server_a_gateway_only_collects(tmp_path: Path) -> None:
    gateway = Gateway(Settings(device=DEVICE, spool_path=tmp_path / "a"), clock=settable_clock())
    assert gateway.uplink is None
    gateway.spool.close()


def test_a_server_without_a_key_is_refused_before_the_spool_is_touched(tmp_path: Path) -> None:
    settings = Settings(device=DEVICE, spool_path=tmp_path / "a", uplink_server="https://shop.example")
    with refused(SettingsWrong, "no_key", device=DEVICE):
        Gateway(settings, clock=settable_clock(), environ={})
    assert not (tmp_path / "a").exists()


def test_readings_refused_is_of_the_branch_that_no_retry_helps() -> None:
    from cleanside.gateway.errors import NeverAccepted

    assert issubclass(ReadingRefused, NeverAccepted)
