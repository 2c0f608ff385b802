"""A spool was damaged after the server had its readings, and the server lost them: they come again."""

from __future__ import annotations

from pathlib import Path

import pytest

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.spool.high_mark import SUFFIX
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.spool.rewind import rewind
from cleanside.gateway.wire import BOOT_CORRECTED, MAX_EVENTS_DECLARED, DeclaredEvent, as_sent_first
from tests.fault.test_spool_rescue import backlog, salvage
from tests.unit.gateway.helpers import open_spool, readings, server_anchor, settable_clock

COUNT = 5_000  # more than one transaction carries


def damaged_after(path: Path, *, acknowledged: int, times: int = 1) -> str:
    """A spool whose head went after so many readings were acknowledged. Returns its stream."""
    with open_spool(path) as spool:
        spool.append(readings(1, COUNT))
        stream = spool.open_stream
        spool.acknowledge(stream, acknowledged)
    for _ in range(times):
        with path.open("r+b") as file:
            file.write(b"\xff" * 100)
        with open_spool(path) as spool:
            salvage(spool)
            if acknowledged < COUNT:
                spool.acknowledge(stream, COUNT)
    return stream


def asked(spool: Spool, stream: str) -> bool:
    return stream in spool.held_streams


@pytest.mark.parametrize("acknowledged", [COUNT, 3_200])
@pytest.mark.parametrize("times", [1, 2])
def test_acknowledged_readings_of_a_damaged_spool_go_again_to_a_server_that_lost_them(
    tmp_path: Path, acknowledged: int, times: int
) -> None:
    stream = damaged_after(tmp_path / "a", acknowledged=acknowledged, times=times)
    with open_spool(tmp_path / "a") as spool:
        assert spool.append(readings(COUNT + 1, COUNT + 3)) == range(1, 4), "collection goes on"
        assert asked(spool, stream), "the server may have to ask for it"
        assert spool.rewind(stream, 100) == COUNT - 100
        held, shed = backlog_of(spool)
        assert held[stream] == list(range(101, COUNT + 1))
        assert not shed
    assert verify(tmp_path / "a") == []


def backlog_of(spool: Spool) -> tuple[dict[str, list[int]], dict[str, dict[int, str]]]:
    """Only of the stream at the front; what the new one holds tells other numbers than it has."""
    (front,) = [stream for stream in spool.state().streams if stream.backlog and stream.state == "forked"]
    spool.acknowledge(spool.open_stream, 3)
    assert front.backlog
    return backlog(spool)


def test_what_is_gone_with_the_file_that_was_set_aside_is_declared(tmp_path: Path) -> None:
    stream = damaged_after(tmp_path / "a", acknowledged=COUNT)
    for file in tmp_path.glob("a.damaged-*"):
        file.unlink()
    with open_spool(tmp_path / "a") as spool:
        assert asked(spool, stream)
        assert spool.rewind(stream, 100) == 0
        held, shed = backlog(spool)
        assert not held[stream]
        assert shed[stream] == dict.fromkeys(range(101, COUNT + 1), "pruned_after_ack")
    assert verify(tmp_path / "a") == []


