"""
Spreadsheets of an owner: written from the database, and taken into it as a whole or not at all.

Promises: what an owner exports and brings again changes nothing. A preview and an import make one plan by
the same code; it writes only what differs.
Leaves to others: the transaction, the audit, who may do it (`ingest.api.routes.spreadsheets`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import sqlalchemy as sa

from cleanside.gateway.units import to_si
from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.shop.machine_sheet import OF_MACHINE, SheetLine
from cleanside.ingest.shop.meter import MeterDoubt, doubt_of
from cleanside.ingest.shop.part_sheet import PartSheetLine
from cleanside.ingest.shop.sheet_warnings import (
    NearName,
    NewName,
    OddLimit,
    SheetLimit,
    near_kinds,
    near_names,
    odd_limits,
)
from cleanside.ingest.shop.spreadsheet import SheetFault
from cleanside.ingest.store import fleet, papers, shop
from cleanside.ingest.store.fleet import HousingRow, MachineRow, TerminalRow
from cleanside.ingest.store.papers import NO_PAPERS, MeterReading, Papers
from cleanside.ingest.store.shop import GroupRow

GROUP_KINDS: Final[tuple[Literal["site", "crew"], ...]] = ("site", "crew")
METER = ("meter_hours", "meter_offset_hours", "meter_read_at")
#: columns of machine papers as the table has them
PAPER_COLUMNS = {
    "service": "service",
    "service_meter_hours": "service_meter_h",
    "service_on": "service_on",
    "laid_up_from": "laid_up_from",
    "laid_up_until": "laid_up_until",
}


@dataclass(frozen=True)
class RowChange:
    """What an import changes of one machine and housing, or part: columns with old and new values."""

    row: int
    name: str  # of the machine, or the part
    housing: str | None
    is_new: bool
    before: dict[str, Any]  # None: there was none
    values: dict[str, Any]


@dataclass
class ImportPlan:
    """What an import does."""

    rows: int = 0
    changes: list[RowChange] = field(default_factory=list)
    new_sites: list[str] = field(default_factory=list)
    new_crews: list[str] = field(default_factory=list)
    #: new site or crew -> the one that it resembles, where it resembles one
    nearest: dict[str, str] = field(default_factory=dict)
    #: part numbers that machines shall have and that no part is entered under
    unknown_parts: list[str] = field(default_factory=list)
    #: machines that are not there yet: a slip in a name makes one
    new_machines: list[str] = field(default_factory=list)
    #: new kind -> the one that is written the same in other letters
    near_kinds: Mapping[str, str] = field(default_factory=dict)
    odd_limits: list[OddLimit] = field(default_factory=list)
    #: new names that are there already but for their capital letters: a person says that they are meant
    near_names: list[NearName] = field(default_factory=list)
    faults: list[SheetFault] = field(default_factory=list)


def machine_rows(connection: sa.Connection, owner_id: int, now_us: int) -> list[dict[str, Any]]:
    """What is known of each housing of an owner, one row each, retired machines too."""
    return [_row(state, now_us) for state in _States(connection, owner_id).every()]


def part_rows(connection: sa.Connection, owner_id: int) -> list[dict[str, Any]]:
    """Each part of an owner, one row a site where there is a stock, else one row."""
    kept = shop.stock_of(connection, owner_id)
    found = []
    for part in shop.parts_of(connection, owner_id):
        own = {
            "part": part.number,
            "description": part.description or None,
            "lead_time_days": part.lead_time_days,
        }
        at = kept.get(part.number, {})
        found += [own | {"site": site, "pieces": pieces} for site, pieces in at.items()] or [own]
    return found


# ---------------------------------------------------------------- machines


@dataclass(frozen=True)
class _State:
    machine: MachineRow
    housing: HousingRow
    papers: Papers
    terminals: list[TerminalRow]
    meters: list[MeterReading]


class _States:
    """What is stored of an owner's housings, asked in few queries."""

    def __init__(self, connection: sa.Connection, owner_id: int) -> None:
        self._machines = {m.name: m for m in fleet.machines_of(connection, owner_id)}
        self._housings = fleet.every_housing(connection, owner_id)
        self._papers = papers.papers_of_owner(connection, owner_id)
        self._terminals = fleet.terminals_of_owner(connection, owner_id)
        self._meters = papers.meters_of_owner(connection, owner_id)

    def every(self) -> list[_State]:
        """All of them, by machine and housing."""
        return [
            _State(
                self._machines[housing.machine],
                housing,
                self._papers.get(housing.id, NO_PAPERS),
                self._terminals.get(housing.id, []),
                self._meters.get(housing.machine, []),
            )
            for housing in self._housings
        ]


