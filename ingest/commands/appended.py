"""The command `appended`: lower a number that a gateway reported falsely."""

from __future__ import annotations

import argparse
from typing import Any

from cleanside.ingest import settings
from cleanside.ingest.commands.command_database import add_owner, opened, owner_id
from cleanside.ingest.errors import CalledWrongly, Refused
from cleanside.ingest.intake.appended import lower
from cleanside.ingest.settings import Settings
from cleanside.ingest.writer import system_clock


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "appended",
        help="lower the highest number of a stream where its gateway reported it too high",
    )
    parser.add_argument("stream", help="its UUID, as the account shows it")
    parser.add_argument(
        "--lower-to", required=True, type=int, metavar="NUMBER", help="the highest number seen, or more"
    )
    parser.add_argument("--reason", required=True, help="goes into the audit log")
    settings.add_flags(parser, "database")
    add_owner(parser)
    parser.set_defaults(run=run_appended)


def run_appended(chosen: Settings, given: argparse.Namespace) -> int:
    """Lower it, and say from where to where."""
    with opened(chosen, newest=True) as engine, engine.begin() as connection:
        owner, to = owner_id(connection, given.owner), given.lower_to
        try:
            before = lower(
                connection, owner, "command", given.stream, to, given.reason[:400], system_clock.now_us()
            )
        except Refused as refused:
            raise CalledWrongly(refused.case, **refused.values) from None
    print(f"stream {before.stream}: appended_through {before.appended_through} -> {to}")
    return 0
