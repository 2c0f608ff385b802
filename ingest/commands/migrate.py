"""The command `migrate`: bring the database to the newest schema."""

from __future__ import annotations

import argparse
import sys
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.gateway.wire import text_of
from cleanside.ingest import settings
from cleanside.ingest.commands.command_database import opened
from cleanside.ingest.error_texts import SENTENCES
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import database, releases, webhook_secrets, write_ahead_log
from cleanside.ingest.store.key_file import KeyFile
from cleanside.ingest.writer import system_clock


def add(commands: Any) -> None:
    """Hang the command in."""
    migrate = commands.add_parser("migrate", help="bring the database to the newest schema")
    settings.add_flags(migrate, "database", "webhook_key_file")
    migrate.add_argument(
        "--previous-release-ended",
        action="store_true",
        help="no process of the previous release runs any more: delete what only it reads "
        "(secrets of webhooks in the clear)",
    )
    migrate.set_defaults(run=run_migrate)


def run_migrate(chosen: Settings, given: argparse.Namespace) -> int:
    """Bring the database to the newest schema."""
    with opened(chosen, makes=True) as engine:
        before, after = database.migrate(engine, on_wait=_say_that_it_waits)
        print(
            f"schema {before or 'none'} -> {after}" if before != after else f"schema {after}, nothing to do"
        )
        if given.previous_release_ended:
            _take_away(engine, KeyFile.of(chosen))
    return 0


def _say_that_it_waits() -> None:
    print(text_of(SENTENCES, "migration_awaits_standby", {}), file=sys.stderr, flush=True)


def _take_away(engine: sa.Engine, file: KeyFile) -> None:
    with engine.begin() as connection:
        releases.end(connection, webhook_secrets.BEFORE, system_clock.now_us())
        brought = webhook_secrets.bring_along(connection, file)
    if brought.emptied:
        write_ahead_log.fold_log(engine)
    print(f"secrets of {counted(brought.emptied, 'webhook')} in the clear taken away")
    if brought.trouble is not None:
        print(f"{counted(brought.in_clear, 'webhook')} still in the clear: {brought.trouble}")
