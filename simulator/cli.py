"""The simulator's command: `cleanside-simulator`."""

from __future__ import annotations

import argparse
import math
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
from cleanside.simulator.load_patterns import PATTERNS
from cleanside.simulator.load_run import LoadChoices, run_check, run_load


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
    _add_load(commands)
    _add_check(commands)
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
    names = ("seed", "minutes", "gateways", "server", "pg_tools", "folder")
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
    faults.add_argument(
        "--pg-tools",
        type=Path,
        metavar="FOLDER",
        help="where pg_dump and pg_restore are; default: on the path",
    )
    faults.add_argument("--json", type=Path, metavar="FILE", help="write what was found to a file too")
    faults.add_argument(
        "--folder", type=Path, help="keep spools, ledger, logs and database here (default: temporary)"
    )
    faults.set_defaults(run=_run_faults)


def _run_load(given: argparse.Namespace, console: Console) -> int:
    names = ("pattern", "machines", "interval_s", "backlog", "seed", "settle_s", "server", "key_file")
    choices = LoadChoices(
        **{name: getattr(given, name) for name in (*names, "beyond_loopback", "folder")},
        duration_s=given.seconds,
        json_file=given.json,
        page_file=given.html,
    )
    with _ended_as_a_whole():
        return run_load(choices, console=console)


def _add_load(commands: Any) -> None:
    defaults = LoadChoices()
    load = commands.add_parser(
        "load",
        help="machines that sample on time whatever the server does; how long it takes, and a check of what "
        "the server holds; exit code 1 if something does not hold",
        description="Patterns: " + "; ".join(f"{p.name}: {p.about}" for p in PATTERNS.values()) + ".",
    )
    load.add_argument(
        "pattern",
        nargs="?",
        choices=tuple(PATTERNS),
        default=defaults.pattern,
        help=f"default: {defaults.pattern}",
    )
    load.add_argument(
        "--machines", type=_loaded_machines, default=defaults.machines, help=f"default: {defaults.machines}"
    )
    load.add_argument(
        "--interval-s",
        type=_interval_s,
        default=defaults.interval_s,
        help=f"seconds between two readings of a machine (default: {defaults.interval_s:g})",
    )
    load.add_argument(
        "--seconds",
        type=_seconds,
        default=defaults.duration_s,
        help=f"how long readings fall due (default: {defaults.duration_s:g})",
    )
    load.add_argument(
        "--settle-s",
        type=_seconds,
        default=defaults.settle_s,
        help=f"how long to wait after that until everything is acknowledged (default: {defaults.settle_s:g})",
    )
    load.add_argument(
        "--backlog",
        type=_backlog,
        default=defaults.backlog,
        help=f"readings that each machine of a herd comes back with (default: {defaults.backlog})",
    )
    load.add_argument("--seed", type=int, default=defaults.seed, help=f"default: {defaults.seed}")
    load.add_argument(
        "--server", metavar="URL", help="a server that runs already (default: the simulator starts its own)"
    )
    load.add_argument("--key-file", type=Path, metavar="FILE", help="an admin key of that server")
    _add_beyond_loopback(load)
    load.add_argument("--json", type=Path, metavar="FILE", help="write what was found to a file too")
    load.add_argument(
        "--html", type=Path, metavar="FILE", help="write a page with plots too; it loads nothing from outside"
    )
    load.add_argument("--folder", type=Path, help="keep the server's files here (default: temporary)")
    load.set_defaults(run=_run_load)


def _run_check(given: argparse.Namespace, console: Console) -> int:
    return run_check(
        given.report,
        server=given.server,
        key_file=given.key_file,
        beyond_loopback=given.beyond_loopback,
        console=console,
    )


def _add_check(commands: Any) -> None:
    check = commands.add_parser(
        "check", help="check once more what a run of `load` left on a server; exit code 1 if it does not hold"
    )
    check.add_argument("report", type=Path, help="what `load --json` wrote")
    check.add_argument("--server", metavar="URL", required=True, help="the server that was under load")
    check.add_argument("--key-file", type=Path, metavar="FILE", required=True, help="a key that may read")
    _add_beyond_loopback(check)
    check.set_defaults(run=_run_check)


def _add_beyond_loopback(command: Any) -> None:
    command.add_argument(
        "--beyond-loopback",
        action="store_true",
        help="allow a server on another machine; ask whoever runs it first",
    )


def _minutes(text: str) -> float:
    return _number(text, 0.1, 1440, "a number of minutes")


def _seconds(text: str) -> float:
    return _number(text, 1, 86_400, "a number of seconds")


def _interval_s(text: str) -> float:
    return _number(text, 0.05, 3_600, "a number of seconds")


def _number(text: str, least: float, most: float, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not least <= value <= most:
        raise argparse.ArgumentTypeError(f"{text} is not {what} from {least:g} to {most:g}")
    return value


def _loaded_machines(text: str) -> int:
    return _whole(text, 1, 2_000, "machines")


def _backlog(text: str) -> int:
    return _whole(text, 1, 100_000, "readings")


def _whole(text: str, least: int, most: int, what: str) -> int:
    if not text.isdecimal() or not least <= int(text) <= most:
        raise argparse.ArgumentTypeError(f"{text} is not a whole number of {what} from {least} to {most}")
    return int(text)


def _gateways(text: str) -> int:
    return _whole(text, 1, 20, "gateways")


def _machines(text: str) -> int:
    return _whole(text, 1, 10_000, "machines")


def _days(text: str) -> int:
    return _whole(text, 2, 366, "days")


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > 65_535:
        raise argparse.ArgumentTypeError(f"{text} is not a port from 0 to 65535")
    return int(text)


def _cadence_s(text: str) -> float:
    return _number(text, 1, 3_600, "a number of seconds")
