"""
Entries that people make away from the shop, on a phone or a machine without a link: each is taken once.

One entry a request, so that a refusal has the shape, the status and the code that it has on every route, a
bad link loses one entry's bytes at most, and one that is refused blocks no other. Whoever has several
sends them in order and waits for each answer; that is what keeps their order.
"""

from __future__ import annotations

import json
from contextlib import suppress
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Query, Request
from pydantic import Field

from cleanside.gateway.wire import instant_text
from cleanside.ingest.api.routes.described_fleet import EntryAnswer, TakenEntriesAnswer
from cleanside.ingest.api.routes.described_kinds import EntryContent
from cleanside.ingest.api.routes.element_changes import counted_with, take_part
from cleanside.ingest.api.routes.entry_kinds import KINDS, EntryKind
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing, find_machine
from cleanside.ingest.api.routes.noted_entries import entry_of
from cleanside.ingest.api.routes.paging import P
from cleanside.ingest.api.routes.shared import (
    Act,
    At,
    Name,
    R,
    Strict,
    needs,
    problems,
    router_of,
    text,
    us,
)
from cleanside.ingest.checking.plausible_time import EARLIEST_US
from cleanside.ingest.errors import Complaint, NotFound, NotValid, Refused
from cleanside.ingest.owners.access import require
from cleanside.ingest.owners.reach import sees_machine
from cleanside.ingest.store import entries, fleet
from cleanside.ingest.store.entries import TakenEntry
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.keys import Key
from cleanside.ingest.writer.resources import Resources

router = router_of("entries")

#: Up to here the clock that made an entry is believed as it is: a request takes a while (chosen).
CLOCK_RIGHT_US = 120_000_000

TAKEN, SAME = "taken", "same_as_before"

Reader = Annotated[Key, Depends(needs("entries:read"))]
Writer = Annotated[Key, Depends(needs("entries:write"))]


class NewEntry(Strict):
    """What a person entered away from the shop."""

    entry_id: Name = Field(
        description="made where the entry is made, so that a resend is the same entry; a UUID will do",
        examples=["0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c01"],
    )
    kind: Name = Field(description=f"one of {', '.join(KINDS)}", examples=["second_reading"])
    machine: Name
    made_at: At = Field(description="by the clock of whoever made it")
    sent_at: At | None = Field(
        None,
        description="by the same clock, made for each request; from it the server knows how far that clock "
        "is off, and places the entry. Left out: made_at is right as it is",
    )
    content: EntryContent = Field(
        description="the body that the route of the kind takes: element-changes, terminal-restriction, "
        "acceptance/second-reading, acceptance/hand-comparisons, plate-photo, meter-readings, gauge-readings "
        "of a machine; for take_back: `of`, the entry_id of the entry to take back (`GET /v1/entries` lists "
        "it), and housing; for correction: `of`, housing, what is right (`changed_at`, `to_machine`, "
        "`to_housing`) and `because`",
        examples=[{"value": 25, "unit": "inH2O"}],
    )


@router.post(
    "/v1/entries",
    summary="Enter what was made without a link",
    description=(
        "One entry a request, in the order in which they were made; send the next after the answer. 200: it "
        "is durable, and may be deleted where it was made. 401, 408, 429, 5xx or no answer: keep it and send "
        "it again. Any other 4xx: it will not be taken as it is; keep it for the person who made it, and go "
        "on with the next."
    ),
    response_model=EntryAnswer,
    responses=problems(404, 409),
)
@example(
    {
        "entry_id": "0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c01",
        "kind": "hand_comparison",
        "machine": "{machine}",
        "made_at": "2026-03-01T00:00:00Z",
        "content": {"subject": "key_off", "housing": "{housing}"},
    },
    plain="entry_id made_at sent_at subject compared_with",
)
def post_entry(body: NewEntry, request: Request, resources: R, key: Writer) -> dict[str, Any]:
    """Carry an entry out, once. The same again changes nothing; another under the same id is refused."""
    leaves = body.kind in ("take_back", "correction")
    others = _counted_with(request, resources, key, body) if leaves else []
    taken = take(resources, key, body)
    if body.kind == "element_change":
        others = [str(body.content.get("entry_id", body.entry_id))]
    for entry_id in others:
        _take_part(request, resources, key, body, entry_id)
    if body.kind == "correction":
        _take_part(request, resources, key, _where_it_stands(body), str(body.content.get("of", "")))
    return taken


def _where_it_stands(body: NewEntry) -> NewEntry:
    """A correction as if it had been made where the entry stands now."""
    machine = str(body.content.get("to_machine") or body.machine)
    stays = body.content.get("housing", DEFAULT_HOUSING) if machine == body.machine else DEFAULT_HOUSING
    content = {**body.content, "housing": body.content.get("to_housing") or stays}
    return body.model_copy(update={"machine": machine, "content": content})


def _take_part(request: Request, resources: Resources, key: Key, body: NewEntry, entry_id: str) -> None:
    """The part that went in leaves the stock, also where only the resend of an entry comes as far as this."""
    with suppress(NotFound):  # a resend may outlive its machine
        take_part(request, resources, _act(resources, key, body), _housing(resources, key, body), entry_id)


def _counted_with(request: Request, resources: Resources, key: Key, body: NewEntry) -> list[str]:
    """The entries that counted as one with the one that is taken back."""
    with suppress(Refused):  # `take` says what is wrong
        act, housing = _act(resources, key, body), _housing(resources, key, body)
        return counted_with(request, resources, act, housing, str(body.content.get("of", "")))
    return []


def _act(resources: Resources, key: Key, body: NewEntry) -> Act:
    now_us = resources.clock()
    return Act(key, body.machine, now_us, now_us)


