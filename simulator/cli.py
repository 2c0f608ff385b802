"""The simulator's command: `cleanside-simulator`."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from rich.console import Console

from cleanside.gateway.output import until_cut_off
from cleanside.simulator.demo import Choices, run
from cleanside.simulator.errors import SimulatorError
from cleanside.simulator.faults import FaultChoices, run_faults
from cleanside.simulator.fleet_year import FleetChoices, run_fleet


def main(words: Sequence[str] | None = None) -> int:
    """Run the command; returns the exit code. Our own errors are one line on standard error."""
    return until_cut_off(lambda: _main(words))


def _main(words: Sequence[str] | None) -> int:
    given = build_parser().parse_args(words)
    console = Console(width=None if sys.stdout.isatty() else 160)
    try:
        return int(given.run(given, console))
    except SimulatorError as error:
        print(f"cleanside-simulator: {error}", file=sys.stderr)
        return 2


def build_parser() -> argparse.ArgumentParser:
    """The words the command understands."""
    parser = argparse.ArgumentParser(
        prog="cleanside-simulator",
        description="Drives real gateways and a real server with an invented fleet.",
    )
    parser.add_argument("--version", action="version", version=f"cleanside-simulator {version('cleanside')}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add_demo(commands)
    _add_fleet(commands)
    _add_faults(commands)
    return parser


def _run_demo(given: argparse.Namespace, console: Console) -> int:
    choices = Choices(
        days=given.days,
        seed=given.seed,
        cadence_s=given.cadence_s,
        serve=given.serve,
        json_file=given.json,
        folder=given.folder,
        port=given.port,
    )
    with _ended_as_a_whole():
        return run(choices, now=datetime.now(UTC), console=console)


@contextmanager
def _ended_as_a_whole() -> Iterator[None]:
    """A service manager or a shell's `kill` ends the server and the gateways too, not this process alone."""
    before = signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _run_fleet(given: argparse.Namespace, console: Console) -> int:
    names = ("machines", "days", "seed", "cadence_s", "out", "overwrite")
    return run_fleet(FleetChoices(**{name: getattr(given, name) for name in names}), console=console)


def _add_demo(commands: Any) -> None:
    defaults = Choices()
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
    demo.add_argument(
        "--port", type=_port, default=defaults.port, help="of the server, on loopback (default: a free one)"
    )
    demo.add_argument("--json", type=Path, metavar="FILE", help="write what was found to a file too")
    demo.add_argument(
        "--folder", type=Path, help="keep spools, keys and database here (default: a temporary folder)"
    )
    demo.set_defaults(run=_run_demo)


def _add_fleet(commands: Any) -> None:
    defaults = FleetChoices()
    fleet = commands.add_parser(
        "fleet", help="a large fleet through a year, with the truth beside it (Parquet)"
    )
    fleet.add_argument(
        "--machines", type=_machines, default=defaults.machines, help=f"default: {defaults.machines}"
    )
    fleet.add_argument("--days", type=_days, default=defaults.days, help=f"default: {defaults.days}")
    fleet.add_argument("--seed", type=int, default=defaults.seed, help=f"default: {defaults.seed}")
    fleet.add_argument(
        "--cadence-s",
        type=_cadence_s,
        default=defaults.cadence_s,
        help=f"seconds between two readings (default: {defaults.cadence_s:g})",
    )
    fleet.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="folder to write to, empty or not there yet"
    )
    fleet.add_argument("--overwrite", action="store_true", help="replace a fleet that DIR holds")
    fleet.set_defaults(run=_run_fleet)


def _run_faults(given: argparse.Namespace, console: Console) -> int:
    names = ("seed", "minutes", "gateways", "server", "folder")
    choices = FaultChoices(**{name: getattr(given, name) for name in names}, json_file=given.json)
    with _ended_as_a_whole():
        return run_faults(choices, console=console)


def _add_faults(commands: Any) -> None:
    defaults = FaultChoices()
    faults = commands.add_parser(
        "faults",
        help="gateways and a server under kills, bad links, full disks, clones and restores, audited row for "
        "row; exit code 1 if something does not hold",
    )
    faults.add_argument("--seed", type=int, default=defaults.seed, help=f"default: {defaults.seed}")
    faults.add_argument(
        "--minutes",
        type=_minutes,
        default=defaults.minutes,
        help=f"how long faults go on, at least one round (default: {defaults.minutes:g})",
    )
    faults.add_argument(
        "--gateways", type=_gateways, default=defaults.gateways, help=f"default: {defaults.gateways}"
    )
    faults.add_argument(
        "--server",
        default=defaults.server,
        metavar="URL",
        help="the server's database: sqlite, or the URL of an empty PostgreSQL database (default: sqlite)",
    )
    faults.add_argument("--json", type=Path, metavar="FILE", help="write what was found to a file too")
    faults.add_argument(
        "--folder", type=Path, help="keep spools, ledger, logs and database here (default: temporary)"
    )
    faults.set_defaults(run=_run_faults)


def _minutes(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.1 <= value <= 1440:
        raise argparse.ArgumentTypeError(f"{text} is not a number of minutes from 0.1 to 1440")
    return value


def _gateways(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 20:
        raise argparse.ArgumentTypeError(f"{text} is not a whole number of gateways from 1 to 20")
    return int(text)


def _machines(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 10_000:
        raise argparse.ArgumentTypeError(f"{text} is not a whole number of machines from 1 to 10000")
    return int(text)


def _days(text: str) -> int:
    if not text.isdecimal() or not 2 <= int(text) <= 366:
        raise argparse.ArgumentTypeError(f"{text} is not a whole number of days from 2 to 366")
    return int(text)


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > 65_535:
        raise argparse.ArgumentTypeError(f"{text} is not a port from 0 to 65535")
    return int(text)


def _cadence_s(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 1 <= value <= 3600:
        raise argparse.ArgumentTypeError(f"{text} is not a number of seconds from 1 to 3600")
    return value
