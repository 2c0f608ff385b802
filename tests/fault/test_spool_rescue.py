"""A spool that is damaged or gone: set aside whole, read as far as possible, each number accounted for."""

from __future__ import annotations

import logging
import random
from pathlib import Path

import apsw
import pytest

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.errors import SpoolDamaged
from cleanside.gateway.spool.queue import Spool
from tests.support.coded import refused
from tests.unit.gateway.helpers import numbers, open_spool, readings, server_anchor, settable_clock
from tests.unit.gateway.uplink.test_loop import Bench

PAGE_BYTES = 4096


def aged(path: Path, *, count: int = 4000, mark: int = 1000) -> str:
    """A spool with a history. Returns its stream."""
    clock = settable_clock()
    with open_spool(path, clock) as spool:
        spool.append(readings(1, count - 5), source="csv-1", mark=str(count - 5))
        spool.append(readings(count - 4, count, timed=False))
        spool.anchor(server_anchor(clock))
        stream = spool.open_stream
        spool.acknowledge(stream, mark)
        spool.shed(stream, mark + 10, mark + 19, reason="disk_budget")
        return stream


def spoil(path: Path, pages: list[int]) -> None:
    """Overwrite whole pages with noise, as failing flash does."""
    noise = random.Random(1)
    with path.open("r+b") as file:
        for page in pages:
            file.seek(page * PAGE_BYTES)
            file.write(noise.randbytes(PAGE_BYTES))


def pages_of_readings(path: Path) -> list[int]:
    """Pages that hold readings alone, without the oldest and the newest, which are read at every start."""
    connection = apsw.Connection(str(path))
    query = "SELECT pageno - 1 FROM dbstat WHERE name = 'readings' AND pagetype = 'leaf' ORDER BY path"
    pages = [int(page) for (page,) in connection.execute(query)]
    connection.close()
    return pages[1:-1]


def salvage(spool: Spool) -> None:
    turns = 0
    while spool.salvage():
        turns += 1
        assert turns < 100


def backlog(spool: Spool) -> tuple[dict[str, list[int]], dict[str, dict[int, str]]]:
    """Everything that waits, acknowledged as it goes: stream -> readings, stream -> number -> reason."""
    held: dict[str, list[int]] = {}
    shed: dict[str, dict[int, str]] = {}
    while (batch := spool.peek(max_readings=5000, max_bytes=2**22)) is not None:
        stream = batch.stream or ""
        held.setdefault(stream, []).extend(numbers(batch))
        for entry in batch.shed:
            shed.setdefault(stream, {}).update(
                dict.fromkeys(range(entry.first, entry.last + 1), entry.reason)
            )
        assert numbers(batch) == list(batch.seq or ()), "another reading under its number"
        spool.acknowledge(stream, max([*(batch.seq or ()), *(entry.last for entry in batch.shed)]))
    return held, shed


@pytest.mark.parametrize("share", [0.0, 0.2, 0.6])
def test_what_is_readable_of_a_damaged_file_is_sent_under_its_own_numbers(
    tmp_path: Path, share: float
) -> None:
    stream = aged(tmp_path / "a")
    # The tables at the front are whole; of the readings behind them a share is gone.
    pages = pages_of_readings(tmp_path / "a")
    spoil(tmp_path / "a", random.Random(share).sample(pages, 1 + int(share * len(pages))))
    whole = (tmp_path / "a").read_bytes()
    with open_spool(tmp_path / "a") as spool:
        with pytest.raises(SpoolDamaged):
            backlog(spool)
        salvage(spool)
        held, shed = backlog(spool)
        assert sorted([*held[stream], *shed[stream]]) == list(range(1001, 4001))
        lost = [n for n, reason in shed[stream].items() if reason == "damaged"]
        assert 0 < len(lost) <= 3 * share * 3000 + 300
        assert {shed[stream][n] for n in range(1010, 1020)} <= {"disk_budget", "damaged"}
        assert spool.mark("csv-1") == "3995"
    assert (tmp_path / "a.damaged-1").read_bytes() == whole, "the damaged file is kept as it was"
    assert verify(tmp_path / "a") == []


def test_a_file_of_which_nothing_is_readable_is_set_aside_and_collection_goes_on(tmp_path: Path) -> None:
    aged(tmp_path / "a")
    (tmp_path / "a").write_bytes(b"\xff" * 50_000)
    with open_spool(tmp_path / "a") as spool:
        assert spool.append(readings(1, 3)) == range(1, 4)
        salvage(spool)
        batch = spool.peek()
        assert batch is not None
        assert numbers(batch) == [1, 2, 3]
        assert batch.gateway is not None
        replaced = batch.gateway.events[0]
        assert (replaced["event"], replaced["kept_as"]) == ("spool_replaced", "a.damaged-1")
    assert (tmp_path / "a.damaged-1").stat().st_size == 50_000


