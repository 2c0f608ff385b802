"""The command `account`: where every number of every stream is."""

from __future__ import annotations

import argparse
import json
from typing import Any

from cleanside.gateway.units import counted
from cleanside.ingest import settings
from cleanside.ingest.api.routes import account as account_route
from cleanside.ingest.api.routes.shared import text
from cleanside.ingest.commands.command_database import reader
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import account
from cleanside.ingest.store.declared import DeclaredLine


def add(commands: Any) -> None:
    """Hang the command in."""
    balance = commands.add_parser(
        "account", help="account for every number of every stream; exit code 1 if one is lost"
    )
    settings.add_flags(balance, "database")
    balance.add_argument("--json", action="store_true", help="output as JSON")
    balance.set_defaults(run=run_account)


def run_account(chosen: Settings, given: argparse.Namespace) -> int:
    """Print the account. Exit code 1 where a number is lost, or server and gateway differ."""
    with reader(chosen) as connection:
        accounts = list(account.accounts(connection))
    if given.json:
        print(json.dumps(account_route.document_of(accounts), indent=2))
    else:
        print(account_text(accounts))
    return 0 if all(a.balances for a in accounts) else 1


def account_text(accounts: list[account.StreamBalance]) -> str:
    """The account as a table for people."""
    heads = (
        "device",
        "through",
        "stored",
        "quarantined",
        "discarded",
        "shed",
        "moved",
        "gap",
        "pending",
        "duplicates so far",
        "conflicts so far",
        "stream",
    )
    rows = [heads] + [
        (
            a.device,
            *map(str, (a.through, a.stored, a.quarantined, a.discarded, a.shed, a.moved, a.gap, a.pending)),
            *map(str, (a.duplicates, a.conflicts)),
            a.stream,
        )
        for a in accounts
    ]
    widths = [max(len(row[i]) for row in rows) for i in range(len(heads))]
    lines = [
        "  ".join(
            cell.rjust(w) if 0 < i < len(heads) - 1 else cell.ljust(w)
            for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
    faults = account.faults_of(accounts)
    lines.append(
        f"out of balance: {counted(len(faults), 'fault')}"
        if faults
        else f"balances: {counted(len(accounts), 'stream')}"
    )
    return "\n".join(lines + faults + [_declared(line) for a in accounts for line in a.declared])


def _declared(line: DeclaredLine) -> str:
    readings = f", {counted(line.lost, 'reading')}" if line.lost else ""
    return (
        f"{line.device} declared {line.event}: {counted(line.times, 'time')}{readings}, "
        f"last {text(line.last_us)}"
    )
