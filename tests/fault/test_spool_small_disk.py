"""A file system that fills up: what is acknowledged makes room, nothing that waits goes without a word."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.errors import SpoolFull
from cleanside.gateway.spool.peek import span
from cleanside.gateway.spool.queue import Spool
from tests.support.coded import refused
from tests.support.small_disks import small_disk
from tests.unit.gateway.helpers import DEVICE, numbers, open_spool, readings
from tests.unit.gateway.simulated_disk import Disk, SimulatedVolume

SIZE_BYTES = 8 * 2**20
CHUNK = 500


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A folder on a file system of 8 MB; where none may be mounted the simulated disk below has to do."""
    with small_disk(tmp_path / "small", SIZE_BYTES) as folder:
        yield folder


def fill_disk(folder: Path) -> None:
    """Others take the last of it."""
    with (folder / "others").open("ab", buffering=0) as file:
        for size in (2**16, 2**12, 1):
            try:
                while file.write(bytes(size)) == size:
                    pass
            except OSError:
                continue


def send_all(spool: Spool) -> tuple[list[int], list[int]]:
    """All that waits, acknowledged as it goes: numbers of readings, numbers given up."""
    held: list[int] = []
    shed: list[int] = []
    while (batch := spool.peek(max_readings=5000, max_bytes=2**22)) is not None:
        held += batch.seq or ()
        shed += [n for entry in batch.shed for n in range(entry.first, entry.last + 1)]
        spool.acknowledge(batch.stream or "", max([*held, *shed]))
    return held, shed


def append_many(spool: Spool, first: int, last: int) -> None:
    for begin in range(first, last + 1, CHUNK):
        spool.append(readings(begin, min(begin + CHUNK - 1, last)))


def test_files_set_aside_that_fill_the_disk_do_not_stop_what_is_sent(small: Path) -> None:
    """
    As found in a campaign: salvage took the room of the reserve too, so that the log could be neither written
    back nor begun again, and no acknowledgement was kept.
    """
    (small / "others").write_bytes(bytes(SIZE_BYTES - 2**21))
    told: dict[str, set[int]] = {}
    for _ in range(3):
        with open_spool(small / "a") as spool:
            told[spool.open_stream] = set()
            append_many(spool, 1, 10_000)
            while spool.salvage():
                pass
        with (small / "a").open("r+b") as file:
            file.write(b"not a database")
    with open_spool(small / "a") as spool:
        while (batch := spool.peek(max_readings=500)) is not None or spool.salvage():
            if batch is not None:
                first, last = span(batch)
                told[batch.stream or ""] |= set(range(first, last + 1))
                spool.acknowledge(batch.stream or "", last)
        assert spool.append(readings(1, 500))
    assert all(numbers == set(range(1, 10_001)) for numbers in told.values())
    assert verify(small / "a") == []


def test_acknowledged_readings_make_room_on_a_disk_smaller_than_the_budget(small: Path) -> None:
    """As reported: 8 MB, 120,020 acknowledged readings, budget 256 MiB; new ones were dropped. Here twice."""
    with open_spool(small / "a") as spool:
        told = 0
        for first in range(1, 240_001, 20_000):
            append_many(spool, first, first + 19_999)
            held, shed = send_all(spool)
            assert not shed
            told += len(held)
        assert told == 240_000
        assert spool.append(readings(1, 1)) == range(240_001, 240_002)
    assert verify(small / "a") == []


def test_a_gateway_on_a_disk_that_others_fill_appends_acknowledges_and_starts_again(small: Path) -> None:
    with open_spool(small / "a") as spool:
        append_many(spool, 1, 60_000)
        send_all(spool)
        append_many(spool, 60_001, 61_000)
        fill_disk(small)
        for first in range(61_001, 161_001, CHUNK):
            append_many(spool, first, first + CHUNK - 1)
            batch = spool.peek(max_readings=CHUNK)
            assert batch is not None
            assert not batch.shed
            spool.acknowledge(batch.stream or "", (batch.seq or [])[-1])
    for _ in range(3):  # restarts on a disk that others fill each time
        fill_disk(small)
        with open_spool(small / "a") as spool:
            fill_disk(small)
            assert len(spool.append(readings(1, 700))) == 700
            fill_disk(small)
            held, shed = send_all(spool)
            assert len(held) >= 700
            assert not shed
    assert verify(small / "a") == []


