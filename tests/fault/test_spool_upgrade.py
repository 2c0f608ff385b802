"""A spool of an earlier version is brought up: nothing changes but its form, whenever the power goes."""

from __future__ import annotations

import random
from pathlib import Path

import apsw
import pytest

from cleanside.gateway.commands.verify import unprotected, verify
from cleanside.gateway.errors import CalledWrongly, TryAgain
from cleanside.gateway.spool.file import SCHEMA_VERSION
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.spool.upgrade import STEPS
from cleanside.gateway.timing.clock import SettableClock
from tests.support.coded import refused
from tests.unit.gateway.helpers import numbers, open_spool, reading, server_anchor, settable_clock
from tests.unit.gateway.simulated_disk import SURVIVALS, Disk

DUMPS = Path(__file__).parents[1] / "support"
VERSIONS = range(1, SCHEMA_VERSION)
FIRST, SECOND = "01a23556-a300-7000-8000-000000000008", "01a23596-b940-7000-8000-000000000063"


def write_version(version: int, path: Path, *, vfs: str | None = None) -> None:
    """The file as the program of that version left it."""
    connection = apsw.Connection(str(path), vfs=vfs)
    if vfs is not None:
        connection.execute("PRAGMA locking_mode=EXCLUSIVE")
    assert connection.execute("PRAGMA journal_mode=WAL").get == "wal"
    connection.execute((DUMPS / f"spool_version_{version}.sql").read_text())
    connection.close()


def later_boot() -> SettableClock:
    """The clock of a boot that the file does not know yet."""
    clock = settable_clock()
    clock.key_off(off_s=90_000, boot_id="boot-3")
    return clock


def check(spool: Spool, clock: SettableClock) -> None:
    """Everything that the program of that version promised. clock : of the running boot, not placed yet."""
    first, second = spool.state().streams
    assert (first.stream, first.state, first.appended_through) == (FIRST, "forked", 70)
    assert (second.stream, second.state, second.appended_through) == (SECOND, "open", 5)
    assert (first.acknowledged_through, second.acknowledged_through) == (12, 0)
    batch = spool.peek()
    assert batch is not None
    assert numbers(batch) == [n for n in range(13, 61) if not 20 <= n <= 24]
    assert [(entry.first, entry.last, entry.reason) for entry in batch.shed] == [(20, 24, "disk_budget")]
    spool.acknowledge(FIRST, 60)
    assert numbers(spool.peek()) == [71, 72, 73, 74, 75], "the second boot is not placed yet"
    spool.acknowledge(SECOND, 5)
    assert spool.append([reading(76)]) == range(6, 7)
    spool.anchor(server_anchor(clock))
    assert numbers(spool.peek()) == list(range(61, 71))
    spool.acknowledge(FIRST, 70)
    assert numbers(spool.peek()) == [76]
    assert spool.mark("csv-1") == "40"
    assert spool.state().traffic == {"2026-12-02": (1200, 300)}


def test_every_earlier_version_has_a_way_up() -> None:
    assert list(STEPS) == list(range(1, SCHEMA_VERSION))
    dumps = Path(__file__).parents[1] / "support"
    assert [n for n in STEPS if not (dumps / f"spool_version_{n}.sql").exists()] == []


@pytest.mark.parametrize("version", VERSIONS)
def test_a_spool_of_an_earlier_version_is_brought_up_with_all_it_holds(tmp_path: Path, version: int) -> None:
    write_version(version, tmp_path / "a")
    clock = later_boot()
    with open_spool(tmp_path / "a", clock) as spool:
        check(spool, clock)
    assert verify(tmp_path / "a") == []


@pytest.mark.parametrize("version", VERSIONS)
def test_a_file_that_was_brought_up_has_the_form_of_a_new_one(tmp_path: Path, version: int) -> None:
    write_version(version, tmp_path / "old")
    before = form(tmp_path / "old")
    open_spool(tmp_path / "old").close()
    open_spool(tmp_path / "new").close()
    old, new = form(tmp_path / "old"), form(tmp_path / "new")
    assert old.keys() == new.keys()
    assert {name: old[name] for name in new.keys() - before.keys()} == {
        name: new[name] for name in new.keys() - before.keys()
    }


def form(path: Path) -> dict[str, str]:
    """What there is in a file, and how it was made, spaces aside; SQLite's own table for a counter too."""
    connection = apsw.Connection(str(path))
    query = "SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL AND name != 'sqlite_sequence'"
    rows = connection.execute(query).fetchall()
    connection.close()
    return {str(name): "".join(str(sql).split()) for name, sql in rows}


@pytest.mark.parametrize("version", VERSIONS)
def test_a_look_at_a_spool_that_was_not_brought_up_yet_says_what_to_do(tmp_path: Path, version: int) -> None:
    write_version(version, tmp_path / "a")
    with refused(CalledWrongly, "version_older", version=version):
        verify(tmp_path / "a")


def test_readings_of_an_earlier_version_bear_no_sum_and_new_ones_do(tmp_path: Path) -> None:
    write_version(2, tmp_path / "a")
    with open_spool(tmp_path / "a", later_boot()) as spool:
        spool.append([reading(76)])
    assert unprotected(tmp_path / "a") == 70, "five of them were shed"
    assert verify(tmp_path / "a") == []


def test_an_old_spool_that_was_brought_up_goes_on_in_its_stream_at_the_next_start(tmp_path: Path) -> None:
    write_version(2, tmp_path / "a")
    for life in range(3):
        with open_spool(tmp_path / "a", later_boot()) as spool:
            assert spool.open_stream == SECOND
            assert spool.append([reading(76)]) == range(6 + life, 7 + life)


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("name", SURVIVALS)
def test_a_power_cut_at_any_moment_of_the_upgrade_loses_nothing(
    tmp_path: Path, name: str, version: int
) -> None:
    """And one in the next attempt too: the third boot finds the file of one version or the other, whole."""
    chance = random.Random(name)
    at, is_through = 0, False
    while not is_through:
        at += 1
        disk = Disk()
        write_version(version, tmp_path / "a", vfs=disk.vfs)
        disk.sync_folder()
        disk.operations = 0
        disk.cut_power_at(at)
        is_through = opens(tmp_path / "a", disk)
        disk = disk.power_on(SURVIVALS[name], chance)
        disk.cut_power_at(chance.randrange(1, 40))
        opens(tmp_path / "a", disk)
        disk = disk.power_on(SURVIVALS[name], chance)
        clock = later_boot()
        spool = open_spool(tmp_path / "a", clock, vfs=disk.vfs)
        assert spool._disk.connection.execute("PRAGMA user_version").get == SCHEMA_VERSION
        assert spool._disk.connection.execute("PRAGMA integrity_check").get == "ok"
        check(spool, clock)
        spool.close()
        disk.unregister()
    print(f"power cut at {at - 1} operations of an upgrade, each time once more in the next")  # noqa: T201
    assert at > 20


def opens(path: Path, disk: Disk) -> bool:
    """True: it was brought up before the power went. Either way the process is gone then."""
    try:
        spool = open_spool(path, later_boot(), vfs=disk.vfs)
    except (TryAgain, apsw.Error):
        return False
    spool._disk.close()
    return True
