"""
A spreadsheet is taken back: what it changed is as it was before, row by row.

Promises: a row goes back as a whole, and only where each of its values is still the one that the spreadsheet
brought; a row that was changed since stays, and is named. What belongs to a machine is in each of its rows:
they go back together, or stay together. A machine that the spreadsheet made is retired, because its history
may have begun; a part that it made stays, without stock. Sites and crews that it made go where nothing uses
them.
Leaves to others: the transaction, the audit, who may do it (`ingest.api.routes.sheet_imports`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import asdict, dataclass, field
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest.shop.machine_sheet import OF_MACHINE
from cleanside.ingest.shop.sheet_import import (
    METER,
    PAPER_COLUMNS,
    ImportPlan,
    RowChange,
    machine_rows,
    part_rows,
)
from cleanside.ingest.store import fleet, papers, shop
from cleanside.ingest.store.fleet import HousingRow, MachineRow

MACHINES, PARTS = "machines", "parts"


@dataclass(frozen=True, kw_only=True)
class StayingRow:
    """A row that is not taken back."""

    change: RowChange
    #: columns whose value is another one by now; "monitor": one sits there; "other_housing": its row stays
    columns: tuple[str, ...]


@dataclass(kw_only=True)
class Undoing:
    """What taking a spreadsheet back does."""

    back: list[RowChange] = field(default_factory=list)
    stays: list[StayingRow] = field(default_factory=list)


def content_of(plan: ImportPlan) -> dict[str, Any]:
    """What a spreadsheet changed, as it is kept."""
    changes = [asdict(change) for change in plan.changes]
    return {"changes": changes, "new_sites": plan.new_sites, "new_crews": plan.new_crews}


def plan_undo(
    connection: sa.Connection, owner_id: int, kind: str, content: Mapping[str, Any], now_us: int
) -> Undoing:
    """Which rows go back, and which were changed since."""
    there = _there(connection, owner_id, kind, now_us)
    watched = fleet.machines_with_monitor(connection, owner_id) if kind == MACHINES else set()
    changes = [RowChange(**written) for written in content["changes"]]
    since = {change.row: _changed_since(change, there, watched) for change in changes}
    staying = {change.name for change in changes if kind == MACHINES and since[change.row]}
    found = Undoing()
    for change in changes:
        columns = since[change.row] or _with_its_machine(change, staying)
        if columns:
            found.stays.append(StayingRow(change=change, columns=columns))
        else:
            found.back.append(change)
    return found


def _there(
    connection: sa.Connection, owner_id: int, kind: str, now_us: int
) -> dict[tuple[str, str | None], dict[str, Any]]:
    """What is stored now: by machine and housing, or by part and site (None: the part itself)."""
    if kind == MACHINES:
        return {(r["machine"], r["housing"]): r for r in machine_rows(connection, owner_id, now_us)}
    rows = part_rows(connection, owner_id)
    of_part = {(row["part"], None): row | {"description": row["description"] or ""} for row in rows}
    return of_part | {(row["part"], row["site"]): row for row in rows if "site" in row}


def _changed_since(
    change: RowChange, there: Mapping[tuple[str, str | None], Mapping[str, Any]], watched: Set[str]
) -> tuple[str, ...]:
    """Why a row stays by itself; empty: it does not. watched : machines that a monitor sits on."""
    own = there.get((change.name, change.housing), {})
    at_site = there.get((change.name, change.values.get("site")), {}) if change.housing is None else own
    found = {c: (at_site if c in ("site", "pieces") else own).get(c) for c in change.values}
    columns = tuple(column for column, value in change.values.items() if found[column] != value)
    return (*columns, "monitor") if change.is_new and change.name in watched else columns


def _with_its_machine(change: RowChange, staying: Set[str]) -> tuple[str, ...]:
    """Why a row stays with another one of its machine; empty: it does not. staying : machines with such."""
    is_of_machine = change.is_new or any(column in OF_MACHINE for column in change.values)
    return ("other_housing",) if is_of_machine and change.name in staying else ()


def apply_undo(
    connection: sa.Connection,
    owner_id: int,
    kind: str,
    content: Mapping[str, Any],
    found: Undoing,
    *,
    made_us: int,
    now_us: int,
) -> None:
    """Write what `plan_undo` of the same transaction says. made_us : when the spreadsheet was taken in."""
    housings = {(h.machine, h.name): h for h in fleet.every_housing(connection, owner_id)}
    for change in found.back:
        if kind == PARTS:
            _part_back(connection, owner_id, change)
            continue
        machine = fleet.machine(connection, owner_id, change.name)
        assert machine is not None
        housing = housings[change.name, change.housing or ""]
        _machine_back(connection, owner_id, machine, housing, change, made_us, now_us)
    for group, names in (("site", content["new_sites"]), ("crew", content["new_crews"])):
        _delete_unused(connection, owner_id, group, names)


def _machine_back(
    connection: sa.Connection,
    owner_id: int,
    machine: MachineRow,
    housing: HousingRow,
    change: RowChange,
    made_us: int,
    now_us: int,
) -> None:
    before = change.before
    edits: dict[str, Any] = {name: before[name] for name in ("display_name",) if name in before}
    edits |= {"kind": before["kind"] or ""} if "kind" in before else {}
    if "retired" in before:  # what an earlier release took in did not keep since when
        edits["retired_us"] = before.get("retired_us", now_us) if before["retired"] else None
    if change.is_new:
        edits = {"retired_us": now_us}
    fleet.edit_machine(connection, machine, **edits)
    _papers_back(connection, owner_id, machine, housing, before)
    if "limit" in before or "limit_unit" in before:
        since = [t.valid_from_us for t in fleet.terminals_of(connection, housing.id)]
        fleet.delete_terminal(connection, housing.id, made_us if made_us in since else 0)
    if any(name in before for name in METER):
        _meter_back(connection, housing, change)


def _papers_back(
    connection: sa.Connection,
    owner_id: int,
    machine: MachineRow,
    housing: HousingRow,
    before: Mapping[str, Any],
) -> None:
    own = {name: before[column] for column, name in PAPER_COLUMNS.items() if column in before}
    for kind in shop.GROUPS:
        if kind in before:
            name = before[kind]
            own[f"{kind}_id"] = None if name is None else shop.keep_group(connection, kind, owner_id, name).id
    papers.edit_machine_papers(connection, machine.id, **own)
    own = {name: before[name] for name in papers.HousingPapers._fields if name in before}
    papers.edit_housing_papers(connection, housing.id, **own)


def _meter_back(connection: sa.Connection, housing: HousingRow, change: RowChange) -> None:
    """Remove the reading of the hour meter that came by the row: once, where several rows have it."""
    for newest in papers.meters_of(connection, housing.machine_id)[-1:]:
        shown = dict(zip(METER, (newest.meter_h, newest.offset_h, instant_text(newest.at_us)), strict=True))
        is_of_row = all(shown[name] == change.values[name] for name in METER if name in change.values)
        if is_of_row and newest.entry_id.startswith("sheet-"):
            papers.take_readings_back(connection, housing, newest.entry_id)


def _part_back(connection: sa.Connection, owner_id: int, change: RowChange) -> None:
    part = shop.part(connection, owner_id, change.name)
    assert part is not None
    own = {name: change.before[name] for name in ("description", "lead_time_days") if name in change.before}
    shop.edit_part(connection, part, **own)
    if "site" in change.values:
        site = shop.keep_group(connection, "site", owner_id, change.values["site"])
        shop.put_stock(connection, part.id, site.id, change.before["pieces"] or 0)


def _delete_unused(connection: sa.Connection, owner_id: int, kind: str, names: Sequence[str]) -> None:
    for name in names:
        group = shop.group(connection, kind, owner_id, name)
        if group is not None and not shop.uses_of_group(connection, kind, owner_id, group):
            shop.delete_group(connection, kind, group)