def test_a_gateway_that_is_killed_on_a_full_disk_starts_again(small: Path) -> None:
    with open_spool(small / "a") as spool:
        append_many(spool, 1, 60_000)
        send_all(spool)
    fill_disk(small)
    command = [sys.executable, "-m", "tests.support.appender", str(small / "a"), DEVICE, "1"]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        said = [int(child.stdout.readline()) for _ in range(1000)]
        child.kill()
        said += [int(line) for line in child.stdout]
    fill_disk(small)
    with open_spool(small / "a") as spool:
        (state,) = spool.state().streams
        assert state.appended_through >= 60_000 + said[-1]
        append_many(spool, 1, 5_000)
        held, shed = send_all(spool)
        assert held == list(range(60_001, state.appended_through + 5_001))
        assert not shed
    assert verify(small / "a") == []


def test_a_backlog_that_fills_the_disk_is_thinned_and_declared(small: Path) -> None:
    with open_spool(small / "a") as spool:
        append_many(spool, 1, 250_000)
        held, shed = send_all(spool)
        assert sorted(held + shed) == list(range(1, 250_001))
        assert len(held) > 20_000
    assert verify(small / "a") == []


def test_a_reserve_is_kept_given_back_when_full_and_taken_again(small: Path) -> None:
    reserve = small / "a.reserve"
    with open_spool(small / "a") as spool:
        whole = reserve.stat().st_blocks * 512
        assert whole > 2**17, "its room is really taken"
        append_many(spool, 1, 60_000)
        send_all(spool)
        fill_disk(small)
        append_many(spool, 60_001, 120_000)
        (small / "others").unlink()
        spool.make_room()
        assert reserve.stat().st_blocks * 512 == whole


def test_the_log_counts_and_stays_within_its_share_of_the_disk(small: Path) -> None:
    with open_spool(small / "a") as spool:
        append_many(spool, 1, 60_000)
        assert (small / "a-wal").stat().st_size < SIZE_BYTES // 16


@pytest.mark.parametrize("capacity", [700_000, 1_000_000])
def test_on_a_simulated_small_disk_every_number_is_sent_or_declared_over_restarts(
    tmp_path: Path, capacity: int
) -> None:
    disk = Disk()
    volume = SimulatedVolume(disk, capacity)
    told: list[int] = []
    for life in range(4):
        with open_spool(tmp_path / "a", vfs=disk.vfs, volume=volume) as spool:
            append_many(spool, life * 20_000 + 1, life * 20_000 + 20_000)
            held, shed = send_all(spool)
            told += sorted(held + shed)
            assert len(held) > 1000
        volume.others_bytes = capacity - disk.bytes() - volume.reserve_bytes() - 4096  # others take the rest
    assert told == list(range(1, 80_001))
    disk.unregister()


def test_a_disk_without_a_single_byte_says_what_to_do_and_works_again_when_there_is_room(
    tmp_path: Path,
) -> None:
    disk = Disk()
    volume = SimulatedVolume(disk, 2**20)
    with open_spool(tmp_path / "a", vfs=disk.vfs, volume=volume) as spool:
        spool.append(readings(1, 10))
        volume.others_bytes = 2**30
        volume.reserve = 0
        with refused(SpoolFull, "disk_full"):
            append_many(spool, 11, 10_000)
        volume.others_bytes = 0
        last = spool.append(readings(1, 1))[0]
        assert len(numbers(spool.peek(max_readings=5000))) >= min(last, 4000)
    disk.unregister()