def _row(state: _State, now_us: int) -> dict[str, Any]:
    """A housing as a row: column -> value."""
    of_machine, of_housing = state.papers.machine, state.papers.housing
    valid = [t for t in state.terminals if t.valid_from_us <= now_us]
    limit = valid[-1] if valid else None
    meter = state.meters[-1] if state.meters else None
    return {
        "machine": state.machine.name,
        "housing": state.housing.name,
        "display_name": state.machine.display_name,
        "kind": state.machine.kind or None,
        "site": of_machine.site,
        "crew": of_machine.crew,
        "retired": state.machine.retired_us is not None,
        "retired_us": state.machine.retired_us,  # no column of a file: since when, for the way back
        "meter_hours": None if meter is None else meter.meter_h,
        "meter_offset_hours": None if meter is None else meter.offset_h,
        "meter_read_at": None if meter is None else instant_text(meter.at_us),
        **{column: getattr(of_machine, name) for column, name in PAPER_COLUMNS.items()},
        "limit": None if limit is None else limit.value,
        "limit_unit": None if limit is None else limit.unit,
        **of_housing._asdict(),
    }


def plan_machines(
    connection: sa.Connection,
    owner_id: int,
    lines: Sequence[SheetLine],
    now_us: int,
    seen_h: Callable[[int, int], float],
) -> ImportPlan:
    """
    What these rows would change.

    seen_h : (machine, instant [us]) -> hours that its monitors saw the engine run before it. [h]
    """
    states = {(s.machine.name, s.housing.name): s for s in _States(connection, owner_id).every()}
    machines = {name: state for (name, _), state in states.items()}
    known = {kind: shop.groups_of(connection, kind, owner_id) for kind in shop.GROUPS}
    plan = ImportPlan(rows=len(lines))
    for line in lines:
        state = states.get((line.machine, line.housing))
        there = _there(state, machines.get(line.machine), now_us)
        wanted = {**line.of_machine, **line.of_housing}
        values = {n: v for n, v in wanted.items() if there.get(n) != v and not (v is False and not there)}
        plan.faults += _meter_faults(line, state, now_us, seen_h)
        if values or state is None:
            is_new = line.machine not in machines
            kept = (*values, "retired_us") if "retired" in values else values
            before = {name: there.get(name) for name in kept}
            plan.changes.append(RowChange(line.row, line.machine, line.housing, is_new, before, values))
    parts = {part.number for part in shop.parts_of(connection, owner_id)}
    named = [_new_names(plan.changes, column, parts) for column in ("primary_part", "safety_part")]
    plan.unknown_parts = sorted(set().union(*named))
    plan.new_machines = sorted({change.name for change in plan.changes if change.is_new})
    kinds = {state.machine.kind for state in states.values() if state.machine.kind}
    plan.near_kinds = near_kinds(
        [kind for change in plan.changes if (kind := change.values.get("kind"))], kinds
    )
    plan.odd_limits = odd_limits(_limits(states, lines, plan.changes, now_us))
    plan.new_sites = _new_groups(plan, "site", known["site"])
    plan.new_crews = _new_groups(plan, "crew", known["crew"])
    names = {("machine", ""): list(machines)} | _group_names(known)
    for machine, housing in states:
        names.setdefault(("housing", machine), []).append(housing)
    plan.near_names = near_names(_named_by_machines(plan.changes), names)
    return plan


def _named_by_machines(changes: Sequence[RowChange]) -> Iterator[NewName]:
    """The names of machines, housings, sites and crews in rows that change something."""
    for change in changes:
        yield NewName("machine", change.name, change.row, "machine")
        if change.housing is not None:
            yield NewName("housing", change.housing, change.row, "housing", change.name)
        yield from _named_groups(change)


def _named_groups(change: RowChange) -> Iterator[NewName]:
    for kind in GROUP_KINDS:
        if change.values.get(kind):
            yield NewName(kind, change.values[kind], change.row, kind)


def _group_names(known: Mapping[str, Sequence[GroupRow]]) -> dict[tuple[str, str], list[str]]:
    return {(kind, ""): [group.name for group in groups] for kind, groups in known.items()}


def _there(state: _State | None, machine: _State | None, now_us: int) -> dict[str, Any]:
    """
    What is stored of a row: column -> value.

    state : of its housing; None: it is a new one. machine : of any housing of its machine; None: of none.
    """
    if state is not None:
        return _row(state, now_us)
    known = {} if machine is None else _row(machine, now_us)
    return {column: value for column, value in known.items() if column in OF_MACHINE}


