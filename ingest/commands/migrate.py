"""The command `migrate`: bring the database to the newest schema."""

from __future__ import annotations

import argparse
from typing import Any

from cleanside.ingest import settings
from cleanside.ingest.commands.command_database import opened
from cleanside.ingest.store import database


def add(commands: Any) -> None:
    """Hang the command in."""
    migrate = commands.add_parser("migrate", help="bring the database to the newest schema")
    settings.add_arguments(migrate, "database")
    migrate.set_defaults(run=run_migrate)


def run_migrate(given: argparse.Namespace) -> int:
    """Bring the database to the newest schema."""
    with opened(given) as engine:
        before, after = database.migrate(engine)
    print(f"schema {before or 'none'} -> {after}" if before != after else f"schema {after}, nothing to do")
    return 0
