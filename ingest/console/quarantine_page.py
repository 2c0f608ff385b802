"""
What is quarantined, by cause: look at it, preview a repair, apply it, undo it.

Its JSON twins are `GET /v1/attention` (the groups), `GET /v1/quarantine` (the readings) and
`GET /v1/quarantine/amendments` (the trail); acts go through the functions of the routes that act.
A preview changes nothing, so it is asked for by GET and can be looked at again.
Leaves to others: what a repair does (`ingest.quarantine`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal, NamedTuple, get_args
from urllib.parse import urlencode

from fastapi import Depends, HTTPException, Path, Query, Request, Response

from cleanside.gateway.units import QUANTITIES, accepts, from_si, to_si
from cleanside.gateway.wire import RESERVED_NAMES, NotAnInstant, instant_text, parse_instant
from cleanside.ingest.analysis.concerns import (
    COPIED_READING,
    IN_FUTURE,
    SERVER_CLOCK,
    STEPPED_FOR_US,
    ConcernGroup,
)
from cleanside.ingest.api.routes.amendments import (
    MOST_LEFT_OUT,
    AmendBody,
    BothRightBody,
    DiscardBody,
    SecondBody,
    amend_entries,
    discard_entries,
    keep_both_entries,
    keep_second_entries,
    list_amendments,
    post_amendment_undo,
    settled_by_a_person,
)
from cleanside.ingest.api.routes.attention import document_of, look
from cleanside.ingest.api.routes.paging import Page, paged
from cleanside.ingest.api.routes.quarantine import list_quarantine, list_sent_twice
from cleanside.ingest.api.routes.shared import Name, R
from cleanside.ingest.console.formats import HARD_SPACE, Figure
from cleanside.ingest.console.forms import (
    FAULTS,
    FormFault,
    fault_of,
    read_form,
    text_of_field,
    trimmed_field,
)
from cleanside.ingest.console.quarantine_counts import quarantine_counts
from cleanside.ingest.console.reason_words import reason_said
from cleanside.ingest.console.rendering import address_with, render, sayer_of
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other
from cleanside.ingest.console.unit_choices import units_to_choose
from cleanside.ingest.console.wording import Sayer, has_words
from cleanside.ingest.errors import Complaint, NotValid, Refused
from cleanside.ingest.owners.access import allows, devices_seen
from cleanside.ingest.store import clock_steps
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.reasons import doubts_time

router = page_router()

Reader = Annotated[Key, Depends(page_needs("attention:read"))]
Looker = Annotated[Key, Depends(page_needs("quarantine:read"))]
Operator = Annotated[Key, Depends(page_needs("quarantine:write"))]
Way = Literal[
    "suggested",
    "as_is",
    "unit",
    "leave_out",
    "shift",
    "offset",
    "time_is_right",
    "both_right",
    "same_reading",
    "second",
    "discard",
]

SAMPLE = 8  # readings of a group that are shown; chosen: enough to see what they have in common
NOT_SEEN = "0" * 32  # stands for no selection: a form without its preview applies nothing
GIVES_UP = ("discard", "same_reading")  # ways after which readings are neither stored nor quarantined
TRAIL = 30  # amendments that are shown, newest first
GROUP_PATH = "/quarantine/group"
GROUPS = ("in_quarantine", "in_conflict")


class Meant(NamedTuple):
    """Which readings are meant: a group, one of its entries, or all but some. "": not given."""

    code: str
    device: str
    #: this entry alone
    entry: str = ""
    #: all but these entries, a blank between two
    without: str = ""

    @property
    def alone(self) -> int:
        """The entry that is meant alone; 0: none, or what was given is no number."""
        return int(self.entry) if self.entry.isascii() and self.entry.isdigit() else 0

    @property
    def left_out(self) -> list[int]:
        """The entries that are not meant."""
        return [int(entry) for entry in self.without.split() if entry.isascii() and entry.isdigit()]

    def selection(self) -> dict[str, Any]:
        """The same for the routes that act."""
        if self.entry:
            return {"entries": [self.alone]}
        return {"where": {"code": self.code, "device": self.device, "without": self.left_out}}

    def asked(self, **other: str) -> dict[str, str]:
        """The parameters of the page of these readings. other : members that are otherwise, and more."""
        return {name: text for name, text in (self._asdict() | other).items() if text}

    def address(self, **other: str) -> str:
        """The page of these readings. other : as of `asked`."""
        return f"{GROUP_PATH}?{urlencode(self.asked(**other))}"

    def but(self, entry: int) -> str:
        """The page where one entry more is left out; or, where it was, one less."""
        left = self.left_out
        others = [one for one in left if one != entry] if entry in left else [*left, entry]
        return self.address(without=" ".join(map(str, others))) + "#readings"


class Wish(NamedTuple):
    """What a person wants to be done with some readings; "": not given."""

    code: str
    device: str
    way: Way
    value: str = ""
    entry: str = ""
    without: str = ""

    @property
    def meant(self) -> Meant:
        """With which."""
        return Meant(self.code, self.device, self.entry, self.without)


@router.get("/quarantine")
def get_quarantine_page(
    request: Request,
    resources: R,
    key: Reader,
    done: Annotated[int | None, Query(ge=1)] = None,
    stored: Annotated[int, Query(ge=0)] = 0,
    held: Annotated[int, Query(ge=0)] = 0,
    left: Annotated[int, Query(ge=0)] = 0,
    given_up: Annotated[int, Query(ge=0)] = 0,
) -> Response:
    """Groups by cause, and the trail. done ... given_up : what became of a repair that was just applied."""
    now_us = resources.clock()
    with resources.reading() as connection:
        seen = devices_seen(key)
        found = look(connection, key.owner_id, now_us, devices=seen)
        clocks = clock_steps.stepped(connection, key.owner_id, now_us - STEPPED_FOR_US)
        clocks = [clock for clock in clocks if seen is None or clock.device in seen]
    known = document_of(found, now_us)
    groups = [line for group in known["groups"] if group["group"] in GROUPS for line in group["entries"]]
    on = {line.device: line.machine for group in found for line in group.lines}
    may_see_trail = allows(key, "amendments:read")
    trail = list_amendments(resources, key, Page.whole())[0] if may_see_trail else []
    return render(
        request,
        "quarantine.html",
        key=key,
        groups=groups,
        by_clock=_by_clock(found),
        stepped=[(clock, on.get(clock.device)) for clock in clocks],
        counts=quarantine_counts(found),
        may_see_trail=may_see_trail,
        trail=trail[::-1][:TRAIL],
        done=None
        if done is None
        else {"amendment": done, "stored": stored, "held": held, "left": left, "given_up": given_up},
    )


@router.get(GROUP_PATH)
def get_group_page(
    request: Request,
    resources: R,
    key: Looker,
    page: Annotated[Page, Depends(paged(SAMPLE, SAMPLE))],
    code: Annotated[Name, Query()],
    device: Annotated[Name, Query()],
    way: Annotated[Way | None, Query()] = None,
    value: Annotated[str, Query(max_length=400)] = "",
    entry: Annotated[str, Query(pattern=r"^[0-9]{0,15}$")] = "",
    without: Annotated[str, Query(pattern=r"^[0-9 ]*$", max_length=MOST_LEFT_OUT * 16)] = "",
    changed: bool = False,
) -> Response:
    """
    Some readings of a group; and, where a way is given, what a repair would do.

    entry : this one alone. without : entries that are left out of a repair, a blank between two.
    changed : the group is another one than when the person looked, so that nothing was applied.
    """
    if not has_words(f"quarantine.code.{code}"):
        raise HTTPException(404)
    may_repair = allows(key, "quarantine:write")
    meant = Meant(code, device, entry, without)
    wish = Wish(code, device, way, value.strip(), entry, without) if way and may_repair else None
    outcome, fault = None, None
    try:
        outcome = None if wish is None else carried_out(wish, resources, key, {"preview": True})
    except FAULTS as error:
        fault = fault_of(error)
    return _group_page(request, resources, key, meant, page, wish, outcome, fault, changed=changed)


def _group_page(
    request: Request,
    resources: R,
    key: Key,
    meant: Meant,
    page: Page,
    wish: Wish | None,
    outcome: Mapping[str, Any] | None,
    fault: FormFault | None,
    *,
    changed: bool = False,
) -> Response:
    """fault : why the wish was refused; its form has what was typed."""
    say = sayer_of(request, key)
    entries, cursor = entries_of(resources, key, say, meant, page)
    may_repair = allows(key, "quarantine:write")
    return render(
        request,
        "quarantine_group.html",
        key=key,
        status=200 if fault is None else fault.status,
        fault=fault,
        code=meant.code,
        device=meant.device,
        is_by_clock=_is_by_clock(resources, key, meant),
        meant=meant,
        entries=entries,
        next_page=cursor and f"{_next_page(request, meant, cursor)}#readings",
        is_of_several=not meant.entry and (len(entries) > 1 or not page.is_first),
        ways=ways_for(meant.code, entries) if may_repair else [],
        units=units_for(entries),
        unknown=unknown_in(entries),
        wish=wish,
        outcome=outcome,
        still=[] if outcome is None else still_quarantined(outcome),
        helps=wish is not None and outcome is not None and helps(wish, outcome),
        changed=changed,
        short_of=short_of,
        reads_as=reads_as,
        shifted_in_all=shifted_in_all,
        reason_said=reason_said,
    )


def _by_clock(groups: Sequence[ConcernGroup]) -> set[str | None]:
    """Monitors whose times in the future are likely right: it is the server's clock that is behind."""
    return {line.device for group in groups for line in group.lines if line.step == SERVER_CLOCK}


