"""Change quarantined readings: amend, discard, set aside; preview first, undo after."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Path, Request, Response
from pydantic import Field

from cleanside.ingest.api.routes.described_held import AmendmentsAnswer, OutcomeAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing
from cleanside.ingest.api.routes.named_schema import named
from cleanside.ingest.api.routes.names import OFFSET_PATTERN, SELECTION_PATTERN
from cleanside.ingest.api.routes.paging import P, Page, page_answer
from cleanside.ingest.api.routes.quarantine import ascii_json, no_such_code
from cleanside.ingest.api.routes.shared import (
    At,
    Name,
    R,
    Reason,
    Strict,
    Words,
    needs,
    problems,
    router_of,
    shown,
    span_of,
    text,
)
from cleanside.ingest.checking.checks import CODES
from cleanside.ingest.checking.plausible_time import SETTLED_BY_A_PERSON
from cleanside.ingest.errors import Complaint, NotFound, NotValid, Refused
from cleanside.ingest.quarantine import amend, both_right, keep_second, same_reading
from cleanside.ingest.quarantine.amend import AmendmentOutcome, Repair, Who
from cleanside.ingest.store import fleet, quarantine
from cleanside.ingest.store.fleet import DeviceRow
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.quarantine import Amendment, QuarantineRow
from cleanside.ingest.writer.resources import Resources

CONFLICT_CODE = "number_conflict"
MOST_LEFT_OUT = 64  # entries that a selection leaves out; chosen: more of them are a selection of their own

router = router_of("quarantine")

Operator = Annotated[Key, Depends(needs("quarantine:write"))]
EntryId = Annotated[int, Field(ge=1, le=2**53)]


class Where(Strict):
    """Quarantined readings by common members."""

    code: Name | None = None
    device: Name | None = None
    received_since: At | None = None
    received_until: At | None = None
    after_entry: int = Field(
        0, ge=0, le=2**53, description="those that came after this entry: `next_after` of the answer before"
    )
    without: list[EntryId] = Field(
        default_factory=list, max_length=MOST_LEFT_OUT, description="entries that are not meant all the same"
    )


class Selection(Strict):
    """Which quarantined readings: by number, or by common members."""

    entries: list[EntryId] | None = Field(None, min_length=1, max_length=amend.MAX_AT_ONCE)
    where: Where | None = Field(
        None,
        description=(
            f"at most {amend.MAX_AT_ONCE} a request; `matched` of the answer says how many match, and "
            "`next_after` where the next request goes on"
        ),
    )
    preview: bool = Field(False, description="true: say what would happen, and change nothing")
    as_previewed: str | None = Field(
        None,
        pattern=SELECTION_PATTERN,
        description=(
            "`selection` of the preview: act only if exactly the same entries are meant, unchanged since; "
            "else the answer is `changed_since_preview` and nothing changes. Left out: act on what is there"
        ),
    )


class ChangeBody(Strict):
    """The change; left out: check again as it is."""

    units: Annotated[
        dict[Name, Words] | None,
        Field(
            max_length=16,
            description="the unit that each value really is in",
            examples=[{"restriction": "kPa"}],
            json_schema_extra=named("Units"),
        ),
    ] = None
    leave_out: Annotated[
        list[Name] | None,
        Field(
            min_length=1,
            max_length=16,
            description="quantities whose values are not used, such as one that the server does not know; "
            "the rest of the reading is checked again",
            examples=[["oil_pressure"]],
        ),
    ] = None
    shift_s: Annotated[float | None, Field(ge=-4e9, le=4e9, description="what is added to the time [s]")] = (
        None
    )
    offset: Annotated[
        str | None,
        Field(pattern=OFFSET_PATTERN, description="offset from UTC for a time that came without one"),
    ] = None
    suggested: Annotated[bool, Field(description="true: apply what the server suggested for each")] = False
    time_is_right: Annotated[
        bool,
        Field(
            description=(
                "true: a person says that the time is right as it stands. Settles every doubt about it "
                "but that it is in the future. No other change beside it"
            )
        ),
    ] = False


class AmendBody(Selection):
    """Amend quarantined readings and check them again."""

    change: ChangeBody = ChangeBody()
    note: Words = Field("", max_length=400)


class DiscardBody(Selection):
    """Discard quarantined readings."""

    reason: Reason
    same_reading: bool = Field(
        False,
        description=(
            "true: a copy of one spool sent readings once more, under other times. The second of each, "
            "stored under another number, is discarded with its entry in conflict. Only where the evidence "
            "is whole: with `where` the others are passed over, with `entries` they are refused"
        ),
    )


class BothRightBody(Selection):
    """Keep both of two readings under one number, and name the device of the second."""

    device: Name | None = Field(None, description="whose the second reading is")
    machine: Name | None = Field(None, description="or: the machine on which it was measured")
    housing: Name = Field(DEFAULT_HOUSING, description="housing of that machine")
    note: Words = Field("", max_length=400)


class SecondBody(Selection):
    """Put second readings under a number in place of the first."""

    reason: Reason


class MisnumberedBody(Strict):
    """Take readings with mistyped numbers out of the numbering of their stream."""

    stream: Words = Field(max_length=80)
    first: int = Field(ge=1, le=2**53, description="this number and all after it; above the mark")
    reason: Reason
    preview: bool = False


class SetAsideBody(Strict):
    """Take stored readings back into quarantine."""

    stream: Words = Field(max_length=80)
    first: int = Field(ge=1, le=2**53)
    last: int = Field(ge=1, le=2**53)
    reason: Reason
    preview: bool = False


@router.post(
    "/v1/quarantine/amendments",
    summary="Amend held readings and look at them again",
    description="What was sent is never touched: the change stands beside it, and can be undone.",
    responses=shown(OutcomeAnswer) | problems(404, 409),
    response_class=Response,
)
@example(
    {"entries": ["{entry}"], "preview": True},
    other_body={"where": {"device": "{device}"}, "preview": True},
    plain="as_previewed leave_out",
)
def post_amendment(body: AmendBody, resources: R, key: Operator) -> Response:
    """
    Change unit or time of quarantined readings, or leave a quantity out; those that pass the checks then are
    stored.
    """
    return ascii_json(amend_entries(body, resources, key))


def amend_entries(body: AmendBody, resources: Resources, key: Key) -> dict[str, Any]:
    """Amend, or preview it; the outcome for an answer. Raises NotFound, Refused (422)."""
    given = body.change
    change = Repair(**given.model_dump())
    if change.time_is_right and change != Repair(time_is_right=True):
        raise NotValid(Complaint("#/change/time_is_right", "time_is_right_alone"))
    return _act(
        body,
        resources,
        key,
        lambda c, who, entries, now_us: amend.amend(c, who, entries, change, now_us, body.model_dump_json()),
    )


def settled_by_a_person(code: str) -> bool:
    """True for a doubt about a time that ends where a person says that the time is right."""
    return code in SETTLED_BY_A_PERSON


@router.post(
    "/v1/quarantine/discards",
    summary="Give held readings up",
    responses=shown(OutcomeAnswer) | problems(404, 409),
    response_class=Response,
)
@example(
    {"entries": ["{entry}"], "reason": "the tube was off", "preview": True},
    other_body={"where": {"device": "{device}"}, "reason": "the tube was off", "preview": True},
    plain="same_reading as_previewed",
)
def post_discard(body: DiscardBody, resources: R, key: Operator) -> Response:
    """
    Discard quarantined readings with a reason. They stay on record, count as discarded, and can be restored.
    """
    return ascii_json(discard_entries(body, resources, key))


def discard_entries(body: DiscardBody, resources: Resources, key: Key) -> dict[str, Any]:
    """Discard, or preview it; the outcome for an answer. Raises NotFound, Refused (422)."""
    if body.same_reading and body.where is not None and body.where.code is None:
        body.where.code = CONFLICT_CODE

    def do(c: sa.Connection, who: Who, entries: list[QuarantineRow], now_us: int) -> AmendmentOutcome:
        detail = body.model_dump_json()
        if not body.same_reading:
            return amend.discard(c, who, entries, now_us, detail)
        return same_reading.discard_second(
            c, who, entries, now_us, detail, reason=body.reason, must_all_fit=body.where is None
        )

    return _act(body, resources, key, do)


@router.post(
    "/v1/quarantine/both-right",
    summary="Keep both of two readings under one number",
    description=(
        "Two machines with a copied spool, or an old disk image, give the same numbers to other readings. "
        "The first stays where it is. The second is stored as one of the device named, in a stream that the "
        "server makes; the entry says as `kept_as` where. Sent again, it is a duplicate. It can be undone."
    ),
    responses=shown(OutcomeAnswer) | problems(404, 409),
    response_class=Response,
)
@example(
    {"entries": ["{entry}"], "device": "{device}", "preview": True},
    other_body={
        "where": {"device": "{device}"},
        "machine": "{machine}",
        "housing": "{housing}",
        "preview": True,
    },
    plain="as_previewed",
)
def post_both_right(body: BothRightBody, resources: R, key: Operator) -> Response:
    """Store the second readings as those of a device, or of the one that sits on a machine."""
    return ascii_json(keep_both_entries(body, resources, key))


def keep_both_entries(body: BothRightBody, resources: Resources, key: Key) -> dict[str, Any]:
    """Keep both, or preview it; the outcome for an answer. Raises NotFound, Refused (422)."""
    if (body.device is None) == (body.machine is None):
        raise NotValid(Complaint("#/device", "device_or_machine"))
    if body.where is not None and body.where.code is None:
        body.where.code = CONFLICT_CODE

    def do(c: sa.Connection, who: Who, entries: list[QuarantineRow], now_us: int) -> AmendmentOutcome:
        device = _device_for(c, key, body)
        return both_right.keep_both(c, who, entries, device, now_us, body.model_dump_json())

    return _act(body, resources, key, do)


@router.post(
    "/v1/quarantine/second-instead",
    summary="Keep the second of two readings under one number",
    description=(
        "The second takes the place of the first, which stays on record: as an amendment of the first with "
        "both contents. It passes the checks of receipt, else the first stays. Sent again, each is a "
        "duplicate. With `where`, entries whose first reading is not stored are passed over, with `entries` "
        "they are refused. It can be undone."
    ),
    responses=shown(OutcomeAnswer) | problems(404, 409),
    response_class=Response,
)
@example(
    {"entries": ["{entry}"], "reason": "the first was a test bench", "preview": True},
    other_body={"where": {"device": "{device}"}, "reason": "the first was a test bench", "preview": True},
    plain="as_previewed",
)
def post_second_instead(body: SecondBody, resources: R, key: Operator) -> Response:
    """Store second readings in place of the first ones of their numbers."""
    return ascii_json(keep_second_entries(body, resources, key))


def keep_second_entries(body: SecondBody, resources: Resources, key: Key) -> dict[str, Any]:
    """Keep the second, or preview it; the outcome for an answer. Raises NotFound, Refused (422)."""
    if body.where is not None and body.where.code is None:
        body.where.code = CONFLICT_CODE

    def do(c: sa.Connection, who: Who, entries: list[QuarantineRow], now_us: int) -> AmendmentOutcome:
        detail, fit = body.model_dump_json(), body.where is None
        return keep_second.keep_second(c, who, entries, now_us, detail, reason=body.reason, must_all_fit=fit)

    return _act(body, resources, key, do)


def _device_for(connection: sa.Connection, key: Key, body: BothRightBody) -> DeviceRow:
    """The named device, or the one that sits on the named machine. Raises NotFound, Refused (422)."""
    name = body.device
    if name is None:
        assert body.machine is not None
        housing = find_housing(connection, key, body.machine, body.housing)
        seats = fleet.assignments_of_housing(connection, housing.id)
        sitting = sorted({seat.device for seat in seats if seat.until_us is None})
        if len(sitting) != 1:
            names = " and ".join(sitting) or "none"
            about = {"machine": body.machine, "housing": body.housing, "there": names}
            raise NotValid(Complaint("#/machine", "not_one_device", **about))
        [name] = sitting
    device = fleet.device(connection, key.owner_id, name)
    if device is None or device.registered_us is None:
        raise NotFound("device", name)
    return device


def _act(
    body: Selection,
    resources: Resources,
    key: Key,
    do: Callable[[sa.Connection, Who, list[QuarantineRow], int], AmendmentOutcome],
) -> dict[str, Any]:
    if (body.entries is None) == (body.where is None):
        raise NotValid(Complaint("#/entries", "entries_or_where"))

    def work(connection: sa.Connection) -> AmendmentOutcome:
        entries, matched, next_after = _selected(connection, key, body)
        selection = amend.selection_of(entries)
        if body.as_previewed not in (None, selection):
            raise Refused("changed_since_preview", status=409)
        done = do(connection, _who(key), entries, resources.clock())
        return dataclasses.replace(done, matched=matched, next_after=next_after, selection=selection)

    return amend.outcome_document(resources.writer.call(_previewed(work, body.preview)))


def _selected(
    connection: sa.Connection, key: Key, body: Selection
) -> tuple[list[QuarantineRow], int, int | None]:
    """
    The entries meant, how many match in all, and the last of these entries where more follow.

    They stay as they are until the transaction ends: another process may be changing them now.
    """
    if body.entries is not None:
        entries = quarantine.locked(connection, quarantine.by_ids(connection, key.owner_id, body.entries))
        quarantined = [entry for entry in entries if entry.state == quarantine.HELD]
        if settled := sorted(entry.id for entry in entries if entry.state != quarantine.HELD):
            states = {entry.id: entry.state for entry in entries}
            about: dict[str, Any] = {"entry": settled[0], "state": states[settled[0]]}
            raise Refused("entry_settled", status=404, code="unknown_entry", **about)
        if missing := sorted(set(body.entries) - {entry.id for entry in quarantined}):
            raise NotFound("entry", str(missing[0]))
        return quarantined, len(quarantined), None
    assert body.where is not None
    since, until = body.where.received_since, body.where.received_until
    wanted = quarantine.WantedRows(
        code=body.where.code,
        device=body.where.device,
        received_us=span_of(("received_since", since), ("received_until", until), at="#/where"),
        after_id=body.where.after_entry,
        without=frozenset(body.where.without),
    )
    found = quarantine.list_of(connection, key.owner_id, wanted, limit=amend.MAX_AT_ONCE)
    if not found:
        _require_possible(connection, key, body.where)
    entries = [
        entry
        for entry in quarantine.locked(connection, found)
        if entry.state == wanted.state and wanted.code in (None, entry.code)
    ]
    if len(found) < amend.MAX_AT_ONCE:
        return entries, len(entries), None
    matched = quarantine.count_of(connection, key.owner_id, wanted)
    return entries, matched, found[-1].id if matched > len(entries) else None


def _require_possible(connection: sa.Connection, key: Key, where: Where) -> None:
    """Raise NotValid for a code that is unknown, NotFound for a device: nothing can ever match it."""
    if where.code is not None and where.code not in CODES:
        raise NotValid(no_such_code("#/where/code", where.code))
    if where.device is not None and fleet.device(connection, key.owner_id, where.device) is None:
        raise NotFound("device", where.device)


def _previewed(
    work: Callable[[sa.Connection], AmendmentOutcome], preview: bool
) -> Callable[[sa.Connection], AmendmentOutcome]:
    """The work; a preview does it and rolls it back, so that it shows exactly what would happen."""
    if not preview:
        return work

    def and_back(connection: sa.Connection) -> AmendmentOutcome:
        savepoint = connection.begin_nested()
        try:
            done = work(connection)
        finally:
            savepoint.rollback()
        return dataclasses.replace(done, amendment_id=None)

    return and_back


def _who(key: Key) -> Who:
    return Who(owner_id=key.owner_id, handle=key.handle)


@router.post(
    "/v1/quarantine/set-aside",
    summary="Take stored readings back into quarantine",
    description="For what was plausible and turned out wrong: set aside, amend, and it is stored again.",
    responses=shown(OutcomeAnswer) | problems(404),
    response_class=Response,
)
@example({"stream": "{stream}", "first": 1, "last": 1, "reason": "weeks in the wrong unit", "preview": True})
def post_set_aside(body: SetAsideBody, resources: R, key: Operator) -> Response:
    """Set stored readings of a stream aside, whole, so that they can be amended, put back or discarded."""
    if body.last < body.first:
        raise NotValid(Complaint("#/last", "last_below_first", last=body.last, first=body.first))

    def work(connection: sa.Connection) -> AmendmentOutcome:
        return amend.set_aside(
            connection,
            _who(key),
            body.stream,
            (body.first, body.last),
            resources.clock(),
            reason=body.reason,
            detail=body.model_dump_json(),
        )

    return ascii_json(amend.outcome_document(resources.writer.call(_previewed(work, body.preview))))


@router.post(
    "/v1/quarantine/misnumbered",
    summary="Take readings with mistyped numbers out of their stream",
    description=(
        "For a number mistyped far ahead, which leaves a gap that nothing will fill. The readings from "
        "`first` on are given up and stay on record; the stream goes on from the highest number below them. "
        "Numbers up to the mark are acknowledged and cannot leave. What is sent again as it was is a repeat. "
        "It can be undone as long as no other reading has one of the numbers."
    ),
    responses=shown(OutcomeAnswer) | problems(404),
    response_class=Response,
)
@example(
    {"stream": "{stream}", "first": 9_000_000_000_000_000, "reason": "mistyped; it was 181", "preview": True}
)
def post_misnumbered(body: MisnumberedBody, resources: R, key: Operator) -> Response:
    """Give up everything of a stream from a number on, and let it go on below."""
    return ascii_json(take_misnumbered(body, resources, key))


def take_misnumbered(body: MisnumberedBody, resources: Resources, key: Key) -> dict[str, Any]:
    """What is given up, or would be."""

    def work(connection: sa.Connection) -> AmendmentOutcome:
        return amend.take_misnumbered(
            connection,
            _who(key),
            body.stream,
            body.first,
            resources.clock(),
            reason=body.reason,
            asked=body.model_dump(mode="json"),
        )

    return amend.outcome_document(resources.writer.call(_previewed(work, body.preview)))


@router.get(
    "/v1/quarantine/amendments",
    summary="What was done about held readings",
    responses=shown(AmendmentsAnswer, tagged=True),
    response_class=Response,
)
def get_amendments(
    request: Request, resources: R, key: Annotated[Key, Depends(needs("amendments:read"))], page: P
) -> Response:
    """Amendments, discards and ranges set aside, oldest first, with who and when."""
    documents, cursor = list_amendments(resources, key, page)
    return page_answer(request, "amendments", documents, cursor)


def list_amendments(resources: Resources, key: Key, page: Page) -> tuple[list[dict[str, Any]], str | None]:
    """One page of amendments, and the cursor of the next."""
    (after_id,) = page.after(int) or (0,)
    with resources.reading() as connection:
        rows = quarantine.amendments_of(connection, key.owner_id, after_id=after_id, limit=page.limit + 1)
    shown, cursor = page.cut(rows, lambda a: (a.id,))
    return [_document(a) for a in shown], cursor


def _document(a: Amendment) -> dict[str, Any]:
    return {
        "amendment": a.id,
        "kind": a.kind,
        "at": text(a.at_us),
        "who": a.who,
        "asked": json.loads(a.detail),
        "entries": a.entries,
        "undone_at": text(a.undone_us),
    }


@router.post(
    "/v1/quarantine/amendments/{amendment}/undo",
    summary="Undo an amendment, a discard, or a range set aside",
    responses=shown(OutcomeAnswer) | problems(404, 409),
    response_class=Response,
)
def post_amendment_undo(
    amendment: Annotated[int, Path(ge=1, le=2**53)], resources: R, key: Operator
) -> Response:
    """Restore the state before an amendment."""

    def work(connection: sa.Connection) -> AmendmentOutcome:
        return amend.undo(connection, _who(key), amendment, resources.clock())

    return ascii_json(amend.outcome_document(resources.writer.call(work)))
