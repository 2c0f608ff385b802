"""Entries about elements, and what the readings show about each."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any

import numpy as np
import sqlalchemy as sa
from fastapi import Depends, Query, Request
from pydantic import Field

from cleanside.gateway.units import counted
from cleanside.ingest.analysis.assessment import gauge_unit
from cleanside.ingest.api.routes.described_fleet import ChangesAnswer
from cleanside.ingest.api.routes.described_kinds import ElementWork
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.gauge_readings import GaugeShowing, check_gauge, gauge_document, gauge_of
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, Reader, find_housing
from cleanside.ingest.api.routes.meter_readings import (
    NewMeterBegan,
    OldMeterHours,
    check_meter,
    meter_reading_of,
    says_before,
)
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import (
    Act,
    At,
    Because,
    Name,
    PathName,
    R,
    Strict,
    Words,
    needs,
    note_act,
    problems,
    router_of,
    text,
    text_s,
    us,
)
from cleanside.ingest.api.routes.shop import PartNumber
from cleanside.ingest.cautions import shown as shown_cautions
from cleanside.ingest.errors import Complaint, NotValid, Refused
from cleanside.ingest.owners.reach import sees_machine
from cleanside.ingest.owners.taken_back_at_machine import AskedBack, asked_back_of
from cleanside.ingest.restriction import WeighedEntry
from cleanside.ingest.restriction.elements.entries import BEGINS_LIFE, SHIFT_ROWS
from cleanside.ingest.restriction.verdict.entry_words import of_entry
from cleanside.ingest.restriction.verdict.plain_forms import text_of
from cleanside.ingest.restriction.verdict.statement import Statement
from cleanside.ingest.shop.machine_sheet import MOST_METER_H
from cleanside.ingest.store import audit, element_changes, fleet, papers, part_uses
from cleanside.ingest.store.audit import AuditRow
from cleanside.ingest.store.element_changes import (
    CORRECTED,
    TAKEN_BACK,
    TAKEN_BACK_AT_MACHINE,
    EnteredChange,
)
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.papers import NO_PAPERS, GaugeReading, MeterReading
from cleanside.ingest.store.part_uses import PartUse
from cleanside.ingest.writer.resources import Resources

#: what is said of a change that was found: only one of them is true
ANSWERS = frozenset({"new", "cleaned", "nothing"})

router = router_of("machines")

#: work with which another part goes in -> where the papers have its number
PARTS_OF = {"new": "primary_part", "safety_element": "safety_part"}
MOST_BACK_US = 10 * 365 * 86_400_000_000  # chosen: no element stays in for as long
STOCK_BACK_US = 31 * 86_400_000_000  # chosen: entries come late from where there is no link, stock is counted
MOST_AHEAD_US = 3_600_000_000  # chosen: a clock that is an hour off is no reason to send a technician back

Writer = Annotated[Key, Depends(needs("changes:write"))]


class NewChange(Strict):
    """Work on an element."""

    changed_at: At
    housing: Name = Field(DEFAULT_HOUSING)
    note: Words = Field("", max_length=400)
    entry_id: Name | None = Field(
        None,
        description="made by whoever enters it, so that a resend is the same entry; "
        "left out: the same work at the same instant is the same entry",
        examples=["0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c01"],
    )
    what: ElementWork = Field(
        "new",
        description="new: another element went in. cleaned: the same one went back in, cleaned. inspected: "
        "it went back in as it was. safety_element: that one was replaced. nothing: the change that was "
        "found at this instant is denied; the note says why",
    )
    confirmed_because: Because = Field(
        "",
        max_length=400,
        description="why the entry holds although the readings contradict it; send the entry again with this",
    )
    part: PartNumber | None = Field(
        None, description="part number of what went in; left out: as the papers of the housing have it"
    )
    meter_hours: float | None = Field(
        None, ge=0, le=MOST_METER_H, description="what the hour meter shows [h]"
    )
    old_meter_hours: OldMeterHours = None
    new_meter_began_hours: NewMeterBegan = None
    gauge: GaugeShowing | None = Field(None, description="what a gauge showed before the work")


@router.post(
    "/v1/machines/{machine}/element-changes",
    summary="Enter an element change",
    response_model=ChangesAnswer,
    responses=problems(404, 409),
)
@example(
    {"changed_at": "2026-03-01T00:00:00Z", "housing": "{housing}"},
    plain="entry_id what confirmed_because part meter_hours old_meter_hours new_meter_began_hours gauge "
    "source latched",
)
def post_element_change(
    machine: PathName, body: NewChange, request: Request, resources: R, key: Writer
) -> dict[str, Any]:
    """
    Enter work on an element. The answer has what the readings show about it.

    An entry decides unless the readings contradict it. Then it is a question and changes no figure until it
    is confirmed, corrected or taken back. `correction` of `POST /v1/entries` corrects its time, or where it
    was made.
    """
    return enter_change(request, resources, key, machine, body)


@router.get(
    "/v1/machines/{machine}/element-changes",
    summary="Element changes",
    response_model=ChangesAnswer,
    responses=problems(404),
)
@example(query={"housing": "{housing}"})
def get_element_changes(
    machine: PathName, request: Request, resources: R, key: Reader, housing: Name = DEFAULT_HOUSING
) -> dict[str, Any]:
    """The entries of a housing's elements, in time order, and what the readings show about each."""
    with resources.reading() as connection:
        found = find_housing(connection, key, machine, housing)
    return _shown(request, resources, key, found)