def _is_by_clock(resources: R, key: Key, meant: Meant) -> bool:
    if meant.code != IN_FUTURE:
        return False
    with resources.reading() as connection:
        found = look(connection, key.owner_id, resources.clock(), devices=devices_seen(key))
    return meant.device in _by_clock(found)


def _next_page(request: Request, meant: Meant, cursor: str) -> str:
    """More readings of the group; after a refused repair, whose address is of no page, without its wish."""
    return address_with(request, cursor=cursor) if request.method == "GET" else meant.address(cursor=cursor)


@router.post("/quarantine/repairs")
def post_repair(request: Request, resources: R, key: Operator, fields: Fields) -> Response:
    """Apply exactly what was previewed; where the group changed since, show the preview again."""
    given = {name: trimmed_field(fields, name) for name in Wish._fields}
    if given["way"] not in get_args(Way):
        raise NotValid(Complaint("way", "no_repair_chosen"))
    wish = Wish(**given)  # type: ignore[arg-type]  # checked above
    seen = {"as_previewed": text_of_field(fields, "as_previewed") or NOT_SEEN}
    try:
        done = carried_out(wish, resources, key, seen)
    except FAULTS as error:
        if isinstance(error, Refused) and error.code == "changed_since_preview":
            return see_other(f"{GROUP_PATH}?{urlencode(given | {'changed': 'true'})}")
        if not has_words(f"quarantine.code.{wish.code}"):
            raise
        sample = Page.first(GROUP_PATH, wish.meant.asked(), SAMPLE)
        return _group_page(request, resources, key, wish.meant, sample, wish, None, fault_of(error))
    counts = {"stored": done["stored"], "held": len(done["held"]) + done.get("held_more", 0)}
    if given["way"] in GIVES_UP:
        counts = {"given_up": done["entries"]}
    left = 0 if given["way"] == "same_reading" else done["matched"] - done["entries"]
    return see_other(f"/quarantine?{urlencode({'done': done['amendment_id'], **counts, 'left': left})}")