def _limits(
    states: Mapping[tuple[str, str], _State],
    lines: Sequence[SheetLine],
    changes: Sequence[RowChange],
    now_us: int,
) -> list[SheetLimit]:
    """The limit of each housing as it will stand."""
    changed = {change.row for change in changes if {"limit", "limit_unit", "kind"} & set(change.values)}
    rows: dict[tuple[str, str], tuple[dict[str, Any], int | None]]
    rows = {name: (_row(state, now_us), None) for name, state in states.items()}
    for line in lines:
        there, _ = rows.get((line.machine, line.housing), ({}, None))
        row = line.row if line.row in changed else None
        rows[line.machine, line.housing] = (there | {**line.of_machine, **line.of_housing}, row)
    return [
        SheetLimit(
            machine, housing, row.get("kind") or "", value, unit, to_si(value, unit, "restriction"), number
        )
        for (machine, housing), (row, number) in rows.items()
        if (value := row.get("limit")) is not None and (unit := row.get("limit_unit")) is not None
    ]


def with_near_groups(
    connection: sa.Connection, owner_id: int, faults: Sequence[SheetFault]
) -> list[SheetFault]:
    """Faults, with the site or crew that a name not written as a code resembles, or is called like."""
    known = {kind: shop.groups_of(connection, kind, owner_id) for kind in shop.GROUPS}
    return [_with_near(fault, known) for fault in faults]


def _with_near(fault: SheetFault, known: Mapping[str, Sequence[GroupRow]]) -> SheetFault:
    if fault.code != "group_name_not_valid" or fault.column is None:
        return fault
    likely = shop.nearest_group(fault.value, known[fault.column])
    return fault if likely is None else replace(fault, code="group_name_near", values={"likely": likely})


def _new_groups(plan: ImportPlan, kind: str, known: Sequence[GroupRow]) -> list[str]:
    """Sites or crews that a plan makes; what they resemble goes into the plan."""
    new = _new_names(plan.changes, kind, {group.name for group in known})
    near = {name: shop.nearest_group(name, known) for name in new}
    plan.nearest |= {name: likely for name, likely in near.items() if likely is not None}
    return new


def _new_names(changes: Sequence[RowChange], column: str, known: set[str]) -> list[str]:
    return sorted({change.values[column] for change in changes if change.values.get(column)} - known)


def _meter_faults(
    line: SheetLine, state: _State | None, now_us: int, seen_h: Callable[[int, int], float]
) -> list[SheetFault]:
    reading = _meter_of(line.of_machine, now_us, "")
    meters = [] if state is None else state.meters
    if reading is None or (reading.at_us, reading.meter_h) in {(m.at_us, m.meter_h) for m in meters}:
        return []  # as it was exported
    if reading.at_us > now_us:
        return [
            SheetFault(
                row=line.row,
                column="meter_read_at",
                value=line.of_machine["meter_read_at"],
                code="in_future",
                values={"now": instant_text(now_us)},
            )
        ]
    seen = 0.0 if state is None else seen_h(state.machine.id, reading.at_us)
    given_before = line.of_machine.get("meter_offset_hours") is not None
    doubt = doubt_of(reading, meters, seen, says_before=given_before)
    if doubt is None:
        return []
    code, about = _as_fault(doubt)
    value = str(line.of_machine["meter_hours"])
    return [SheetFault(row=line.row, column="meter_hours", value=value, code=code, values=about)]


def _as_fault(doubt: MeterDoubt) -> tuple[str, dict[str, Any]]:
    """Code and values of a fault: whatever an earlier or later reading contradicts is one of them."""
    if doubt.code == "meter_below_worked":
        return doubt.code, {"seen_h": doubt.values["seen_h"]}
    if doubt.code == "meter_first_high":
        return doubt.code, {"most_h": doubt.values["most_h"]}
    other_at = instant_text(int(doubt.values["other_at_us"]))
    return "meter_contradicts", {"other_h": doubt.values["other_h"], "other_at": other_at}


def _meter_of(values: Any, now_us: int, who: str) -> MeterReading | None:
    """The reading of the hour meter that a row has; None: it has none."""
    if values.get("meter_hours") is None or values.get("meter_read_at") is None:
        return None
    at_us = parse_instant(values["meter_read_at"]).us
    hours, offset = float(values["meter_hours"]), float(values.get("meter_offset_hours") or 0.0)
    return MeterReading(f"sheet-{at_us}-{hours:g}-{offset:g}"[:64], at_us, now_us, who, hours, offset)


