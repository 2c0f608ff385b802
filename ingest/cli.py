"""
The command `cleanside-ingest`: its subcommands are one module a noun in `ingest.commands`.

Promises: our own errors end a command with one line on stderr and exit code 2; anything else keeps its
traceback. A command that writes takes the lock of serving processes; while one serves, its HTTP routes do
the same with an admin key.
"""

from __future__ import annotations

import argparse
import gc
import importlib
import sqlite3
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.metadata import version
from typing import Any, NoReturn

from sqlalchemy.exc import OperationalError

from cleanside.gateway.output import until_cut_off
from cleanside.ingest import hidden, settings
from cleanside.ingest.errors import IngestError

#: in the order of the help; each has a module of its name in `ingest.commands`, loaded when it is asked for
_NOUNS = (
    *("serve", "analyse", "migrate", "keys", "account", "appended", "archive", "recompute"),
    *("backup", "restore", "drill", "import", "enrol"),
    *("attention", "webhooks", "people", "messages", "install-service", "blocks", "readings"),
)
#: a word of Python's own names no module
_MODULES = {"import": "import_bundles"}
#: name -> module and sentence of those that bring more along than serving needs; loaded for themselves alone
_APART = {
    "backtest": ("cleanside.ingest.evaluation.backtest", "judge the forecast on recorded lives"),
    "lives": (
        "cleanside.ingest.evaluation.lives_report",
        "flow exponent and element changes of one recorded series",
    ),
    "docs": ("cleanside.ingest.docs.build", "build the documents that the server shows under /docs"),
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command. Returns its exit code."""
    return until_cut_off(lambda: _main(arguments))


def _main(arguments: Sequence[str] | None) -> int:
    words = list(sys.argv[1:] if arguments is None else arguments)
    with _uncollected():
        parser = build_parser(command=words[0] if words else "")
    given = settings.TABLE.parse(parser, words)
    try:
        return _run(given)
    except IngestError as error:
        print(f"cleanside-ingest: {hidden.without_passwords(str(error))}", file=sys.stderr)
        return 2
    except OperationalError as error:  # unavailable, or locked: no fault of ours
        [first, *_] = hidden.without_passwords(str(error.orig)).strip().splitlines() or [""]
        step = "see whether it is there and `database` of the settings is right, or try again"
        if (
            getattr(error.orig, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_FULL
        ):  # sqlite.org/rescode.html
            step = "make room on its disk and run this again; what is not done was rolled back"
        print(f"cleanside-ingest: the database does not take it ({first}); {step}", file=sys.stderr)
        return 2


@contextmanager
def _uncollected() -> Iterator[None]:
    """No search for garbage while modules load: what they make stays, and it took a quarter of a start."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def _run(given: argparse.Namespace) -> int:
    chosen = settings.from_arguments(given, notify=_tell)
    return int(given.run(given) if chosen is None else given.run(chosen, given))


def _tell(notice: str) -> None:
    print(f"cleanside-ingest: {notice}", file=sys.stderr)


class Parser(argparse.ArgumentParser):
    """A parser that hides passwords: its errors quote arguments, which may be a URL."""

    def __init__(self, **rest: Any) -> None:
        # No abbreviations: a name given to a flag that is not there must not end up in another.
        super().__init__(allow_abbrev=False, **rest)

    def _print_message(self, message: str, file: Any = None) -> None:
        """argparse itself hides that the reader of a long help is gone, and the exit code is 0 then."""
        if message:
            (file or sys.stderr).write(message)

    def error(self, message: str) -> NoReturn:
        """End the command with the message."""
        super().error(hidden.without_passwords(message))


def build_parser(*, command: str = "") -> argparse.ArgumentParser:
    """
    The command line.

    command : the one asked for, which alone is loaded; another word: all of them, those that stand apart
    without their options.
    """
    parser = Parser(prog="cleanside-ingest", description="Ingest service of cleanside.")
    parser.add_argument("--version", action="version", version=f"cleanside-ingest {version('cleanside')}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for noun in [command] if command in _NOUNS else _NOUNS:
        home = _MODULES.get(noun, noun.replace("-", "_"))
        importlib.import_module(f"cleanside.ingest.commands.{home}").add(commands)
    for name, (home, sentence) in _APART.items():
        apart = commands.add_parser(name, help=sentence)
        if command == name:
            module = importlib.import_module(home)
            module.add_arguments(apart)
            apart.set_defaults(run=module.run)
    return parser
