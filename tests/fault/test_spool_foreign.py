"""A wrong `spool.path`: what is no spool is refused and stays as it is; a damaged spool is recognised."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import apsw
import pytest

from cleanside.gateway.cli import EXIT_CALLED_WRONGLY, main
from cleanside.gateway.errors import CalledWrongly
from cleanside.gateway.spool.file import open_beside, open_file, open_to_read
from tests.fault.test_spool_rescue import aged, backlog, salvage, spoil
from tests.support.coded import refused
from tests.unit.gateway.helpers import DEVICE, numbers, open_spool, readings

PICTURE = b"\x89PNG\r\n\x1a\n" + random.Random(7).randbytes(300_000)


def database(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE visits (number INTEGER PRIMARY KEY, stream TEXT, state TEXT)")
        connection.executemany("INSERT INTO visits VALUES (NULL, ?, 'open')", [("x" * 36,)] * 500)
    connection.close()


def database_in_its_log(path: Path) -> None:
    """All of it lies in the log yet, as another program that was killed leaves it."""
    made = (
        "import os, sqlite3, sys; connection = sqlite3.connect(sys.argv[1]); "
        "connection.execute('PRAGMA journal_mode=WAL'); "
        "connection.execute('CREATE TABLE visits (number INTEGER PRIMARY KEY, place TEXT)'); os._exit(0)"
    )
    subprocess.run([sys.executable, "-c", made, str(path)], check=True)
    assert path.with_name(f"{path.name}-wal").stat().st_size > 0


def linked(path: Path) -> None:
    target = path.with_name("target.txt")
    target.write_text("buy gaskets\n")
    path.symlink_to(target)


#: codes of what lies where a spool should
NOT_OURS = {"not_a_spool", "spool_a_database", "spool_a_folder", "spool_not_a_file"}
#: codes of what lies where a spool should
NOT_OURS = {"not_a_spool", "spool_a_database", "spool_a_folder", "spool_not_a_file"}
FOREIGN: dict[str, Callable[[Path], object]] = {
    "text": lambda path: path.write_text("buy gaskets\n" * 1000),
    "short text": lambda path: path.write_text("x"),
    "picture": lambda path: path.write_bytes(PICTURE),
    "database": database,
    "database in its log": database_in_its_log,
    "header of a database": lambda path: path.write_bytes(b"SQLite format 3\0"),
    "zeros": lambda path: path.write_bytes(bytes(50_000)),
    "folder": Path.mkdir,
    "link": linked,
    "link to a folder": lambda path: path.symlink_to(path.parent),
    "pipe": os.mkfifo,
}


def look(folder: Path) -> dict[str, object]:
    """Every name below `folder` with what it is."""
    found: dict[str, object] = {}
    for path in sorted(folder.rglob("*")):
        state = path.lstat()
        content = path.read_bytes() if path.is_file() else b""
        found[path.name] = (state.st_ino, state.st_mode, state.st_mtime_ns, content)
    return found


@pytest.mark.parametrize("kind", FOREIGN)
def test_what_is_no_spool_is_refused_and_left_as_it_is(
    tmp_path: Path, kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "notes.txt"
    FOREIGN[kind](path)
    before = look(tmp_path)
    for _ in range(2):  # what the first try leaves behind must not make it ours for the second
        with pytest.raises(CalledWrongly) as foreign:
            open_spool(path)
        assert foreign.value.code in NOT_OURS
    for command in (["status"], ["verify"], ["rewind", "--from", "1"]):
        assert main([*command, "--device", DEVICE, "--spool-path", str(path)]) == EXIT_CALLED_WRONGLY
        assert "notes.txt" in capsys.readouterr().err
    for way in (open_to_read, open_beside):
        with pytest.raises(CalledWrongly):
            way(path)
    assert look(tmp_path) == before


def test_a_foreign_file_with_the_name_of_our_lock_is_not_written_to(tmp_path: Path) -> None:
    (tmp_path / "Cargo.lock").write_text("version = 3\n")
    with open_spool(tmp_path / "Cargo") as spool:
        spool.append(readings(1, 2))
    assert (tmp_path / "Cargo.lock").read_text() == "version = 3\n"


def cut_off_empty(path: Path) -> None:
    path.touch()


def cut_off_before_its_tables(path: Path) -> None:
    connection = apsw.Connection(str(path))
    connection.execute("PRAGMA journal_mode=WAL").get  # noqa: B018 - makes the first page
    connection.close()


def cut_off_page_of_nothing(path: Path) -> None:
    path.write_bytes(bytes(4096))


@pytest.mark.parametrize("make", [cut_off_empty, cut_off_before_its_tables, cut_off_page_of_nothing])
def test_a_file_whose_making_was_cut_off_is_finished(tmp_path: Path, make: Callable[[Path], None]) -> None:
    make(tmp_path / "a")
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 3))
        assert numbers(spool.peek()) == [1, 2, 3]


def test_a_new_spool_whose_tables_lie_in_the_log_yet_is_ours(tmp_path: Path) -> None:
    connection = open_file(tmp_path / "a")
    assert (tmp_path / "a-wal").stat().st_size > 0
    for way in (open_to_read, open_beside):
        way(tmp_path / "a").close()
    connection.close()


DAMAGE: dict[str, Callable[[Path], object]] = {
    "first page": lambda path: spoil(path, [0]),
    "first twenty pages": lambda path: spoil(path, list(range(20))),
    "application id": lambda path: overwrite(path, 68, b"\0\0\0\x01"),
    "application id and no log": lambda path: overwrite(path, 68, b"none"),
    "header": lambda path: overwrite(path, 0, bytes(100)),
    "cut to half": lambda path: os.truncate(path, path.stat().st_size // 2),
    "cut to half, without its first page": lambda path: cut_and_spoil(path),
}


def cut_and_spoil(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)
    spoil(path, [0])


def overwrite(path: Path, at: int, content: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(content)


@pytest.mark.parametrize("marked", [True, False])
@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_spool_is_recognised_by_its_mark_or_by_its_pages(
    tmp_path: Path, damage: str, marked: bool
) -> None:
    """Without the mark: written by a release that made none, or copied from another disk."""
    stream = aged(tmp_path / "a")
    if not marked:
        (tmp_path / "a.lock").unlink()
    DAMAGE[damage](tmp_path / "a")
    with open_spool(tmp_path / "a") as spool:
        salvage(spool)
        new = spool.open_stream
        spool.append(readings(1, 3))
        held, shed = backlog(spool)
    assert (tmp_path / "a.damaged-1").exists()
    assert held[new] == [1, 2, 3]
    if damage != "first twenty pages":  # with them goes what says whose numbers the readings bear
        assert set(held.get(stream, ())) | set(shed[stream]) >= set(range(1001, 1011))


@pytest.mark.parametrize("content", [b"\xff" * 50_000, bytes(50_000)])
def test_of_a_spool_that_was_wholly_overwritten_the_mark_is_left(tmp_path: Path, content: bytes) -> None:
    aged(tmp_path / "a")
    with (tmp_path / "a").open("r+b") as file:
        file.write(content)
        file.truncate()
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 3))
    assert (tmp_path / "a.damaged-1").read_bytes() == content


def test_the_mark_is_of_one_file_and_not_of_one_name(tmp_path: Path) -> None:
    aged(tmp_path / "a")
    (tmp_path / "a").rename(tmp_path / "moved away")
    (tmp_path / "a").write_text("buy gaskets\n")
    before = look(tmp_path)
    with refused(CalledWrongly, "not_a_spool"):
        open_spool(tmp_path / "a")
    assert look(tmp_path) == before


def test_a_spool_behind_a_link_is_used(tmp_path: Path) -> None:
    with open_spool(tmp_path / "disk.spool") as spool:
        spool.append(readings(1, 2))
    (tmp_path / "a").symlink_to(tmp_path / "disk.spool")
    with open_spool(tmp_path / "a") as spool:
        assert numbers(spool.peek()) == [1, 2]