@router.post("/quarantine/amendments/{amendment}/undo")
def post_undo_form(amendment: Annotated[int, Path(ge=1, le=2**53)], resources: R, key: Operator) -> Response:
    """Make everything as it was before."""
    post_amendment_undo(amendment, resources, key)
    return see_other("/quarantine#trail")


# ---------------------------------------------------------------- what is shown and done


def entries_of(
    resources: R, key: Key, say: Sayer, meant: Meant, page: Page
) -> tuple[Sequence[Mapping[str, Any]], str | None]:
    """Some readings of a group, or the one that is meant alone; and the cursor of the next ones."""
    part = Page.just(meant.alone) if meant.entry else page
    if meant.code == COPIED_READING:  # some of those in conflict
        entries, cursor = list_sent_twice(resources, key, part, device=meant.device)
    else:
        entries, cursor = list_quarantine(resources, key, part, code=meant.code, device=meant.device)
    if meant.entry:
        entries, cursor = [entry for entry in entries if entry["entry"] == meant.alone], None
    return [{**entry, **_shown_of(entry, meant, say)} for entry in entries], cursor


def _shown_of(entry: Mapping[str, Any], meant: Meant, say: Sayer) -> dict[str, Any]:
    """What the page shows of an entry beside its document, and where it is chosen alone or left out."""
    return {
        **sent_of(entry["content"], say),
        "first": _first_of(entry, say),
        "alone_at": meant.address(entry=str(entry["entry"]), without=""),
        "but_at": meant.but(entry["entry"]),
        "is_left_out": entry["entry"] in meant.left_out,
    }