@router.delete(
    "/v1/machines/{machine}/element-changes",
    summary="Take an element change back",
    response_model=ChangesAnswer,
    responses=problems(404),
)
@example(query={"changed_at": "2026-02-14T06:00:00Z", "housing": "{housing}"})
def delete_element_change(
    machine: PathName,
    request: Request,
    changed_at: Annotated[At, Query(description="as it was entered")],
    resources: R,
    key: Writer,
    housing: Name = DEFAULT_HOUSING,
    entry_id: Annotated[Name | None, Query(description="which, where several stand at that instant")] = None,
) -> dict[str, Any]:
    """Take back an entry made by mistake. The audit log keeps the entry and who made it."""
    changed_us = us(changed_at)
    assert changed_us is not None

    now_us = resources.clock()
    act = Act(key, machine, now_us, now_us)
    with resources.reading() as connection:
        found = find_housing(connection, key, machine, housing)
        there = element_changes.changes_of(connection, found.id)
        meant = _the_one_meant(there, changed_us, entry_id, f"{machine}, housing {housing}").entry_id
    others = counted_with(request, resources, act, found, meant)

    def save(connection: sa.Connection) -> None:
        there = element_changes.changes_of(connection, found.id)
        change = _the_one_meant(there, changed_us, meant, f"{machine}, housing {housing}")
        take_change_back(connection, act, found, change)

    resources.writer.call(save)
    for other in others:
        take_part(request, resources, act, found, other)
    return _shown(request, resources, key, found)


def take_change_back(connection: sa.Connection, act: Act, housing: HousingRow, change: EnteredChange) -> None:
    """Take an entry back with what was read at it; the audit log keeps it."""
    element_changes.take_change_back(connection, housing.id, change)
    give_part_back(connection, act.key, housing, change, act.now_us)
    papers.take_readings_back(connection, housing, change.entry_id)
    audit.note(
        connection,
        act.key.owner_id,
        act.now_us,
        act.key.handle,
        TAKEN_BACK,
        machine=housing.machine,
        housing=housing.name,
        entry_id=change.entry_id,
        changed_at=text(change.changed_us),
        work=change.what,
        entered_at=text(change.entered_us),
        by=change.who,
        note=change.note,
    )


# ---------------------------------------------------------------- entering


def enter_change(
    request: Request, resources: Resources, key: Key, machine: str, body: NewChange
) -> dict[str, Any]:
    """Enter a change with what was read at it, in one transaction. Returns the answer. Raises Refused."""
    now_us = resources.clock()
    act = Act(key, machine, now_us, now_us)
    housing = resources.writer.call(lambda connection: keep_change(connection, act, body))
    take_part(request, resources, act, housing, _entered(body, key.handle, now_us).entry_id)
    return _shown(request, resources, key, housing)