def _housing(resources: Resources, key: Key, body: NewEntry) -> HousingRow:
    with resources.reading() as connection:
        named = str(body.content.get("housing", DEFAULT_HOUSING))
        return find_housing(connection, key, body.machine, named)


@router.get("/v1/entries", summary="Entries of people", response_model=TakenEntriesAnswer)
@example(query={"machine": "{machine}"}, plain="made_since")
def get_entries(
    resources: R,
    key: Reader,
    page: P,
    machine: Annotated[Name | None, Query(description="of this machine alone")] = None,
    made_since: Annotated[At | None, Query(description="made at this instant or later")] = None,
) -> dict[str, Any]:
    """
    What was taken, in the order in which it was carried out.

    Limits, second readings, comparisons and photos that came by their own routes are listed too, under an id
    of the server's own, so that they can be taken back.
    """
    (after,) = page.after(int) or (0,)
    wanted: dict[str, Any] = {"machine": machine, "made_since_us": us(made_since), "after_id": after}
    with resources.reading() as connection:
        found = entries.taken_of(connection, key.owner_id, **wanted, limit=page.limit + 1)
        of_page, cursor = page.cut(found, lambda numbered: (numbered[0],))
        seen = {name: _sees(connection, key, name) for name in {entry.machine for _, entry in of_page}}
    shown = [entry for _, entry in of_page if seen[entry.machine]]  # so a page may have fewer than it can
    return {"entries": [_document(entry) for entry in shown], "next": cursor}


def take(resources: Resources, key: Key, body: NewEntry) -> dict[str, Any]:
    """Carry an entry out for whoever this key stands for. Raises Refused; the answer is durable."""
    kind, now_us = _kind_of(body.kind), resources.clock()
    require(key, kind.permission)
    act = Act(key, body.machine, _made_us(body, now_us), now_us)
    entry = entry_of(act, body.kind, body.entry_id, body.content)
    content = kind.content_of(body.content, body.entry_id, instant_text(entry.made_us))

    def save(connection: sa.Connection) -> TakenEntry | None:
        with connection.begin_nested():  # what is refused below has noted its id already
            before = entries.put(connection, key.owner_id, entry)
            if before is None:
                _carry_out(connection, kind, act, content)
            else:
                _compare(connection, key, before, entry)
        return before

    before = resources.writer.call(save)
    outcome = TAKEN if before is None else SAME
    server_time = instant_text(resources.clock())
    return _document(before or entry) | {"outcome": outcome, "server_time": server_time}


def _carry_out(connection: sa.Connection, kind: EntryKind, act: Act, content: Strict) -> None:
    """Do what is entered. Raises Refused with places in the entry, not in the body of the act's route."""
    try:
        kind.carry_out(connection, act, content)
    except Refused as refused:
        for complaint in refused.errors:
            complaint.pointer = complaint.pointer.replace("#", "#/content", 1)
        raise


def _kind_of(name: str) -> EntryKind:
    if name not in KINDS:
        raise NotValid(Complaint("#/kind", "entry_kind_unknown", kind=name, known=", ".join(KINDS)))
    return KINDS[name]


def _made_us(body: NewEntry, now_us: int) -> int:
    """When it was made, by the server's clock. Raises Refused (422) for a time before any monitor."""
    made_us = us(body.made_at)
    assert made_us is not None
    placed = placed_us(made_us, us(body.sent_at), now_us)
    if placed < EARLIEST_US:
        member, at = ("made_at", body.made_at) if body.sent_at is None else ("sent_at", body.sent_at)
        about = {"member": member, "at": at, "earliest": instant_text(EARLIEST_US)}
        raise NotValid(Complaint(f"#/{member}", "entry_too_early", **about))
    return placed


def placed_us(made_us: int, sent_us: int | None, now_us: int) -> int:
    """
    When an entry was made, by the server's clock.

    made_us, sent_us : by the clock of whoever made it, when it was made and when it is sent. Where that clock
    is off, the time between the two still holds. None: the clock is right. Never after `now_us`. [us]
    """
    off_us = 0 if sent_us is None else now_us - sent_us
    return min(made_us + (off_us if abs(off_us) > CLOCK_RIGHT_US else 0), now_us)


def _compare(connection: sa.Connection, key: Key, before: TakenEntry, entry: TakenEntry) -> None:
    """
    Raise Refused unless `entry` is `before`, sent again; nothing is said of a machine that is not seen.

    Whoever made it is answered also where they no longer see the machine: their phone waits for it.
    """
    is_same = before.content_hash == entry.content_hash
    if is_same and before.who == entry.who:
        return
    find_machine(connection, key, entry.machine)
    if not is_same:
        raise _differs(before, is_seen=_sees(connection, key, before.machine))


def _sees(connection: sa.Connection, key: Key, machine: str) -> bool:
    found = fleet.machine(connection, key.owner_id, machine)
    return found is not None and sees_machine(connection, key, found)


def _differs(before: TakenEntry, *, is_seen: bool) -> Refused:
    about: dict[str, Any] = {"entry_id": before.entry_id}
    if not is_seen:
        return Refused("entry_id_taken", status=409, code="entry_differs", **about)
    about |= {"taken_at": instant_text(before.taken_us), "kind": before.kind, "machine": before.machine}
    return Refused("entry_taken_differs", status=409, code="entry_differs", **about)


def _document(entry: TakenEntry) -> dict[str, Any]:
    return {
        "entry_id": entry.entry_id,
        "kind": entry.kind,
        "machine": entry.machine,
        "made_at": text(entry.made_us),
        "taken_at": text(entry.taken_us),
        "who": entry.who,
        "content": None if entry.content is None else json.loads(entry.content),
    }
