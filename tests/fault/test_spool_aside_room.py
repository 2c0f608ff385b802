"""Files that were set aside on a small disk: what the server lost of them comes again, and they make room."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from cleanside.gateway.commands.aside_files import unread_beside
from cleanside.gateway.commands.standing import findings, look
from cleanside.gateway.commands.verify import verify
from cleanside.gateway.errors import SpoolUnavailable
from cleanside.gateway.spool.aside import delete, free_name, set_aside_files
from cleanside.gateway.spool.carry_back import begin, left_aside, put_back
from cleanside.gateway.spool.peek import span
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.spool.rescue import PIECE
from cleanside.gateway.spool.room import tables_bytes
from cleanside.gateway.spool.volume import LEAST_TABLES_BYTES, START_BYTES, reserve_for
from tests.fault.test_salvaged_restored import damage_head
from tests.fault.test_spool_rescue import backlog, salvage
from tests.fault.test_spool_small_disk import SIZE_BYTES, append_many, fill_disk, small
from tests.unit.gateway.helpers import open_spool, readings, settable_clock

__all__ = ["small"]  # the fixture
ROOM_BYTES = 5 * 2**18
Given = tuple[Spool, dict[str, int]]


def narrow(small: Path) -> Path:
    """Others leave 1.25 MiB. Returns the path of a spool there."""
    (small / "others").write_bytes(bytes(SIZE_BYTES - ROOM_BYTES))
    return small / "a"


def acknowledge_all(spool: Spool) -> int:
    """Send all that waits. Returns how many readings that were."""
    sent = 0
    while (batch := spool.peek(max_readings=PIECE)) is not None:
        assert not batch.shed, "given up, and a file that was set aside has it"
        sent += len(batch)
        spool.acknowledge(batch.stream or "", span(batch)[1])
    return sent


def damaged_after(path: Path, *counts: int) -> Given:
    """A spool whose head went after so many acknowledged readings, each time. Returns it and its streams."""
    streams: dict[str, int] = {}
    for count in counts:
        with open_spool(path) as spool:
            salvage(spool)
            streams[spool.open_stream] = count
            for first in range(1, count + 1, PIECE):
                spool.append(readings(first, min(first + PIECE - 1, count)))
                acknowledge_all(spool)
        damage_head(path)
    return open_spool(path), streams


@pytest.fixture
def crowded(small: Path) -> Iterator[Given]:
    """The server had all of two damaged spools, which have more readings than the disk has room for again."""
    spool, streams = damaged_after(narrow(small), 5_000, 6_000)
    salvage(spool)
    yield spool, streams
    with suppress(SpoolUnavailable):  # the test has closed it
        spool.close()


def test_a_restored_server_gets_what_files_set_aside_have_however_little_room_there_is(
    crowded: Given,
) -> None:
    """As found in a campaign: the disk had no room for all of it at once, and 94,815 readings never came."""
    spool, streams = crowded
    for _ in range(2):  # restored, and restored again
        for stream in streams:
            spool.rewind(stream, 100)
        assert acknowledge_all(spool) == sum(streams.values()) - 200
    assert verify(spool.path) == []


def test_a_rewind_that_is_not_at_its_end_goes_on_after_a_restart(crowded: Given) -> None:
    spool, streams = crowded
    for stream in streams:
        spool.rewind(stream, 0)
    assert any(left_in(spool, stream) for stream in streams), "there is no room for all of it"
    for _ in range(3):
        batch = spool.peek(max_readings=PIECE)
        assert batch is not None
        spool.acknowledge(batch.stream or "", span(batch)[1])
    assert verify(spool.path) == []
    spool.close()
    with open_spool(spool.path) as again:
        assert acknowledge_all(again) == sum(streams.values()) - 3 * PIECE


def test_new_readings_take_the_room_of_those_that_a_file_has_too(crowded: Given) -> None:
    """No reading is given up for one that can be carried back again."""
    spool, streams = crowded
    for stream in streams:
        spool.rewind(stream, 0)
    append_many(spool, 1, 1_000)
    assert acknowledge_all(spool) == sum(streams.values()) + 1_000


def test_a_full_disk_does_not_stop_what_is_sent_while_a_rewind_waits(crowded: Given) -> None:
    spool, streams = crowded
    for stream in streams:
        spool.rewind(stream, 0)
    fill_disk(spool.path.parent)
    assert spool.append(readings(1, 500))
    spool.note("a", "test")
    assert acknowledge_all(spool) == sum(streams.values()) + 500


def test_what_was_carried_back_is_put_back_but_for_what_is_in_flight(crowded: Given) -> None:
    spool, streams = crowded
    for stream in streams:
        spool.rewind(stream, 0)
    batch = spool.peek(max_readings=200)
    assert batch is not None
    stream = batch.stream or ""
    row = spool.stream(stream)
    left, in_flight = left_in(spool, stream), range(row.position(1), row.position(200) + 1)
    is_put_back = 1
    while is_put_back:
        with spool._disk.transaction() as connection:
            is_put_back = put_back(connection, most=200, in_flight=in_flight)
    assert left_in(spool, stream) == range(201, left.stop)
    assert spool.peek(max_readings=200) == batch
    assert verify(spool.path) == []
    assert acknowledge_all(spool) == sum(streams.values())


def test_what_is_here_and_in_no_file_any_more_is_not_put_back(tmp_path: Path) -> None:
    path = tmp_path / "a"
    with open_spool(path) as spool:
        append_many(spool, 1, 3_000)
        stream = spool.open_stream
    damage_head(path)
    with open_spool(path) as spool:
        salvage(spool)
        acknowledge_all(spool)
        delete(path.with_name("a.damaged-1"))
        assert spool._room.prune() == 2_000
        row = spool.stream(stream)
        with spool._disk.transaction() as connection:
            assert begin(connection, row, 0)
            assert put_back(connection, most=3_000, in_flight=range(0)) == 0
        assert left_in(spool, stream) == range(1, 2_001)
    with open_spool(path) as spool:
        held, shed = backlog(spool)
    assert held[stream] == list(range(2_001, 3_001))
    assert shed[stream] == dict.fromkeys(range(1, 2_001), "pruned_after_ack")


def test_a_stream_that_is_given_over_goes_on_to_be_carried_back(crowded: Given) -> None:
    spool, streams = crowded
    for stream in streams:
        spool.rewind(stream, 0)
    before = spool.stream(spool.open_stream).appended_through
    while any(left_in(spool, stream) for stream in streams):
        batch = spool.peek(max_readings=PIECE)
        assert batch is not None
        if batch.stream in streams:
            spool.give_over(batch.stream)
        else:
            spool.acknowledge(batch.stream or "", span(batch)[1])
    acknowledge_all(spool)
    assert spool.stream(spool.open_stream).appended_through - before == sum(streams.values())
    assert verify(spool.path) == []


def test_a_file_that_was_set_aside_goes_before_a_reading_that_waits(small: Path) -> None:
    path = narrow(small)
    spool, (stream,) = damaged_after(path, 9_000)
    with spool:
        salvage(spool)
        append_many(spool, 1, 12_000)
        assert set_aside_files(path) == []
        told = [event.content for event in spool.unconfirmed("a database").events]
        assert [event["kept_as"] for event in told if event["event"] == "spool_aside_deleted"] == [
            "a.damaged-1"
        ]
        assert free_name(path).name == "a.damaged-2", "a name stands for one file"
        assert spool.rewind(stream, 0) == 0
        held, shed = backlog(spool)
        assert set(shed[stream].values()) == {"pruned_after_ack"}
        assert sorted(shed[stream]) == list(range(1, 9_001))
        assert len(held[spool.open_stream]) == 12_000
    assert verify(path) == []


def test_a_file_that_waits_to_be_read_is_never_deleted(small: Path) -> None:
    path = narrow(small)
    with open_spool(path) as spool:
        append_many(spool, 1, 5_000)
        stream = spool.open_stream
    damage_head(path)
    with open_spool(path) as spool:
        append_many(spool, 1, 15_000)
        assert len(set_aside_files(path)) == 1
        held, shed = all_of(spool, stream)
    assert (held, shed) == (set(range(1, 5_001)), set())


def test_a_spool_that_is_damaged_on_a_full_disk_is_replaced_again_and_again(small: Path) -> None:
    """It starts, sends and declares: each file was read into the next one, which alone is needed then."""
    path = narrow(small)
    told: set[int] = set()
    with open_spool(path) as spool:
        append_many(spool, 1, 5_000)
        first = spool.open_stream
    for _ in range(6):
        fill_disk(small)
        damage_head(path)
        with open_spool(path) as spool:
            fill_disk(small)
            spool.lose("ndjson-1", 7)
            assert spool.declare_losses() == {"ndjson-1": 7}
            assert len(spool.append(readings(1, 100))) == 100
            told = told.union(*all_of(spool, first))
    assert told == set(range(1, 5_001))
    with open_spool(path) as spool:
        said = [event.content for event in spool.unconfirmed("a database").events]
    assert [event["count"] for event in said if event["event"] == "readings_lost"] == [7] * 6
    assert verify(path) == []


def all_of(spool: Spool, stream: str) -> tuple[set[int], set[int]]:
    """The numbers of a stream that are sent, and declared, with all that salvage brings as there is room."""
    held: set[int] = set()
    shed: set[int] = set()
    while (batch := spool.peek()) is not None or spool.salvage():
        if batch is not None and batch.stream == stream:
            held.update(batch.seq or ())
            shed.update(n for entry in batch.shed for n in range(entry.first, entry.last + 1))
        if batch is not None:
            spool.acknowledge(batch.stream or "", span(batch)[1])
    return held, shed


def test_files_set_aside_count_in_the_budget_up_to_half_of_it() -> None:
    for aside, left in ((0, 1000), (300, 700), (900, 500)):
        room = tables_bytes(1000, None, log_bytes=0, file_bytes=0, lacking_bytes=0, aside_bytes=aside)
        assert room == left


def test_a_small_room_keeps_a_reserve_in_which_a_spool_starts() -> None:
    assert reserve_for(LEAST_TABLES_BYTES + START_BYTES) >= START_BYTES


def test_an_empty_mark_keeps_the_name_of_a_file_that_was_deleted(tmp_path: Path) -> None:
    (tmp_path / "a.damaged-1").write_bytes(bytes(5_000))
    assert delete(tmp_path / "a.damaged-1") == 5_000
    assert set_aside_files(tmp_path / "a") == []
    assert free_name(tmp_path / "a").name == "a.damaged-2"


def left_in(spool: Spool, stream: str) -> range:
    with spool._disk.reading() as connection:
        return left_aside(connection, spool.stream(stream))


def test_a_full_disk_with_a_file_that_is_not_read_is_said_with_the_way_out(small: Path) -> None:
    path = small / "a"
    with open_spool(path) as spool:
        append_many(spool, 1, 5_000)
    damage_head(path)
    open_spool(path).close()
    fill_disk(small)
    [file] = unread_beside(path)
    assert (file.name, file.bytes > 100_000) == ("a.damaged-1", True)
    assert "aside_unread" in {finding.code for finding in findings(look(path, settable_clock()))}


def test_a_file_that_was_moved_away_is_read_once_it_is_put_back(tmp_path: Path) -> None:
    path, stick = tmp_path / "a", tmp_path / "stick"
    with open_spool(path) as spool:
        append_many(spool, 1, 3_000)
        stream = spool.open_stream
    damage_head(path)
    open_spool(path).close()
    stick.mkdir()
    moved = [file.rename(stick / file.name) for file in tmp_path.glob("a.damaged-1*")]
    with open_spool(path) as spool:
        salvage(spool)
        said = {event.content["event"] for event in spool.unconfirmed("a database").events}
        assert "spool_salvaged" not in said, "its readings are on the stick alone"
    assert unread_beside(path) == []
    for file in moved:
        file.rename(tmp_path / file.name)
    assert [file.name for file in unread_beside(path)] == ["a.damaged-1"]
    with open_spool(path) as spool:
        salvage(spool)
        held, shed = backlog(spool)
    assert (held[stream], shed.get(stream, {})) == (list(range(1, 3_001)), {})