def keep_change(connection: sa.Connection, act: Act, body: NewChange) -> HousingRow:
    """Enter or confirm what was done to an element. Raises Refused, and then wrote nothing."""
    change = _entered(body, act.key.handle, act.now_us)
    housing = find_housing(connection, act.key, act.machine, body.housing)
    if change.what in PARTS_OF:
        change = change._replace(part=body.part or usual_part(connection, housing, change.what))
    meter, gauge = _read_with(connection, housing, body, change, act)
    what = _put(connection, housing.id, change)
    new = meter is not None and papers.put_meter(connection, housing.machine_id, meter) is None
    new |= gauge is not None and papers.put_gauge(connection, housing.id, gauge) is None
    if what is not None or new:
        note_act(connection, act, what or "element_change_read", body)
    return housing


def take_part(request: Request, resources: Resources, act: Act, housing: HousingRow, entry_id: str) -> None:
    """
    Take the part of an entry from the stock, where the entry counts by itself.

    One that counts as one with another took what the other took; a question takes none until it is confirmed.
    An entry that took its part takes none again, so a resend is safe.
    """
    with resources.reading() as connection:
        study = services_of(request).judge(connection, act.key).view(housing).assessment.study
        entered = {change.entry_id: change for change in element_changes.changes_of(connection, housing.id)}
    counts = any(w.entry.name == entry_id and w.counts_by_itself for w in study.entries)
    if counts and entry_id in entered:
        resources.writer.call(lambda connection: _take_part(connection, act, housing, entered[entry_id]))


def counted_with(
    request: Request, resources: Resources, act: Act, housing: HousingRow, entry_id: str
) -> list[str]:
    """
    The entries that counted as one with an entry that took its part: one of them takes it once that is gone.

    Empty where the entry took none.
    """
    with resources.reading() as connection:
        if (housing.id, entry_id) not in part_uses.uses_of_owner(connection, act.key.owner_id):
            return []
        study = services_of(request).judge(connection, act.key).view(housing).assessment.study
    mine = next((w for w in study.entries if w.entry.name == entry_id and w.entry.what in BEGINS_LIFE), None)
    if mine is None:
        return []
    same = (w for w in study.entries if w is not mine and w.entry.what == mine.entry.what)
    return [w.entry.name for w in same if abs(w.row - mine.row) <= SHIFT_ROWS]


def _take_part(connection: sa.Connection, act: Act, housing: HousingRow, change: EnteredChange) -> None:
    """
    The part that went in leaves the stock of the site where the machine is.

    Not for work of long ago: the stock has been counted since.
    """
    site = papers.site_of(connection, housing.machine_id)
    if change.part is None or site is None or change.changed_us < act.now_us - STOCK_BACK_US:
        return
    owner_id = act.key.owner_id
    use = part_uses.take(connection, owner_id, housing.id, change.entry_id, change.part, site, act.now_us)
    if use is not None:
        about = {"machine": housing.machine, "housing": housing.name, **use._asdict()}
        audit.note(connection, owner_id, act.now_us, act.key.handle, "part_taken", **about)


def give_part_back(
    connection: sa.Connection, key: Key, housing: HousingRow, change: EnteredChange, now_us: int
) -> None:
    """What an entry took from the stock goes back to it with the entry."""
    use = part_uses.give_back(connection, key.owner_id, housing.id, change.entry_id)
    if use is not None:
        about = {"machine": housing.machine, "housing": housing.name, **use._asdict()}
        audit.note(connection, key.owner_id, now_us, key.handle, "part_given_back", **about)


def usual_part(connection: sa.Connection, housing: HousingRow, what: str) -> str | None:
    """The part number that the papers of a housing have for what went in; None: none is entered."""
    known = papers.papers_where(connection, "housings.id = ?", (housing.id,)).get(housing.id, NO_PAPERS)
    part: str | None = getattr(known.housing, PARTS_OF[what])
    return part


