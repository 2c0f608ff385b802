"""The simulator's command: `cleanside-simulator`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from rich.console import Console

from simulator.demo import Choices, run
from simulator.errors import SimulatorError


def main(words: Sequence[str] | None = None) -> int:
    """Run the command; returns the exit code. Our own errors are one line on standard error."""
    given = make_parser().parse_args(words)
    choices = Choices(
        days=given.days,
        seed=given.seed,
        cadence_s=given.cadence_s,
        serve=given.serve,
        json_file=given.json,
        folder=given.folder,
    )
    console = Console(width=None if sys.stdout.isatty() else 160)
    try:
        return run(choices, now=datetime.now(UTC), console=console)
    except SimulatorError as error:
        print(f"cleanside-simulator: {error}", file=sys.stderr)
        return 2


def make_parser() -> argparse.ArgumentParser:
    """The words the command understands."""
    defaults = Choices()
    parser = argparse.ArgumentParser(
        prog="cleanside-simulator",
        description="Drives real gateways and a real server with an invented fleet.",
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    demo = commands.add_parser("demo", help="some weeks of a road-building fleet in under a minute")
    demo.add_argument(
        "--days",
        type=_days,
        default=defaults.days,
        help=f"days of work to live through (default: {defaults.days})",
    )
    demo.add_argument("--seed", type=int, default=defaults.seed, help=f"default: {defaults.seed}")
    demo.add_argument(
        "--cadence-s",
        type=_cadence_s,
        default=defaults.cadence_s,
        help=f"seconds between two readings (default: {defaults.cadence_s:g})",
    )
    demo.add_argument("--serve", action="store_true", help="leave the server up and print its address")
    demo.add_argument("--json", type=Path, metavar="FILE", help="write what was found to a file too")
    demo.add_argument(
        "--folder", type=Path, help="keep spools, keys and database here (default: a temporary folder)"
    )
    return parser


def _days(text: str) -> int:
    if not text.isdecimal() or not 2 <= int(text) <= 366:
        raise argparse.ArgumentTypeError(f"{text} is not a whole number of days from 2 to 366")
    return int(text)


def _cadence_s(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 1 <= value <= 3600:
        raise argparse.ArgumentTypeError(f"{text} is not a number of seconds from 1 to 3600")
    return value