def apply_machines(
    connection: sa.Connection,
    owner_id: int,
    plan: ImportPlan,
    lines: Sequence[SheetLine],
    who: str,
    now_us: int,
) -> None:
    """Write what a plan of the same transaction says."""
    groups = {
        kind: {g.name: g.id for g in shop.groups_of(connection, kind, owner_id)} for kind in shop.GROUPS
    }
    for kind, names in (("site", plan.new_sites), ("crew", plan.new_crews)):
        for name in names:
            groups[kind][name] = shop.keep_group(connection, kind, owner_id, name).id
    rows = {line.row: line for line in lines}
    for change in plan.changes:
        _apply(connection, owner_id, change, rows[change.row], groups, who, now_us)


def _apply(
    connection: sa.Connection,
    owner_id: int,
    change: RowChange,
    line: SheetLine,
    groups: dict[str, dict[str, int]],
    who: str,
    now_us: int,
) -> None:
    values = change.values
    machine = fleet.keep_machine(connection, owner_id, change.name, values.get("kind") or "", now_us)
    edits: dict[str, Any] = {}
    if "display_name" in values:
        edits["display_name"] = values["display_name"]
    if "retired" in values:
        edits["retired_us"] = now_us if values["retired"] else None
    machine = fleet.edit_machine(connection, machine, **edits)
    housing = fleet.keep_housing(connection, machine, line.housing)
    own = {name: values[column] for column, name in PAPER_COLUMNS.items() if column in values}
    for kind in shop.GROUPS:
        if kind in values:
            own[f"{kind}_id"] = None if values[kind] is None else groups[kind][values[kind]]
    papers.edit_machine_papers(connection, machine.id, **own)
    own = {name: values[name] for name in papers.HousingPapers._fields if name in values}
    papers.edit_housing_papers(connection, housing.id, **own)
    if "limit" in values or "limit_unit" in values:
        limit, unit = float(line.of_housing["limit"]), line.of_housing["limit_unit"]
        limit_pa = to_si(limit, unit, "restriction")
        # From now on, where there was one: what was judged before stays as it was.
        since_us = now_us if fleet.terminals_of(connection, housing.id) else 0
        fleet.put_terminal(connection, housing.id, TerminalRow(since_us, limit, unit, limit_pa))
    if any(name in values for name in METER):
        reading = _meter_of(line.of_machine, now_us, who)
        if reading is not None:
            papers.put_meter(connection, machine.id, reading)


# ---------------------------------------------------------------- parts


def plan_parts(connection: sa.Connection, owner_id: int, lines: Sequence[PartSheetLine]) -> ImportPlan:
    """What these rows would change."""
    parts = {part.number: part for part in shop.parts_of(connection, owner_id)}
    kept = shop.stock_of(connection, owner_id)
    known = shop.groups_of(connection, "site", owner_id)
    plan = ImportPlan(rows=len(lines))
    for line in lines:
        part = parts.get(line.part)
        there: dict[str, Any] = {"description": "", "lead_time_days": None}
        there |= {} if part is None else part._asdict()
        wanted = {n: (v or "") if n == "description" else v for n, v in line.of_part.items()}
        values = {name: value for name, value in wanted.items() if there.get(name) != value}
        before = {name: there.get(name) for name in values}
        pieces = None if line.site is None else kept.get(line.part, {}).get(line.site)
        if line.site is not None and pieces != line.pieces:
            values |= {"site": line.site, "pieces": line.pieces}
            before |= {"site": None if pieces is None else line.site, "pieces": pieces}
        if values or part is None:
            plan.changes.append(RowChange(line.row, line.part, None, part is None, before, values))
    plan.new_sites = _new_groups(plan, "site", known)
    names = {("part", ""): list(parts)} | _group_names({"site": known})
    numbers = (NewName("part", change.name, change.row, "part") for change in plan.changes)
    sites = (new for change in plan.changes for new in _named_groups(change))
    plan.near_names = near_names([*numbers, *sites], names)
    return plan


def apply_parts(connection: sa.Connection, owner_id: int, plan: ImportPlan) -> None:
    """Write what a plan of the same transaction says."""
    for change in plan.changes:
        part = shop.keep_part(connection, owner_id, change.name)
        own = {n: change.values[n] for n in ("description", "lead_time_days") if n in change.values}
        shop.edit_part(connection, part, **own)
        if "site" in change.values:
            site = shop.keep_group(connection, "site", owner_id, change.values["site"])
            shop.put_stock(connection, part.id, site.id, change.values["pieces"])