def _read_with(
    connection: sa.Connection, housing: HousingRow, body: NewChange, change: EnteredChange, act: Act
) -> tuple[MeterReading | None, GaugeReading | None]:
    """What was read at a change, under the id of its entry; checked before anything is written."""
    meter = gauge = None
    if body.meter_hours is not None:
        own = (body, change.entry_id, change.changed_us, act)
        meter = meter_reading_of(connection, housing.machine_id, *own)
        said = says_before(body)
        check_meter(connection, housing.machine_id, meter, "#/meter_hours", says_before=said)
    if body.gauge is not None:
        own_gauge = (body.gauge, change.changed_us, change.entry_id, act.key, change.entered_us)
        gauge = gauge_of(*own_gauge, "#/gauge")
        check_gauge(connection, housing.id, gauge, "#/gauge")
    return meter, gauge


def _entered(body: NewChange, who: str, now_us: int) -> EnteredChange:
    """A body as an entry. Raises Refused (422) for an impossible year, or a denial without a reason."""
    changed_us = us(body.changed_at)
    assert changed_us is not None
    refuse_far_off(changed_us, now_us)
    if body.what == "nothing" and not body.note:
        raise NotValid(Complaint("#/note", "denied_without_reason"))
    return EnteredChange(
        changed_us=changed_us,
        entered_us=now_us,
        who=who,
        note=body.note,
        entry_id=body.entry_id or element_changes.made_entry_id(changed_us, body.what),
        what=body.what,
        confirmed_because=body.confirmed_because or None,
    )


def _put(connection: sa.Connection, housing_id: int, change: EnteredChange) -> str | None:
    """Enter or confirm. Returns what to note, None: the same entry again. Raises Refused (409)."""
    _refuse_other_answer(connection, housing_id, change)
    before = element_changes.put_change(connection, housing_id, change)
    if before is None:
        return "element_change"
    if before.at_device is not None and before.what == change.what and before.confirmed_because is None:
        # Made at the machine under this id: a person at the shop stands by it now, with their own words.
        element_changes.take_over(connection, housing_id, change)
        return "element_change"
    if (before.changed_us, before.what, before.note) != (change.changed_us, change.what, change.note):
        raise change_differs(before)
    if change.confirmed_because in (None, before.confirmed_because):
        return None
    element_changes.confirm_change(
        connection, housing_id, before, change.confirmed_because, change.entered_us
    )
    return "element_change_confirmed"


def change_differs(there: EnteredChange) -> Refused:
    """Another entry has this id."""
    about: dict[str, Any] = {"at": text(there.changed_us), "what": there.what, "by": there.who}
    return Refused("change_differs", status=409, note=there.note, **about)


def _refuse_other_answer(connection: sa.Connection, housing_id: int, change: EnteredChange) -> None:
    """Two people answer one found change in two ways: the second is refused. Raises Refused (409)."""
    for known in element_changes.changes_of(connection, housing_id):
        is_another = known.entry_id != change.entry_id and known.at_device is None
        is_answer = known.changed_us == change.changed_us and {known.what, change.what} <= ANSWERS
        if is_another and is_answer and known.what != change.what:
            about: dict[str, Any] = {"at": text(known.changed_us), "what": known.what, "by": known.who}
            raise Refused("found_answered", status=409, code="change_differs", **about)


def _the_one_meant(
    there: list[EnteredChange], changed_us: int, entry_id: str | None, where: str
) -> EnteredChange:
    """The entry to take back. Raises Refused: 404 if there is none, 422 if it could be several."""
    entries = [c for c in there if c.changed_us == changed_us and entry_id in (None, c.entry_id)]
    if not entries:
        raise Refused("unknown_element_change", status=404, at=text(changed_us), housing=where)
    if len(entries) > 1:
        every = " and ".join(f"{c.entry_id} ({c.what})" for c in entries)
        about = {"entries": counted(len(entries), "entry", "entries"), "at": text(changed_us), "every": every}
        raise NotValid(Complaint("query/entry_id", "several_entries_at", **about))
    return entries[0]


def refuse_far_off(changed_us: int, now_us: int) -> None:
    """A wrong year would hide a life, or make one up. Raises Refused (422)."""
    if changed_us > now_us + MOST_AHEAD_US:
        raise NotValid(Complaint("#/changed_at", "change_ahead", at=text(changed_us), now=text(now_us)))
    if changed_us < now_us - MOST_BACK_US:
        raise NotValid(Complaint("#/changed_at", "change_long_ago", at=text(changed_us)))


