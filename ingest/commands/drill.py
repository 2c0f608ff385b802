"""The command `drill`: restore a backup aside, count its account, and remove the copy again."""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cleanside.gateway.units import counted
from cleanside.gateway.wire import parse_instant
from cleanside.ingest import hidden, settings
from cleanside.ingest.commands.backup import add_tools
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import backup_record
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
    """Restore aside, count, note the outcome. Exit code 1 where the copy's account does not balance."""
    done = _recorded(chosen, given)
    print(json.dumps(_document(done)) if given.json else _line(done))
    return 0 if done.balances else 1


def _recorded(chosen: Settings, given: argparse.Namespace) -> Drilled:
    """Run the drill, and note what became of it for the server."""
    record = backup_record.path_of(chosen)
    if record is not None and not record.parent.is_dir():
        record = None  # no server keeps its record here
    try:
        done = _drill(chosen, given)
    except Exception as error:
        backup_record.note_drill_failed(record, hidden.without_passwords(str(error)))
        raise
    if done.balances:
        backup_record.note_drilled(record, parse_instant(done.manifest.made_at).us)
    else:
        backup_record.note_drill_failed(record, _line(done))
    return done


def _drill(chosen: Settings, given: argparse.Namespace) -> Drilled:
    from cleanside.ingest.keeping import full_disk
    from cleanside.ingest.keeping.drill import drill

    where = given.aside or Path(tempfile.gettempdir())
    with (
        full_disk.said_where_full(lambda: full_disk.of_drill(given.source, where)),
        tempfile.TemporaryDirectory(prefix=".drill.", dir=given.aside) as aside,
    ):
        return drill(
            chosen.database,
            source=given.source,
            aside=Path(aside),
            now_us=system_clock.now_us(),
            tools=given.pg_tools,
        )


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
