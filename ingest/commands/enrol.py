"""The command `enrol`: make a one-time code for a device, on a terminal or in a private file."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.gateway.wire import instant_text, is_name
from cleanside.ingest import cautions, settings
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING
from cleanside.ingest.commands.command_database import add_owner, opened, owner_id
from cleanside.ingest.commands.keys import write_private
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.owners import enrolment, one_time_code
from cleanside.ingest.owners.enrolment import HOUR_US, MOST_VALID_HOURS, VALID_HOURS
from cleanside.ingest.owners.seating import Seated, SeatOrder, TakenFrom
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import fleet
from cleanside.ingest.store.one_time_codes import Enrolment
from cleanside.ingest.writer import system_clock


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "enrol", help="make a one-time code with which a gateway gets the key of a device"
    )
    parser.add_argument("--device", required=True, metavar="NAME", help="which device")
    parser.add_argument("--machine", required=True, metavar="NAME", help="where it sits")
    parser.add_argument("--housing", default=DEFAULT_HOUSING, metavar="NAME", help="default: main")
    parser.add_argument(
        "--valid-hours", type=int, default=VALID_HOURS, metavar="N", help=f"default: {VALID_HOURS}"
    )
    parser.add_argument(
        "--with-history",
        action="store_true",
        help="a device that sat elsewhere takes its older readings along; left out: it starts now",
    )
    parser.add_argument("--note", default="", help="for whom")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write it to a new file, mode 0600")
    settings.add_flags(parser, "database")
    add_owner(parser)
    parser.set_defaults(run=run_enrol)


def run_enrol(chosen: Settings, given: argparse.Namespace) -> int:
    """Make a code, and show it on a terminal or write it to a file; never to a pipe or a log."""
    if given.out is None and not sys.stdout.isatty():
        raise CalledWrongly("code_needs_terminal")
    if not is_name(given.device):
        raise CalledWrongly("device_not_a_name", device=given.device)
    if not 1 <= given.valid_hours <= MOST_VALID_HOURS:
        raise CalledWrongly("valid_hours_out_of_range", valid_hours=given.valid_hours, most=MOST_VALID_HOURS)
    code = one_time_code.new_code()
    with opened(chosen, newest=True, route="POST /v1/enrolments") as engine, engine.begin() as connection:
        made, seated = _make(connection, given, code)
        if given.out is not None:
            write_private(given.out, code)
    if given.out is None:
        print(code)
    print(f"for {made.device} on {made.machine}, valid {given.valid_hours} h", file=sys.stderr)
    for caution in cautions.words("moved" if seated.taken_from else "enrolment"):
        print(caution, file=sys.stderr)
    for taken in seated.taken_from:
        print(_loses(taken), file=sys.stderr)
    return 0


def _loses(taken: TakenFrom) -> str:
    since = "the beginning" if taken.from_us is None else instant_text(taken.from_us)
    until = "" if taken.until_us is None else f" until {instant_text(taken.until_us)}"
    many = counted(taken.hours, "hour")
    return f"{taken.machine} {taken.housing} loses the device from {since} on{until}, {many} with readings"


def _make(connection: sa.Connection, given: argparse.Namespace, code: str) -> tuple[Enrolment, Seated]:
    owner = owner_id(connection, given.owner)
    housing = next(
        (
            housing
            for housing in fleet.every_housing(connection, owner)
            if (housing.machine, housing.name) == (given.machine, given.housing)
        ),
        None,
    )
    if housing is None:
        raise CalledWrongly("no_housing", housing=given.housing, machine=given.machine)
    wanted = enrolment.EnrolmentOrder(
        owner_id=owner,
        who=enrolment.COMMAND,
        device=given.device,
        seat=SeatOrder(housing_id=housing.id, from_us=None, with_history=given.with_history),
        in_service_us=None,
        note=given.note[:200],
        valid_us=given.valid_hours * HOUR_US,
    )
    return enrolment.make(connection, code, wanted, system_clock.now_us())
