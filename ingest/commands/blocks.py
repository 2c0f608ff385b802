"""The command `blocks`: store readings as blocks, no longer, or as rows again; and how far that is."""

from __future__ import annotations

import argparse
import json
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.gateway.wire import instant_text
from cleanside.ingest import settings
from cleanside.ingest.commands.command_database import opened, reader
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.keeping import merging
from cleanside.ingest.keeping.merging import MergePlan
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import blocks, database, dialect, leases, releases, store_modes, stored_rows
from cleanside.ingest.writer import system_clock


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser("blocks", help="store readings as compressed blocks instead of rows")
    actions = parser.add_subparsers(required=True, metavar="ACTION")
    begin = actions.add_parser(
        "begin", help="from now on; a server makes blocks of earlier readings by itself"
    )
    begin.add_argument(
        "--previous-release-ended",
        action="store_true",
        help="no process of the previous release runs any more: it could not read blocks",
    )
    begin.set_defaults(run=run_begin)
    stop = actions.add_parser("stop", help="store new readings as rows again; what is in blocks stays there")
    stop.set_defaults(run=run_stop)
    unpack = actions.add_parser(
        "unpack", help="make rows of all blocks, so that the previous release may start again; run stop first"
    )
    unpack.set_defaults(run=run_unpack)
    state = actions.add_parser("state", help="how many readings are in blocks, and how many are still rows")
    state.add_argument("--json", action="store_true", help="output as JSON")
    state.set_defaults(run=run_state)
    for action in (begin, stop, unpack, state):
        settings.add_flags(action, "database")


def run_begin(chosen: Settings, given: argparse.Namespace) -> int:
    """Store new readings as blocks from now on."""
    now_us = system_clock.now_us()
    with opened(chosen, newest=True) as engine, engine.begin() as connection:
        # On SQLite the lock says it: an old process would have it, and none starts on this schema.
        if given.previous_release_ended or dialect.is_sqlite(connection):
            releases.end(connection, store_modes.BEFORE_BLOCKS, now_us)
        if not releases.has_ended(connection, store_modes.BEFORE_BLOCKS):
            raise CalledWrongly("previous_release_may_run")
        store_modes.begin(connection, store_modes.BLOCKS, now_us)
    print("new readings are stored as blocks; a server makes blocks of the others while it runs")
    return 0


def run_stop(chosen: Settings, _: argparse.Namespace) -> int:
    """Store new readings as rows from now on."""
    with opened(chosen, newest=True) as engine, engine.begin() as connection:
        store_modes.stop(connection, store_modes.BLOCKS)
    print("new readings are stored as rows; to make rows of what is in blocks, run: blocks unpack")
    return 0


def run_unpack(chosen: Settings, _: argparse.Namespace) -> int:
    """Make rows of all blocks; stopped, the next run goes on."""
    with opened(chosen, newest=True) as engine:
        with engine.connect() as connection:
            if store_modes.is_on(connection, store_modes.BLOCKS):
                raise CalledWrongly("blocks_in_use")
        with _turn(engine) as ours:
            if not ours:
                raise CalledWrongly("merging_goes_on")
            unpacked = merging.unpack_all(_work(engine))
    print(f"{counted(unpacked, 'reading')} are rows again")
    return 0


@contextmanager
def _turn(engine: sa.Engine) -> Iterator[bool]:
    """True where no server merges, and none begins, as blocks are not in use: on SQLite none runs."""
    if engine.dialect.name == "sqlite":
        yield True
        return
    holder = secrets.token_hex(8)
    with engine.begin() as connection:
        now_us = leases.now_us(connection, system_clock.now_us())
        until_us = now_us + merging.MERGE_LEASE_US
        ours = leases.take(connection, merging.MERGE_LEASE, holder, now_us, until_us)
    try:
        yield ours
    finally:
        with engine.begin() as connection:
            leases.give_back(connection, merging.MERGE_LEASE, holder)


def _work(engine: sa.Engine) -> MergePlan:
    return MergePlan(
        reading=partial(database.view, engine),
        write=partial(database.in_transaction, engine),
        now_us=system_clock.now_us(),
    )


def run_state(chosen: Settings, given: argparse.Namespace) -> int:
    """Say how far it is; works while a process serves."""
    with reader(chosen) as connection:
        since_us = store_modes.since_us(connection, store_modes.BLOCKS)
        totals, rows = blocks.totals(connection), stored_rows.count(connection)
    state = {"since": None if since_us is None else instant_text(since_us), **totals._asdict(), "rows": rows}
    if given.json:
        print(json.dumps(state))
        return 0
    form = "rows" if since_us is None else f"blocks, since {state['since']}"
    print(f"new readings are stored as {form}")
    each = f", {totals.content_bytes / totals.readings:.1f} bytes each" if totals.readings else ""
    print(f"{counted(totals.readings, 'reading')} in {counted(totals.blocks, 'block')}{each}")
    print(f"{counted(rows, 'reading')} in rows")
    return 0
