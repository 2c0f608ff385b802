"""The command `backup`: the database and its archive into a folder, also while a process serves."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cleanside.gateway.units import counted
from cleanside.ingest import hidden, settings
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import backup_record, database
from cleanside.ingest.writer import system_clock

if TYPE_CHECKING:
    from cleanside.ingest.keeping.manifest import Manifest


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "backup", help="database and archive into a new folder, checked; safe while a process serves"
    )
    settings.add_flags(parser, "database", "archive_folder", "backup_record")
    parser.add_argument(
        "--to", type=Path, required=True, metavar="FOLDER", help="a folder that is not there yet"
    )
    add_tools(parser)
    parser.add_argument("--json", action="store_true", help="output the manifest as JSON")
    parser.set_defaults(run=run_backup)


def add_tools(parser: argparse.ArgumentParser) -> None:
    """The flag that says where PostgreSQL's own tools are."""
    parser.add_argument(
        "--pg-tools",
        type=Path,
        metavar="FOLDER",
        help="where pg_dump and pg_restore are; default: on the path",
    )


#: A person mistyped the folder, or called twice: no backup was tried, so none failed.
_WRONG_CALLS = frozenset({"backup_exists", "backup_under_way"})


def folder_of(chosen: Settings) -> Path:
    """The archive folder; with PostgreSQL and none set there are no files, and a name that is not used."""
    return database.archive_folder(chosen.database, chosen.archive_folder) or Path("no-archive")


def _recorded(chosen: Settings, given: argparse.Namespace) -> Manifest:
    """Make a backup, and note what became of it for the server."""
    from cleanside.ingest.keeping import backup, full_disk
    from cleanside.ingest.store.archive_disk import Disk

    record = backup_record.path_of(chosen)
    now_us = system_clock.now_us()
    try:
        with full_disk.said_where_full(
            lambda: full_disk.of_backup(chosen.database, folder_of(chosen), given.to)
        ):
            made = backup.backup(
                chosen.database,
                folder_of(chosen),
                to=given.to,
                now_us=now_us,
                disk=Disk(),
                tools=given.pg_tools,
            )
    except CalledWrongly as error:
        if error.code not in _WRONG_CALLS:
            backup_record.note_failed(record, hidden.without_passwords(str(error)))
        raise
    except Exception as error:
        backup_record.note_failed(record, hidden.without_passwords(str(error)))
        raise
    backup_record.note_good(record, now_us)
    return made


def run_backup(chosen: Settings, given: argparse.Namespace) -> int:
    """Make a backup. Exit code 1 where the account did not balance; the backup is there all the same."""
    made = _recorded(chosen, given)
    if given.json:
        print(json.dumps(made.document(), indent=2))
    else:
        size = sum(entry.size_bytes for entry in made.files)
        print(f"{counted(len(made.files), 'file')}, {size:,} bytes in {given.to}, checked")
        print("put a copy on another disk: archive files are links where the disk is the same")
    if made.totals is not None and made.totals.faults:
        raise CalledWrongly("account_has_faults", faults=counted(made.totals.faults, "fault"))
    return 0
