"""The command `drill`: restore a backup aside, count its account, and remove the copy again."""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cleanside.gateway.units import counted
from cleanside.ingest import settings
from cleanside.ingest.commands.backup import add_tools
from cleanside.ingest.settings import Settings
from cleanside.ingest.writer import system_clock

if TYPE_CHECKING:
    from cleanside.ingest.keeping.drill import Drilled


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "drill",
        help="restore a backup aside and count its account; exit code 1 if a number is lost; no server stops",
    )
    settings.add_flags(parser, "database", "archive_folder", "backup_record")
    parser.add_argument(
        "--from", dest="source", type=Path, required=True, metavar="FOLDER", help="of `backup`"
    )
    parser.add_argument(
        "--aside",
        type=Path,
        metavar="FOLDER",
        help="where the copy goes, with room for it; default: the system's folder for temporary files",
    )
    add_tools(parser)
    parser.add_argument("--json", action="store_true", help="output as JSON")
    parser.set_defaults(run=run_drill)


def run_drill(chosen: Settings, given: argparse.Namespace) -> int:
    """Restore aside and count. Exit code 1 where the account of the copy does not balance."""
    from cleanside.ingest.keeping.drill import drill

    with tempfile.TemporaryDirectory(prefix=".drill.", dir=given.aside) as aside:
        done = drill(
            chosen.database,
            source=given.source,
            aside=Path(aside),
            now_us=system_clock.now_us(),
            tools=given.pg_tools,
        )
    print(json.dumps(_document(done)) if given.json else _line(done))
    return 0 if done.balances else 1


def _line(done: Drilled) -> str:
    said = "the account balances" if done.balances else "the account does NOT balance"
    stored = sum(one.stored for one in done.accounts)
    return (
        f"restored as of {done.manifest.made_at} in {done.restored_s:.1f} s: {counted(stored, 'reading')} "
        f"stored in {counted(len(done.accounts), 'stream')}, {said}"
    )


def _document(done: Drilled) -> dict[str, Any]:
    return {
        "made_at": done.manifest.made_at,
        "streams": len(done.accounts),
        "stored": sum(one.stored for one in done.accounts),
        "balances": done.balances,
        "restored_s": round(done.restored_s, 1),
        "counted_s": round(done.counted_s, 1),
    }