# ---------------------------------------------------------------- answers


def _shown(request: Request, resources: R, key: Key, housing: HousingRow) -> dict[str, Any]:
    """Entries with what the readings show about them now."""
    with resources.reading() as connection:
        judge = services_of(request).judge(connection, key)
        seen = judge.view(housing)
        entered = {c.entry_id: c for c in element_changes.changes_of(connection, housing.id)}
        meters = {m.entry_id: m.meter_h for m in papers.meters_of(connection, housing.machine_id)}
        gauges = {g.entry_id: g for g in papers.gauges_of(connection, housing.id)}
        series = judge.series_alone(seen) if gauges.keys() & entered.keys() else None
        terminals = fleet.terminals_of(connection, housing.id)
        until_s = seen.assessment.study.trusted_until_s
        uses = part_uses.uses_of_owner(connection, key.owner_id)
        asked_back = asked_back_of(connection, housing.id)
        said = _said_of(connection, key, housing, entered.values())
        moved = _may_name(connection, key, said)

    def read_at(change: EnteredChange) -> dict[str, Any]:
        gauge = gauges.get(change.entry_id)
        shown = (
            None
            if gauge is None or series is None
            else gauge_document(gauge, gauges.values(), series, terminals, trusted_until_s=until_s)
        )
        use = use_document(uses.get((housing.id, change.entry_id)))
        asked = _asked_document(asked_back.get(change.entry_id))
        more: dict[str, Any] = {"part_taken": use, "asked_back": asked}
        more["corrections"] = [
            _correction_document(line, moved)
            for line in said
            if line.what == CORRECTED and (line.values or {})["entry_id"] == change.entry_id
        ]
        return {"meter_hours": meters.get(change.entry_id), "gauge": shown, **more}

    study, unit = seen.assessment.study, gauge_unit(seen.terminal)
    shown = [(entered[w.entry.name], w) for w in study.entries if w.entry.name in entered]
    return {
        "machine": housing.machine,
        "housing": housing.name,
        "element_changes": [
            _change_document(change, weighed, unit, entered) | read_at(change) for change, weighed in shown
        ],
        "gone": _gone_documents(said, housing, entered, moved),
        "cleanings": study.cleanings,
        "cautions": shown_cautions("change"),
    }


def _said_of(
    connection: sa.Connection, key: Key, housing: HousingRow, entered: Iterable[EnteredChange]
) -> list[AuditRow]:
    """Corrections and entries taken back at a machine, and all corrections of what stands there now."""
    corrected = [("entry_id", change.entry_id) for change in entered if change.confirmed_us is not None]
    kinds = (CORRECTED, TAKEN_BACK, TAKEN_BACK_AT_MACHINE)
    return audit.lines_of(connection, key.owner_id, kinds, [("machine", housing.machine), *corrected])


def _may_name(connection: sa.Connection, key: Key, said: Sequence[AuditRow]) -> frozenset[str]:
    """Machines of these lines that the key may learn of."""
    named = {str(name) for line in said for name in _machines_of(line)}
    found = ((name, fleet.machine(connection, key.owner_id, name)) for name in named)
    return frozenset(name for name, row in found if row is not None and sees_machine(connection, key, row))


def _machines_of(line: AuditRow) -> set[str]:
    values = line.values or {}
    return {values["machine"], values.get("to_machine", values["machine"])}


def _correction_document(line: AuditRow, moved: frozenset[str]) -> dict[str, Any]:
    """What an entry said before it was corrected. moved : machines that may be named."""
    values = line.values or {}
    return {
        "at": text(line.at_us),
        "who": line.who,
        "because": values["because"],
        "machine": values["machine"] if values["machine"] in moved else None,
        "housing": values["housing"],
        "changed_at": values["changed_at"],
    }


