"""The command `archive`: move old readings now, or list which would move."""

from __future__ import annotations

import argparse
import json
from functools import partial
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.ingest import settings
from cleanside.ingest.commands.command_database import opened, reader
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.keeping import retention
from cleanside.ingest.keeping.retention import MovePlan, MoveReport, Planned
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import database
from cleanside.ingest.writer import system_clock


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "archive", help="move readings older than the retention to Parquet files; a server does so by itself"
    )
    settings.add_flags(parser, "database", "retention_days", "archive_folder")
    parser.add_argument("--dry-run", action="store_true", help="say what would move, and move nothing")
    parser.add_argument("--json", action="store_true", help="output as JSON")
    parser.set_defaults(run=run_archive)


def run_archive(chosen: Settings, given: argparse.Namespace) -> int:
    """Move old readings, or list which would move; the list works while a process serves."""
    if not chosen.retention_days:
        raise CalledWrongly("retention_days_zero")
    before_us = retention.cut_us(system_clock.now_us(), chosen.retention_days)
    if given.dry_run:
        with reader(chosen) as connection:
            planned = retention.plan(connection, before_us)
        print(_planned_json(planned) if given.json else _planned_text(planned, before_us))
        return 0
    with opened(chosen, newest=True) as engine:
        moved = retention.run_pass(_work(chosen, engine), before_us)
    print(json.dumps(moved._asdict()) if given.json else _moved_text(moved))
    return 0


def _work(chosen: Settings, engine: sa.Engine) -> MovePlan:
    from cleanside.ingest.store.archive_disk import Disk

    folder = database.archive_folder(chosen.database, chosen.archive_folder)
    if folder is None:
        raise CalledWrongly("no_archive_folder")

    return MovePlan(
        reading=partial(database.view, engine),
        write=partial(database.in_transaction, engine),
        folder=folder,
        disk=Disk(),
        now_us=system_clock.now_us(),
    )


def _planned_json(planned: list[Planned]) -> str:
    return json.dumps([entry._asdict() for entry in planned], indent=2)


def _planned_text(planned: list[Planned], before_us: int) -> str:
    lines = [f"{entry.month}  {entry.readings:>12,}  {entry.device}" for entry in planned]
    total = sum(entry.readings for entry in planned)
    cut = retention.month_of(before_us)
    return "\n".join([*lines, f"{counted(total, 'reading')} from before {cut} would move; nothing was moved"])


def _moved_text(moved: MoveReport) -> str:
    return (
        f"{counted(moved.readings, 'reading')} moved in {counted(moved.files, 'step')}; joined with others: "
        f"{counted(moved.joined, 'file')}; removed, as nothing refers to them: {moved.swept}"
    )