def test_a_file_that_is_set_aside_is_logged_with_the_reason_and_the_names(tmp_path: Path) -> None:
    aged(tmp_path / "a")
    (tmp_path / "a").write_bytes(b"\xff" * 50_000)
    lines: list[tuple[str, dict[str, object]]] = []

    def log(name: str, *, level: int = logging.INFO, **fields: object) -> None:
        assert level == logging.ERROR
        lines.append((name, fields))

    with open_spool(tmp_path / "a", log=log) as spool:
        salvage(spool)
    said = dict(lines)
    assert [name for name, _ in lines] == [
        "gateway.spool_set_aside",
        "gateway.spool_replaced",
        "gateway.spool_salvaged",
    ]
    assert "not readable as a spool" in str(said["gateway.spool_set_aside"]["reason"])
    assert said["gateway.spool_replaced"] == {"kept_as": "a.damaged-1", "entries": "unreadable"}
    assert said["gateway.spool_salvaged"] == {"kept_as": "a.damaged-1"}


def test_a_file_that_vanishes_under_a_running_gateway_loses_nothing(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        old = spool.open_stream
        spool.append(readings(1, 50))
        spool.acknowledge(old, 20)
        for part in ("", "-wal", "-shm"):
            (tmp_path / f"a{part}").unlink(missing_ok=True)
        with refused(SpoolDamaged, "file_vanished"):
            spool.append(readings(51, 51))
        assert spool.append(readings(51, 51)) == range(1, 2)
        salvage(spool)
        batch = spool.peek()
        assert batch is not None
        assert (batch.stream, numbers(batch)) == (old, list(range(21, 51)))
        spool.acknowledge(old, 50)
        assert numbers(spool.peek()) == [51]


def test_salvage_goes_on_after_a_restart_in_the_middle(tmp_path: Path) -> None:
    stream = aged(tmp_path / "a", count=9000)
    pages = (tmp_path / "a").stat().st_size // PAGE_BYTES
    spoil(tmp_path / "a", [pages - 4])
    with open_spool(tmp_path / "a") as spool, pytest.raises(SpoolDamaged):
        backlog(spool)
    turns = 0
    while True:
        with open_spool(tmp_path / "a") as spool:
            turns += 1
            if not spool.salvage():
                held, shed = backlog(spool)
                break
    assert turns > 3
    # What was acknowledged before the damage was met is not sent again.
    told = sorted([*held[stream], *shed[stream]])
    assert told == list(range(9001 - len(told), 9001))
    assert len(told) > 2000


def test_readings_of_a_boot_that_was_not_placed_wait_in_the_new_file_too(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 10, timed=False))
        old = spool.open_stream
        (tmp_path / "a").unlink()
        with pytest.raises(SpoolDamaged):
            spool.append(readings(11, 11, timed=False))
        spool.append(readings(11, 11, timed=False))
        salvage(spool)
        assert spool.peek() is None
        spool.anchor(server_anchor(clock))
        first = spool.peek()
        assert first is not None
        assert (first.stream, numbers(first)) == (old, list(range(1, 11)))
        spool.acknowledge(old, 10)
        assert numbers(spool.peek()) == [11]


def test_a_server_holds_all_of_a_damaged_spool_that_was_readable(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "a", max_readings=500)
    bench.spool.append(readings(1, 3000))
    for _ in range(3):
        bench.uplink.step()
    bench.spool.close()
    pages = (tmp_path / "a").stat().st_size // PAGE_BYTES
    spoil(tmp_path / "a", [pages - 6, pages - 9])
    bench.open()
    for _ in range(40):
        bench.clock.advance(bench.uplink.step().wait_s)
    salvage(bench.spool)
    bench.spool.append(readings(3001, 3003))
    bench.drain()
    old, new = sorted(bench.server.streams.values(), key=lambda s: -s.highest)
    assert (old.mark, new.mark) == (3000, 3)
    assert 0 < len(old.shed) < 500
    assert sorted([*old.held, *old.shed]) == list(range(1, 3001))
    assert not old.conflicts
    bench.spool.close()


@pytest.mark.parametrize("name", ["..", "../other.spool", "other.spool", "ours.spool.damaged-x", "LINK"])
def test_a_name_in_the_notes_leads_to_no_other_file(tmp_path: Path, name: str) -> None:
    """Only files that were set aside from this spool are read into it; a link is none."""
    (tmp_path / "elsewhere").mkdir()
    for other in (tmp_path / "other.spool", tmp_path / "elsewhere" / "other.spool"):
        aged(other, count=20, mark=1)
    clock = settable_clock()
    path = tmp_path / "elsewhere" / "ours.spool"
    if name == "LINK":
        name = f"{path.name}.damaged-1"
        path.with_name(name).symlink_to(tmp_path / "other.spool")
    with open_spool(path, clock) as spool:
        spool.note("salvage", [name])
        before = backlog(spool)
        salvage(spool)
        assert backlog(spool) == before
