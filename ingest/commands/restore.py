"""The command `restore`: a backup into an empty place, checked before it is put there."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from cleanside.gateway.units import counted
from cleanside.ingest import settings
from cleanside.ingest.commands.backup import add_tools, folder_of
from cleanside.ingest.store import database


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "restore", help="a backup into an empty place, checked; gateways send again what came since"
    )
    settings.add_arguments(parser, "database", "archive_folder")
    parser.add_argument(
        "--from", dest="source", type=Path, required=True, metavar="FOLDER", help="of `backup`"
    )
    add_tools(parser)
    parser.set_defaults(run=run_restore)


def run_restore(given: argparse.Namespace) -> int:
    """Restore, and say from when."""
    from cleanside.ingest.keeping import backup
    from cleanside.ingest.store.archive_file import Disk

    chosen = settings.from_arguments(given)
    with database.exclusive(chosen.database):
        put = backup.restore(
            chosen.database, folder_of(chosen), source=given.source, disk=Disk(), tools=given.pg_tools
        )
    stored = "not counted" if put.totals is None else f"{counted(put.totals.stored, 'reading')} stored"
    print(f"restored as of {put.made_at}, schema {put.schema}: {stored}")
    print("gateways that hold more send it again by themselves, once the server is there")
    return 0
