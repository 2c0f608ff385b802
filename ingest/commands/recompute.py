"""
The command `recompute`: compute every hour summary again from the readings, or compare with the stored ones.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.ingest import settings
from cleanside.ingest.commands.command_database import add_owner, opened, owner_id, reader
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import database

if TYPE_CHECKING:
    from cleanside.ingest.analysis.recompute import Compared


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "recompute",
        help="recompute every hourly summary from the readings; --check compares, exit code 1 if one differs",
    )
    settings.add_flags(parser, "database", "archive_folder")
    add_owner(parser)
    parser.add_argument("--machine", metavar="NAME", help="only this machine")
    parser.add_argument("--check", action="store_true", help="change nothing; may run beside a server")
    parser.add_argument("--json", action="store_true", help="output as JSON")
    parser.set_defaults(run=run_recompute)


def run_recompute(chosen: Settings, given: argparse.Namespace) -> int:
    """Compute again or compare. Exit code 1 where `--check` found a difference."""
    if given.check:
        with reader(chosen) as connection:
            return _run(chosen, given, connection.engine, None)
    with opened(chosen, newest=True) as engine:
        readers = database.reading_engine(chosen.database, archive=chosen.archive_folder)

        def write(job: Callable[[sa.Connection], object]) -> object:
            with engine.begin() as connection:
                return job(connection)

        try:
            with engine.connect():  # first: it makes the write-ahead log that readers need
                pass
            return _run(chosen, given, readers, write)
        finally:
            readers.dispose()


def _run(chosen: Settings, given: argparse.Namespace, readers: sa.Engine, write: Any) -> int:
    # Imported here: numerics take longer to load than the other commands take to run.
    from cleanside.ingest.analysis.recompute import Helper, recompute
    from cleanside.ingest.store import fleet

    with readers.connect() as connection:
        owner = owner_id(connection, given.owner)
        housings = [h for h in fleet.every_housing(connection, owner) if given.machine in (None, h.machine)]
    if given.machine is not None and not housings:
        raise CalledWrongly("no_machine", machine=given.machine)
    equal = True
    with Helper(chosen.database, chosen.archive_folder) as helper:
        for compared in recompute(readers.connect, housings, write, helper=helper):
            equal = equal and compared.is_equal
            print(_json(compared) if given.json else _line(compared))
    return 0 if equal or write is not None else 1


def _json(compared: Compared) -> str:
    counts = {k: v for k, v in vars(compared).items() if k != "housing"}
    housing = compared.housing
    return json.dumps(
        {"machine": housing.machine, "housing": housing.name, "equal": compared.is_equal} | counts
    )


def _line(compared: Compared) -> str:
    name = f"{compared.housing.machine} {compared.housing.name}: {counted(compared.hours, 'hour')}"
    waiting = f"; waiting for the background: {counted(compared.waiting, 'hour')}" if compared.waiting else ""
    if compared.is_equal:
        return f"{name}, equal to what is kept{waiting}"
    counts = f"{compared.differing} differ, {compared.missing} were missing, {compared.extra} had no readings"
    return f"{name}; of what was kept {counts}{waiting}"