def test_what_cannot_be_read_any_more_is_declared_and_the_rest_goes_again(tmp_path: Path) -> None:
    stream = damaged_after(tmp_path / "a", acknowledged=COUNT)
    aside = tmp_path / "a.damaged-1"
    size = aside.stat().st_size
    with aside.open("r+b") as file:
        file.seek(size // 2 // 4096 * 4096)
        file.write(b"\xff" * 4096)
    with open_spool(tmp_path / "a") as spool:
        again = spool.rewind(stream, 0)
        assert COUNT - 300 < again < COUNT
        held, shed = backlog(spool)
        assert sorted([*held[stream], *shed[stream]]) == list(range(1, COUNT + 1))
        assert len(held[stream]) == again
    assert verify(tmp_path / "a") == []


def test_a_number_that_was_given_up_is_not_held_as_well(tmp_path: Path) -> None:
    """A person's rewind looks at the spool alone, and declares what is not in it."""
    stream = damaged_after(tmp_path / "a", acknowledged=COUNT)
    assert rewind(tmp_path / "a", stream=stream, first=4_001) == 0
    with open_spool(tmp_path / "a") as spool:
        spool.acknowledge(stream, COUNT)
        assert spool.rewind(stream, 0) == 4_000
        held, shed = backlog(spool)
        assert (held[stream], sorted(shed[stream])) == (list(range(1, 4_001)), list(range(4_001, COUNT + 1)))
    assert verify(tmp_path / "a") == []


def lose(spool: Spool, *counts: int, confirmed_by: str | None = None) -> list[DeclaredEvent]:
    """Declare losses. confirmed_by : the database that has them then; returns what was sent to it."""
    for count in counts:
        spool.event("readings_lost", {"source": "ndjson-1", "count": count, "id": f"loss of {count}"})
    return [] if confirmed_by is None else lost_as_sent(spool, confirmed_by)


def lost_as_sent(spool: Spool, database: str | None) -> list[DeclaredEvent]:
    """What is declared to a database, page by page, as long as it confirms each."""
    said: list[DeclaredEvent] = []
    while events := (page := spool.unconfirmed(database)).events:
        said += events
        spool.confirm(page.through, database)
    return [event for event in said if event.content["event"] == "readings_lost"]


def damage_head(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(b"\xff" * 100)


def test_a_loss_that_the_damaged_file_declared_is_declared_by_the_new_one(tmp_path: Path) -> None:
    """Its head is gone, so SQLite reads none of it; what a server confirmed before is not said again."""
    path = tmp_path / "a"
    with open_spool(path) as spool:
        spool.append(readings(1, 3))
        lose(spool, 7, confirmed_by="d1")
        stream = spool.open_stream
        spool.event("readings_lost", {"source": "ndjson-1", "count": 9, "id": "other"})
    damage_head(path)
    with open_spool(path) as spool:
        salvage(spool)
        spool.acknowledge(stream, 3)
        spool.append(readings(4, 4))
        batch = spool.peek()  # as a bundle takes it where no link is
        [lost] = lost_as_sent(spool, "d1")
    assert batch is not None
    assert batch.gateway is not None
    [beside] = [event for event in batch.gateway.events if event["event"] == "readings_lost"]
    assert as_sent_first("", beside) == lost
    assert lost.stream == stream
    assert lost.content == {
        "at_seq": 4,
        "event": "readings_lost",
        "source": "ndjson-1",
        "count": 9,
        "id": "other",
    }


@pytest.mark.parametrize("times", [1, 3])
@pytest.mark.parametrize("is_readable", [True, False], ids=["gone", "damaged"])
def test_a_confirmed_loss_goes_again_to_a_server_that_was_restored_after_the_file_was_set_aside(
    tmp_path: Path, times: int, is_readable: bool
) -> None:
    """As it was sent at first, once, however many files were set aside: the server may have it after all."""
    path = tmp_path / "a"
    with open_spool(path) as spool:
        spool.append(readings(1, 3))
        said = lose(spool, 7, 9, confirmed_by="d1")
    for number in range(1, times + 1):
        if is_readable:
            for part in ("", SUFFIX):
                path.with_name(f"a{part}").rename(path.with_name(f"a.damaged-{number}{part}"))
        else:
            damage_head(path)
        with open_spool(path) as spool:
            assert lost_as_sent(spool, "d1") == []
            assert len(aside_in(spool)) == number
    with open_spool(path) as spool:
        assert lost_as_sent(spool, "d2") == said


@pytest.mark.parametrize("times", [1, 2])
def test_a_correction_of_a_boot_in_a_damaged_file_goes_under_its_own_stream_and_number(
    tmp_path: Path, times: int
) -> None:
    path, clock = tmp_path / "a", settable_clock()
    with open_spool(path, clock) as spool:
        spool.anchor(server_anchor(clock, uncertainty_us=60_000_000))
        spool.append(readings(1, 2, timed=False))
        clock.advance(10)
        spool.anchor(server_anchor(clock, uncertainty_us=1_000))
        [said] = corrected_in(spool)
        stream = spool.open_stream
    for _ in range(times):
        damage_head(path)
        with open_spool(path, clock) as spool:
            salvage(spool)
            spool.acknowledge(stream, 2)
    with open_spool(path, clock) as spool:
        assert corrected_in(spool) == [said]
    assert said.stream == stream
    assert said.content["at_seq"] == 3


def corrected_in(spool: Spool) -> list[DeclaredEvent]:
    events = spool.unconfirmed("a database").events
    return [event for event in events if event.content["event"] == BOOT_CORRECTED]


def aside_in(spool: Spool) -> list[str]:
    """The files that were set aside, each told of once."""
    said = [event.content for event in spool.unconfirmed("nobody's").events]
    return [content["kept_as"] for content in said if content["event"] == "spool_replaced"]


def test_more_losses_than_one_request_takes_are_carried_over(tmp_path: Path) -> None:
    path = tmp_path / "a"
    counts = range(1, MAX_EVENTS_DECLARED + 21)
    with open_spool(path) as spool:
        lose(spool, *counts)
    for part in ("", SUFFIX):
        path.with_name(f"a{part}").rename(path.with_name(f"a.damaged-1{part}"))
    with open_spool(path) as spool:
        assert [event.content["count"] for event in lost_as_sent(spool, "d1")] == list(counts)
