"""
The command `import`: import bundles, backlogs that were carried as files.

With --server or --key-file the file goes to a server over HTTP with an operator's key. Otherwise the command
does the work itself, under the lock of serving processes.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx

from cleanside.gateway.this_machine import is_loopback
from cleanside.gateway.units import counted
from cleanside.ingest import settings
from cleanside.ingest.api.routes.bundles import BUNDLE_MEDIA_TYPE, PATH
from cleanside.ingest.commands.command_database import add_owner, opened, owner_id
from cleanside.ingest.errors import BeingServed, CalledWrongly, Refused, denied_uid, why
from cleanside.ingest.intake import bundles
from cleanside.ingest.intake.bundles import Bringer
from cleanside.ingest.settings import Settings
from cleanside.ingest.writer import system_clock
from cleanside.ingest.writer.writer import as_our_errors

#: the outcome for one file, in the form of the route; or `problem`, where nothing of it was taken
BundleOutcome = dict[str, Any]


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "import", help="take in bundles that a gateway exported; exit code 1 if anything was not taken"
    )
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE", help="a bundle")
    parser.add_argument("--json", action="store_true", help="output as JSON")
    parser.add_argument(
        "--key-file", type=Path, metavar="FILE", help="an operator's key: a server does the work"
    )
    parser.add_argument(
        "--server",
        metavar="URL",
        help="the server that does the work; default: with --key-file the host and port of the settings",
    )
    settings.add_flags(parser, "database", "host", "port")
    add_owner(parser)
    parser.set_defaults(run=run_import)


def run_import(chosen: Settings, given: argparse.Namespace) -> int:
    """Import each file. Exit code 1 where a part of one was not taken."""
    # A named server, or a key for one, is always used.
    asked = given.server is not None or given.key_file is not None
    outcomes = _by_a_server(chosen, given) if asked else _here(chosen, given)
    print(json.dumps(outcomes, indent=2) if given.json else "\n".join(map(outcome_text, outcomes)))
    return 0 if all(outcome.get("whole") for outcome in outcomes) else 1


def _by_a_server(chosen: Settings, given: argparse.Namespace) -> list[BundleOutcome]:
    ask = _asker(chosen, given)
    return [_outcome(path, ask) for path in given.files]


def _here(chosen: Settings, given: argparse.Namespace) -> list[BundleOutcome]:
    try:
        with opened(chosen, newest=True) as engine:

            def run(work: Callable[[Any], Any]) -> Any:
                with as_our_errors(), engine.begin() as connection:
                    return work(connection)

            bringer = Bringer(
                owner_id=run(lambda connection: owner_id(connection, given.owner)),
                who="command",
                run=run,
                clock=system_clock.now_us,
                sqlite=engine.dialect.name == "sqlite",
            )
            return [_outcome(path, lambda p: _import_here(p, bringer)) for path in given.files]
    except BeingServed:
        return _by_a_server(chosen, given)  # which says what is missing


def _outcome(path: Path, do: Callable[[Path], BundleOutcome]) -> BundleOutcome:
    try:
        return {"file": str(path)} | do(path)
    except OSError as error:
        raise CalledWrongly(
            "file_unreadable", path=path, why=why(error), denied_uid=denied_uid(error)
        ) from error


def _import_here(path: Path, bringer: Bringer) -> BundleOutcome:
    with path.open("rb") as file:
        try:
            return bundles.take_in(file, bringer).document()
        except Refused as refusal:
            return {"whole": False, "problem": {"code": refusal.code, "detail": str(refusal)}}


def _asker(chosen: Settings, given: argparse.Namespace) -> Callable[[Path], BundleOutcome]:
    """The function that sends a file to the serving server."""
    server = _address(given.server or f"http://{chosen.host}:{chosen.port}")
    if given.key_file is None:
        raise CalledWrongly("key_file_needed", server=server)
    try:
        key = given.key_file.read_text("ascii").strip()
    except (OSError, UnicodeError) as error:
        denied = denied_uid(error)
        raise CalledWrongly(
            "key_file_unreadable", key_file=given.key_file, why=why(error), denied_uid=denied
        ) from error

    def ask(path: Path) -> BundleOutcome:
        headers = {"Authorization": f"Bearer {key}", "Content-Type": BUNDLE_MEDIA_TYPE}
        with path.open("rb") as file:
            try:
                # No time limit: the server answers once the last block is on its disk.
                response = httpx.post(
                    server + PATH, content=file, headers=headers, timeout=None, trust_env=False
                )
            except httpx.HTTPError as error:
                raise CalledWrongly("server_away", server=server, why=why(error)) from error
        return _told(server, response)

    return ask


def _told(server: str, response: httpx.Response) -> BundleOutcome:
    try:
        document: BundleOutcome = response.json()
        if response.status_code == 200 and "whole" in document:
            return document
        return {"whole": False, "problem": {"code": document["code"], "detail": document["detail"]}}
    except (ValueError, KeyError, TypeError):
        raise CalledWrongly("not_our_server", server=server, status=response.status_code) from None


def _address(server: str) -> str:
    """The server's address. Raises CalledWrongly where the key would go in the clear."""
    parts = urlsplit(server)
    if parts.scheme == "https" or (parts.scheme == "http" and is_loopback(parts.hostname or "")):
        return server.rstrip("/")
    raise CalledWrongly("server_in_the_clear", server=server)


def outcome_text(outcome: BundleOutcome) -> str:
    """The outcome for a file, for a person."""
    if "problem" in outcome:
        return f"{outcome['file']}: not taken: {outcome['problem']['detail']}"
    blocks = counted(outcome["blocks"], "block")
    lines = [
        f"{outcome['file']}: device {outcome['device']}, {blocks}: {outcome['stored']:,} "
        f"stored, {outcome['duplicates']:,} known already, {outcome['quarantined']:,} in quarantine"
    ]
    lines += [f"  not taken: {entry['detail']}; {entry['next_step']}" for entry in outcome["not_taken"]]
    if more := outcome.get("not_taken_more"):
        lines.append(f"  and {counted(more, 'block')} more not taken")
    return "\n".join(lines)