def _first_of(entry: Mapping[str, Any], say: Sayer) -> dict[str, str] | None:
    """The other reading of the number, as it is shown beside this one; None: there is none."""
    other = entry["other_reading"]
    if other is None:
        return None
    return {
        "state": other["state"],
        "short": "" if other["content"] is None else short_of(other["content"], say),
    }


def sent_of(content: Mapping[str, Any], say: Sayer) -> dict[str, str]:
    """What was sent, whole; and in short."""
    return {"sent": json.dumps(content, ensure_ascii=False), "short": short_of(content, say)}


def short_of(content: Mapping[str, Any], say: Sayer) -> str:
    """The time of a reading in the viewer's zone and its first values, each with its unit if it has one."""
    units = content.get("units")
    known = units if isinstance(units, Mapping) else {}
    carried = [name for name in (*known, *QUANTITIES) if name in content]
    values = [
        f"{say.quantity(name)} {_as_written(content[name], say)}{HARD_SPACE}{known.get(name, '?')}"
        for name in dict.fromkeys(carried)
    ]
    return "; ".join([_time_of(content, say), *values[:2]])


def _time_of(content: Mapping[str, Any], say: Sayer) -> str:
    """When it was measured, in the viewer's zone; as it was sent where that is no instant."""
    try:
        return say.formats.second(instant_text(parse_instant(content["at"]).us))
    except (KeyError, NotAnInstant, OverflowError, ValueError):
        return str(content.get("at", ""))


def _as_written(value: Any, say: Sayer) -> str:
    """A number as the viewer writes it; anything else, a number in a text too, as it was sent."""
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return say.formats.written(value) if is_number else str(value)


def reads_as(before: Mapping[str, Any], after: Mapping[str, Any], say: Sayer) -> list[Figure]:
    """The values whose unit changes, in the unit that they were sent in: what they read as from then on."""
    sent, now = before.get("units") or {}, after.get("units") or {}
    changed = (q for q in QUANTITIES if q in after and accepts(sent.get(q, ""), q) and now[q] != sent[q])
    return [_figure(from_si(to_si(after[q], now[q], q), sent[q], q), sent[q], say) for q in changed]


def _figure(value: float, unit: str, say: Sayer) -> Figure:
    """A value with four digits, as the viewer writes numbers."""
    decimals = max(0, 3 - math.floor(math.log10(abs(value)))) if value else 0
    return say.formats.of_unit(value, unit, min(decimals, 6))


def shifted_in_all(wish: Wish, changed: Mapping[str, Any]) -> float | None:
    """How far a shift takes a reading from its time as sent [s]; None: it was not shifted before."""
    shifted_s: float | None = changed["shifted_s"]
    if wish.way != "shift" or shifted_s is None or shifted_s == _seconds(wish.value):
        return None
    return shifted_s


