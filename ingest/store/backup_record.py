"""
What became of the last backups: a small file that the commands `backup` and `drill` write and a server reads.

A file and no row: the command runs beside the server, which has its SQLite file to itself.
Promises: replaced in one step. A good backup does not hide a drill that failed, nor the other way round. A
record that cannot be written fails no backup, and one that cannot be read says nothing.
Leaves to others: who hears of it (`ingest.messages.matters`).
"""

from __future__ import annotations

import json
import logging
import os
import secrets
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from cleanside.gateway import file_modes
from cleanside.ingest.errors import why
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import database

log = logging.getLogger("cleanside.ingest")
MOST_WHY = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupRecord:
    """What became of the last backups."""

    #: how many failed since the last good one; 0: the last was good
    failed: int = 0
    #: when the last good one was made; None: not known
    good_us: int | None = None
    #: why the last one failed
    why: str = ""
    #: how many restore drills failed since the last good one; 0: the last was good, or there was none
    drills_failed: int = 0
    #: when the backup of the last good drill was made; None: not known
    drilled_us: int | None = None
    #: why the last drill failed
    drill_why: str = ""


def path_of(settings: Settings) -> Path | None:
    """The file of the settings, else one beside a SQLite file, else none."""
    sqlite = database.sqlite_path(settings.database)
    if settings.backup_record:
        return Path(settings.backup_record)
    return None if sqlite is None else sqlite.with_name(f"{sqlite.name}.backup-record")


def read(path: Path | None) -> BackupRecord | None:
    """The record; None: there is none, or it cannot be read."""
    if path is None or not path.exists():
        return None
    try:
        return BackupRecord(**json.loads(path.read_text("utf-8")))
    except (OSError, ValueError, TypeError) as error:
        log.warning("ingest.backup_record_unreadable", extra={"file": str(path), "reason": why(error)})
        return None


def note_good(path: Path | None, now_us: int) -> None:
    """Write that a backup was made."""
    _write(path, replace(read(path) or BackupRecord(), failed=0, good_us=now_us, why=""))


def note_failed(path: Path | None, reason: str) -> None:
    """Write that a backup failed, and why."""
    before = read(path) or BackupRecord()
    _write(path, replace(before, failed=before.failed + 1, why=reason[:MOST_WHY]))


def note_drilled(path: Path | None, made_us: int) -> None:
    """Write that a backup was restored in a drill and its account balanced. made_us : when it was made."""
    before = read(path) or BackupRecord()
    _write(path, replace(before, drills_failed=0, drilled_us=made_us, drill_why=""))


def note_drill_failed(path: Path | None, reason: str) -> None:
    """Write that a restore drill failed, and why."""
    before = read(path) or BackupRecord()
    failed = before.drills_failed + 1
    _write(path, replace(before, drills_failed=failed, drill_why=reason[:MOST_WHY]))


def _write(path: Path | None, record: BackupRecord) -> None:
    if path is None:
        return
    aside = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
    try:
        file_modes.write_text(aside, json.dumps(asdict(record)) + "\n")
        _give_to_owner_of(path.parent, aside)
        file_modes.sync_file(aside)
        aside.rename(path)
    except OSError as error:
        log.warning("ingest.backup_record_unwritten", extra={"file": str(path), "reason": why(error)})
        aside.unlink(missing_ok=True)


def _give_to_owner_of(folder: Path, file: Path) -> None:
    """A command run by root must not take the file from the server's user."""
    with suppress(OSError):
        state = folder.stat()
        os.chown(file, state.st_uid, state.st_gid)