def _gone_documents(
    said: Sequence[AuditRow],
    housing: HousingRow,
    entered: Mapping[str, EnteredChange],
    moved: frozenset[str],
) -> list[dict[str, Any]]:
    """Entries that stood here and do not any more: taken back, or corrected to another place."""
    found: dict[str, dict[str, Any]] = {}
    for line in said:
        values = line.values or {}
        if (values["machine"], values["housing"]) != (housing.machine, housing.name):
            continue
        entry_id = values.get("entry_id") or f"{values['work']}-{us(values['changed_at'])}"
        to = (values["to_machine"], values["to_housing"]) if line.what == CORRECTED else None
        if entry_id in entered or to == (housing.machine, housing.name):
            continue
        found[entry_id] = {
            "entry_id": entry_id,
            "what": values["work"],
            "changed_at": values["changed_at"],
            "entered_at": values["entered_at"],
            "entered_by": values["by"],
            "note": values["note"],
            "at": text(line.at_us),
            "who": line.who,
            "by_name": values.get("taken_back_by"),
            "because": values.get("because"),
            "to_machine": to[0] if to is not None and to[0] in moved else None,
            "to_housing": None if to is None else to[1],
        }
    return list(found.values())


def _asked_document(asked: AskedBack | None) -> dict[str, Any] | None:
    return None if asked is None else {"by_name": asked.by_name, "at": text(asked.at_us), "note": asked.note}


def _change_document(
    change: EnteredChange, weighed: WeighedEntry, unit: str | None, entered: Mapping[str, EnteredChange]
) -> dict[str, Any]:
    """entered : the entries of the housing by id."""
    return {
        "changed_at": text(change.changed_us),
        "entered_at": text(change.entered_us),
        "who": change.who,
        "note": change.note,
        "entry_id": change.entry_id,
        "what": change.what,
        "confirmed_because": change.confirmed_because,
        "at_device": change.at_device,
        "by_name": change.by_name,
        "part": change.part,
        "is_question": weighed.is_question,
        "same_work": same_work_document(weighed, entered),
        **weighed_document(weighed, unit),
    }


def use_document(use: PartUse | None) -> dict[str, Any] | None:
    """What an entry took from the stock; None: nothing is kept of its part."""
    return None if use is None else use._asdict()


def weighed_document(weighed: WeighedEntry, unit: str | None) -> dict[str, Any]:
    """What the readings show about an entry: code, values, and their sentence."""
    return {
        "verdict": weighed.verdict,
        "says": text_of(of_entry(weighed), unit),
        "said": said_document(of_entry(weighed)),
        "used_from": text_s(weighed.used_s),
        "level_before_pa": weighed.before_pa,
        "level_after_pa": weighed.after_pa,
        "clean_restriction_pa": weighed.clean_pa,
        "look_by": text_s(weighed.look_by_s),
    }


def same_work_document(weighed: WeighedEntry, entered: Mapping[str, EnteredChange]) -> dict[str, Any] | None:
    """The entry that says the same work close by, and who made it when; None: none does."""
    other = None if weighed.other_name is None else entered.get(weighed.other_name)
    if other is None:
        return None
    return {
        "entry_id": other.entry_id,
        "changed_at": text(other.changed_us),
        "entered_at": text(other.entered_us),
        "who": other.who,
        "by_name": other.by_name,
    }


def question_document(
    weighed: WeighedEntry, unit: str | None, entered: Mapping[str, EnteredChange]
) -> dict[str, Any]:
    """An entry that the readings contradict, for a list of housings. entered : its entries by id."""
    return {
        "changed_at": text_s(weighed.entry.at_s),
        "entry_id": weighed.entry.name,
        "verdict": weighed.verdict,
        "says": text_of(of_entry(weighed), unit),
        "said": said_document(of_entry(weighed)),
        "same_work": same_work_document(weighed, entered),
    }


def said_document(statement: Statement) -> dict[str, Any]:
    """A sentence as its code and values; what is no number of JSON's is null."""
    return {"code": statement.code, "values": {k: _value(v) for k, v in statement.values.items()}}


def _value(value: Any) -> Any:
    if isinstance(value, Statement):
        return said_document(value)
    if isinstance(value, list | tuple):
        return [_value(entry) for entry in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value