def still_quarantined(outcome: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Of the readings that a preview shows, those that it would leave: their number and why."""
    numbers = {shown["entry"]: shown["seq"] for shown in outcome["sample"]}
    return [{"seq": numbers[one["entry"]], **one} for one in outcome["held"] if one["entry"] in numbers]


def helps(wish: Wish, outcome: Mapping[str, Any]) -> bool:
    """
    True where a repair that was previewed would settle a reading, or bring it further: one that is given up
    is settled, and one that is quarantined for another reason then needs another repair.
    """
    if wish.way in GIVES_UP:
        return bool(outcome["entries"])
    is_further = any(one["code"] != wish.code for one in outcome["held"])
    return bool(outcome["stored"] or is_further or outcome.get("held_more"))


def units_for(entries: Sequence[Mapping[str, Any]]) -> dict[str, dict[str, str]]:
    """
    The quantities that may be in another unit, each with its units and how they are called: those in doubt,
    else all that the readings carry.
    """
    doubted = {(reason.get("values") or {}).get("quantity") for e in entries for reason in e["reasons"]}
    carried = {name for entry in entries for name in entry["content"]}
    wanted = (doubted & carried) or carried
    return {quantity: units_to_choose(quantity) for quantity in QUANTITIES if quantity in wanted}


def unknown_in(entries: Sequence[Mapping[str, Any]]) -> list[str]:
    """The quantities of the readings that the server does not know."""
    carried = {name for entry in entries for name in entry["content"]}
    return sorted(carried - set(QUANTITIES) - RESERVED_NAMES)


def ways_for(code: str, entries: Sequence[Mapping[str, Any]]) -> list[Way]:
    """What can be done about a code, the likeliest first."""
    if code == COPIED_READING:
        return ["same_reading"]
    is_suggested = any("suggestion" in reason for entry in entries for reason in entry["reasons"])
    ways: list[Way] = ["suggested"] if is_suggested else []
    if code.startswith("unit_") or code == "out_of_range":  # a value ten times too large is most often that
        ways.append("unit")
    if code == "quantity_unknown":
        ways.append("leave_out")
    if code == "time_without_offset":
        ways.append("offset")
    if doubts_time(code):
        ways.append("shift")
    if settled_by_a_person(code):
        ways.append("time_is_right")
    if code == "number_conflict":
        ways += ["second", "both_right"]
    return [*ways, "as_is", "discard"]


def carried_out(wish: Wish, resources: R, key: Key, seen: Mapping[str, Any]) -> dict[str, Any]:
    """
    What a repair does, or would do: the outcome that the route answers.

    seen : that it is a preview, or what the preview was of.
    """
    where: dict[str, Any] = {**wish.meant.selection(), **seen}
    if wish.way == "same_reading":
        where.get("where", {}).pop("code", None)  # the page's own name for some of those in conflict
        return discard_entries(
            read_form(DiscardBody, where | {"reason": wish.value, "same_reading": True}), resources, key
        )
    if wish.way == "discard":
        return discard_entries(read_form(DiscardBody, where | {"reason": wish.value}), resources, key)
    if wish.way == "second":
        return keep_second_entries(read_form(SecondBody, where | {"reason": wish.value}), resources, key)
    if wish.way == "both_right":
        return keep_both_entries(read_form(BothRightBody, where | {"device": wish.value}), resources, key)
    return amend_entries(read_form(AmendBody, where | {"change": change_of(wish)}), resources, key)


def change_of(wish: Wish) -> dict[str, Any]:
    """The change that a way stands for. Raises Refused (422) for a shift that is no number."""
    match wish.way:
        case "unit":
            quantity, _, unit = wish.value.partition(" ")
            return {"units": {quantity: unit}}
        case "leave_out":
            return {"leave_out": [wish.value]}
        case "offset":
            return {"offset": wish.value}
        case "shift":
            return {"shift_s": _seconds(wish.value)}
        case "suggested" | "time_is_right":
            return {wish.way: True}
    return {}


def _seconds(text: str) -> float:
    try:
        found = float(text.replace(",", "."))
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise NotValid(Complaint("value", "shift_not_seconds", text=text[:40]))
    return found
