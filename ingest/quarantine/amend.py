"""
Amend or discard quarantined readings, set stored ones aside, take mistyped numbers out; undo each of these.

Promises: the content as sent never changes; the change is stored beside it. An amended reading goes through
the same checks as on receipt and keeps its number and identity. The audit log has who did it and when. Each
can be undone as long as the same entries were not changed since.
Leaves to others: who may do it (`ingest.api.routes`), the checks (`ingest.checking.checks`).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.gateway.wire import RESERVED_NAMES, Doubt, NotAnInstant, instant_text, parse_instant
from cleanside.ingest.checking.placed import TIME_IS_RIGHT
from cleanside.ingest.errors import Complaint, DoesNotFit, NotFound, Refused
from cleanside.ingest.quarantine import misnumbered, replay
from cleanside.ingest.quarantine.withdrawing import withdraw
from cleanside.ingest.store import audit, quarantine, readings, reasons, second_readings, streams
from cleanside.ingest.store.marks import Shed, ranges_of
from cleanside.ingest.store.quarantine import DISCARDED, HELD, RELEASED, QuarantineRow

MAX_AT_ONCE = 5_000  # entries; keeps the one writer free for readings; chosen
MOST_NAMED = 64  # that a line of the audit names; chosen
SAMPLE = 8  # readings that an outcome shows with their values; chosen: enough to see what they share
MICRO = 1_000_000
SECOND_KEPT = "second_kept"  # kind of an amendment that put a second reading in place of the first


@dataclass(frozen=True, slots=True, kw_only=True)
class Who:
    """Who amends: an owner and the handle of the key."""

    owner_id: int
    handle: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """The change of a quarantined reading. Empty: check it again as it is."""

    #: quantity -> the unit its value really is in
    units: Mapping[str, str] | None = None
    #: quantities whose values are not used
    leave_out: Sequence[str] | None = None
    #: added to the time [s]
    shift_s: float | None = None
    #: the offset from UTC of a time that came without one, like +02:00
    offset: str | None = None
    #: apply what the server suggested for each reading
    suggested: bool = False
    #: a person confirms the time as it is
    time_is_right: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedReading:
    """One of the readings of an amendment, before and after it."""

    entry: int
    seq: int
    before: Mapping[str, Any]
    after: Mapping[str, Any]
    #: how far its time then lies from the time as sent, by all shifts [s]; None: one of them is unreadable
    shifted_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AmendmentOutcome:
    """The outcome of an amendment, or of its preview."""

    #: None for a preview
    amendment_id: int | None
    entries: int
    stored: int
    #: still quarantined: entry, code, detail
    held: tuple[tuple[int, str, str], ...]
    #: the first of them with their values; empty where no value changes
    sample: tuple[ChangedReading, ...] = ()
    #: how many match the condition; None: as many as `entries`
    matched: int | None = None
    #: the last of `entries`, where more match; None: these are all
    next_after: int | None = None
    #: stands for exactly these entries as they are (`selection_of`); None: they are asked for as a range
    selection: str | None = None


def changed(
    content: Mapping[str, Any], change: Repair, suggestion: Mapping[str, Any] | None
) -> dict[str, Any]:
    """
    The content of a reading after a change. Pure.

    Raises DoesNotFit where the change does not fit, NotAnInstant where it makes a time that is none.
    """
    if "opaque" in content or not isinstance(content.get("units", {}), dict):
        raise DoesNotFit("record_only_discarded")
    after = dict(content)
    if change.time_is_right:
        parse_instant(after["at"])  # an unreadable time cannot be right
        return after | {TIME_IS_RIGHT: True}
    if change.suggested or change.shift_s is not None or change.offset is not None:
        after.pop(TIME_IS_RIGHT, None)  # the person confirmed another time
    if change.suggested:
        if suggestion is None:
            raise DoesNotFit("no_suggestion")
        after |= {key: suggestion[key] for key in ("at",) if key in suggestion}
        after["units"] = dict(after.get("units", {})) | dict(suggestion.get("units", {}))
    if change.units is not None:
        used = {name: unit for name, unit in change.units.items() if name in content}
        if not used:
            raise DoesNotFit("has_none_of", quantities=", ".join(sorted(change.units)))
        after["units"] = dict(after.get("units", {})) | used
    if change.leave_out is not None:
        after = _without(after, change.leave_out)
    if change.offset is not None:
        if _is_instant(after["at"]):
            raise DoesNotFit("has_offset", at=after["at"])
        after["at"] = f"{after['at']}{change.offset}"
        parse_instant(after["at"])
    if change.shift_s is not None:
        after["at"] = _shifted(after["at"], change.shift_s)
    return after


def _without(content: Mapping[str, Any], quantities: Sequence[str]) -> dict[str, Any]:
    """A content without some of its quantities and their units; at least one quantity stays."""
    carried = {name for name in content if name not in RESERVED_NAMES}
    gone = carried & set(quantities)
    if not gone:
        raise DoesNotFit("has_none_of", quantities=", ".join(sorted(quantities)))
    if gone == carried:
        raise DoesNotFit("nothing_left", quantities=", ".join(sorted(gone)))
    after = {name: value for name, value in content.items() if name not in gone}
    units = content.get("units", {})
    return after | {"units": {name: unit for name, unit in units.items() if name not in gone}}


def _is_instant(at: Any) -> bool:
    try:
        parse_instant(at)
    except (NotAnInstant, TypeError):
        return False
    return True


def _shifted(at: str, shift_s: float) -> str:
    instant = parse_instant(at)
    if instant.exact is not None:
        raise DoesNotFit("not_shiftable", at=at)
    return instant_text(instant.us + round(shift_s * MICRO))


# ---------------------------------------------------------------- amend and discard


def amend(
    connection: sa.Connection,
    who: Who,
    entries: Sequence[QuarantineRow],
    change: Repair,
    now_us: int,
    detail: str,
) -> AmendmentOutcome:
    """
    Change quarantined readings and check them again. Raises Refused (422) where the change does not fit all.
    """
    contents = _all_changed(entries, change)
    kind = "time_right" if change.time_is_right else "amend"
    amendment_id = begin(connection, who, kind, now_us, detail, entries)
    pairs = zip(entries, contents, strict=True)
    quarantine.amend(connection, amendment_id, [(entry.id, content) for entry, content in pairs])
    now = quarantine.by_ids(connection, who.owner_id, [entry.id for entry in entries])
    stored = replay.reconsider(connection, now, now_us)
    after = quarantine.by_ids(connection, who.owner_id, [entry.id for entry in entries])
    still_quarantined = [e for e in after if e.state == HELD]
    notes = tuple((e.id, e.code, reasons.read(e.reasons)[0].detail) for e in still_quarantined)
    return AmendmentOutcome(
        amendment_id=amendment_id,
        entries=len(entries),
        stored=stored,
        held=notes,
        sample=sample_of(entries, contents),
    )


def sample_of(entries: Sequence[QuarantineRow], contents: Sequence[str | None]) -> tuple[ChangedReading, ...]:
    """The first entries, each before and after. contents : None: as it was sent."""
    pairs = zip(entries[:SAMPLE], contents[:SAMPLE], strict=True)
    return tuple(
        ChangedReading(
            entry=entry.id,
            seq=entry.seq,
            before=json.loads(entry.amended or entry.content),
            after=json.loads(content or entry.content),
            shifted_s=_shifted_s(entry.content, content or entry.content),
        )
        for entry, content in pairs
    )


def _shifted_s(sent: str, after: str) -> float | None:
    try:
        at_us, sent_us = (parse_instant(json.loads(text)["at"]).us for text in (after, sent))
    except (KeyError, TypeError, NotAnInstant):
        return None
    return (at_us - sent_us) / MICRO


def _all_changed(entries: Sequence[QuarantineRow], change: Repair) -> list[str | None]:
    contents: list[str | None] = []
    complaints: list[Complaint] = []
    for entry in entries:
        suggestions = (reason.suggestion for reason in reasons.read(entry.reasons))
        suggestion = next((given for given in suggestions if given is not None), None)
        try:
            after = changed(json.loads(entry.amended or entry.content), change, suggestion)
        except (DoesNotFit, NotAnInstant) as error:
            complaints.append(Complaint.of(f"#/entries/{entry.id}", error))
        else:
            contents.append(entry.amended if change == Repair() else json.dumps(after))
    if complaints:
        raise Refused(
            "change_does_not_fit",
            status=422,
            errors=complaints[:64],
            more_errors=max(0, len(complaints) - 64),
            not_fitting=len(complaints),
            entries=counted(len(entries), "entry", "entries"),
        )
    return contents


def discard(
    connection: sa.Connection, who: Who, entries: Sequence[QuarantineRow], now_us: int, detail: str
) -> AmendmentOutcome:
    """Discard quarantined readings, as a person decided. They stay on record and count as discarded."""
    amendment_id = begin(connection, who, "discard", now_us, detail, entries)
    quarantine.amend(connection, amendment_id, [(entry.id, entry.amended) for entry in entries])
    quarantine.set_states(connection, [entry.id for entry in entries], DISCARDED)
    return AmendmentOutcome(amendment_id=amendment_id, entries=len(entries), stored=0, held=())


def begin(
    connection: sa.Connection, who: Who, kind: str, now_us: int, detail: str, entries: Sequence[QuarantineRow]
) -> int:
    """Record an amendment of entries, with their state before. Returns its number."""
    amendment_id = quarantine.put_amendment(
        connection, owner_id=who.owner_id, kind=kind, at_us=now_us, who=who.handle, detail=detail
    )
    streams.forget_tails(connection, [entry.stream_id for entry in entries])
    before = [(entry.id, quarantine.snapshot(entry)) for entry in entries]
    quarantine.set_before(connection, amendment_id, before)
    about = {"amendment": amendment_id, "body": json.loads(detail), **which(entries)}
    audit.note(connection, who.owner_id, now_us, who.handle, kind, **about)
    return amendment_id


def which(entries: Sequence[QuarantineRow]) -> dict[str, Any]:
    """How many readings an act is about, and of which numbers of which streams, for the audit. Pure."""
    numbers: dict[str, list[int]] = {}
    for entry in entries:
        numbers.setdefault(entry.stream, []).append(entry.seq)
    streams_of = [
        {"stream": name, "first": min(seqs), "last": max(seqs)} for name, seqs in sorted(numbers.items())
    ]
    beyond = {"more_streams": len(streams_of) - MOST_NAMED} if len(streams_of) > MOST_NAMED else {}
    return {"readings": len(entries), "streams": streams_of[:MOST_NAMED], **beyond}


# ---------------------------------------------------------------- set aside


def set_aside(
    connection: sa.Connection,
    who: Who,
    stream_name: str,
    span: tuple[int, int],
    now_us: int,
    *,
    reason: str,
    detail: str,
) -> AmendmentOutcome:
    """
    Take stored readings first..last of a stream back into quarantine, so that they can be amended.

    Raises NotFound for a stream that is not this owner's, Refused (422) where there are too many.
    """
    stream = streams.find(connection, who.owner_id, stream_name, lock=True)
    if stream is None:
        raise NotFound("stream", stream_name)
    if span[1] - span[0] >= MAX_AT_ONCE:
        asked = counted(span[1] - span[0] + 1, "number")
        raise Refused("too_many_numbers", status=422, code="not_valid", asked=asked, most=MAX_AT_ONCE)
    doubt = Doubt(quarantine.SET_ASIDE, {"by": who.handle, "reason": reason})
    because = dict.fromkeys(range(span[0], span[1] + 1), doubt)
    numbers = ranges_of(withdraw(connection, stream, because, now_us))
    ids = [row.id for rows in quarantine.seen(connection, stream.id, numbers).values() for row in rows]
    entries = [e for e in quarantine.by_ids(connection, who.owner_id, ids) if e.code == doubt.code]
    amendment_id = begin(connection, who, "set_aside", now_us, detail, entries)
    quarantine.amend(connection, amendment_id, [(entry.id, entry.amended) for entry in entries])
    ends = entries if len(entries) <= SAMPLE else [*entries[: SAMPLE - 1], entries[-1]]
    return AmendmentOutcome(
        amendment_id=amendment_id,
        entries=len(entries),
        stored=0,
        held=(),
        sample=sample_of(ends, [entry.amended for entry in ends]),
    )


# ---------------------------------------------------------------- numbers that were mistyped


def take_misnumbered(
    connection: sa.Connection,
    who: Who,
    stream_name: str,
    first: int,
    now_us: int,
    *,
    reason: str,
    asked: Mapping[str, Any],
) -> AmendmentOutcome:
    """
    Give up the readings of a stream from number `first` on, which leave its numbering.

    asked : the request. Raises NotFound for a stream that is not this owner's, Refused (422) where the number
    does not fit (`misnumbered.leave`).
    """
    stream = streams.find(connection, who.owner_id, stream_name, lock=True)
    if stream is None:
        raise NotFound("stream", stream_name[:64])
    doubt = Doubt(quarantine.SET_ASIDE, {"by": who.handle, "reason": reason})
    left = misnumbered.leave(connection, stream, first, doubt, now_us)
    shed = {"shed": [asdict(one) for one in left.shed]} if left.shed else {}
    detail = json.dumps({**asked, **shed})
    amendment_id = begin(connection, who, misnumbered.MISNUMBERED, now_us, detail, left.entries)
    quarantine.set_before(connection, amendment_id, misnumbered.before_of(left))
    quarantine.amend(connection, amendment_id, [(entry.id, entry.amended) for entry in left.entries])
    ids = [entry.id for entry in left.entries]
    quarantine.set_states(connection, ids, DISCARDED)
    quarantine.set_beside(connection, ids, beside=True)  # none of them has a number of its own any more
    return AmendmentOutcome(
        amendment_id=amendment_id,
        entries=len(ids),
        stored=0,
        held=(),
        sample=sample_of(left.entries, [entry.amended for entry in left.entries]),
    )


def _number_again(
    connection: sa.Connection,
    done: quarantine.Amendment,
    entries: Sequence[QuarantineRow],
    before: Mapping[int, Mapping[str, Any]],
    now_us: int,
) -> AmendmentOutcome:
    """Undo `take_misnumbered`. Raises Refused (409) where another reading has one of the numbers by now."""
    asked = json.loads(done.detail)
    stream = streams.find(connection, done.owner_id, asked["stream"], lock=True)
    numbers = misnumbered.own_numbers(entries, [i for i, was in before.items() if was["beside"]])
    shed = [Shed(**one) for one in asked.get("shed", ())]
    if stream is None or not misnumbered.come_back(connection, stream, numbers, shed):
        raise Refused("numbers_taken", status=409, code="not_undoable", amendment=done.id)
    quarantine.restore(connection, before)
    quarantine.set_beside(connection, [i for i, was in before.items() if not was["beside"]], beside=False)
    were_stored = [entry_id for entry_id, was in before.items() if was["stored"]]
    again = quarantine.by_ids(connection, done.owner_id, were_stored)
    stored = replay.reconsider(connection, again, now_us)
    return AmendmentOutcome(amendment_id=done.id, entries=len(entries), stored=stored, held=())


# ---------------------------------------------------------------- undo


def undo(connection: sa.Connection, who: Who, amendment_id: int, now_us: int) -> AmendmentOutcome:
    """
    Restore the entries as they were before an amendment.

    Raises NotFound, or Refused (409) where it is undone already or its entries were changed since.
    """
    done = quarantine.amendment(connection, who.owner_id, amendment_id)
    if done is None:
        raise NotFound("amendment", str(amendment_id))
    before: dict[int, dict[str, Any]] = dict(json.loads(done.before))
    entries = quarantine.locked(connection, quarantine.by_ids(connection, who.owner_id, list(before)))
    is_missing = len(entries) < len(before)  # with their machine, to another owner
    if done.undone_us is not None:
        about: dict[str, Any] = {"amendment": amendment_id, "at": instant_text(done.undone_us)}
        raise Refused("undone_already", status=409, code="not_undoable", **about)
    if is_missing:
        gone = len(before) - len(entries)
        about = {"amendment": amendment_id, "gone": gone, "entries": len(before)}
        raise Refused("entries_of_others", status=409, code="not_undoable", **about)
    if later := sorted({e.amendment_id or 0 for e in entries} - {amendment_id}):
        by = f"amendment {later[-1]}" if later[-1] else "the gateway, which sent them again"
        raise Refused("not_undoable", status=409, amendment=amendment_id, later=by)
    quarantine.set_undone(connection, amendment_id, now_us)
    about = {"amendment": amendment_id, **which(entries)}
    audit.note(connection, who.owner_id, now_us, who.handle, "undo", **about)
    streams.forget_tails(connection, [entry.stream_id for entry in entries])
    if done.kind == misnumbered.MISNUMBERED:
        return _number_again(connection, done, entries, before, now_us)
    if done.kind == "set_aside":
        stored = replay.reconsider(connection, entries, now_us)
        return AmendmentOutcome(amendment_id=amendment_id, entries=len(entries), stored=stored, held=())
    second_readings.take_back(connection, list(before))
    released = [e for e in entries if e.state == RELEASED and before[e.id]["state"] == HELD and not e.beside]
    _take_out_again(connection, released)
    quarantine.restore(connection, before)
    stored = 0
    if done.kind == SECOND_KEPT or json.loads(done.detail).get("same_reading"):  # these were stored before
        own = [entry.id for entry in entries if not entry.beside]
        stored = replay.reconsider(connection, quarantine.by_ids(connection, who.owner_id, own), now_us)
    return AmendmentOutcome(amendment_id=amendment_id, entries=len(entries), stored=stored, held=())


def _take_out_again(connection: sa.Connection, entries: Sequence[QuarantineRow]) -> None:
    by_stream: dict[tuple[int, str], list[QuarantineRow]] = {}
    for entry in entries:
        by_stream.setdefault((entry.owner_id, entry.stream), []).append(entry)
    for (owner_id, name), group in sorted(by_stream.items()):
        streams.find(connection, owner_id, name, lock=True)
        numbers = ranges_of(sorted(entry.seq for entry in group))
        readings.take_out(connection, group[0].stream_id, numbers)


def selection_of(entries: Sequence[QuarantineRow]) -> str:
    """A text for exactly these entries as they are: one more, or one that changed, gives another. Pure."""
    seen = sorted((e.id, e.content, e.amended, e.reasons) for e in entries)
    return hashlib.sha256(json.dumps(seen).encode()).hexdigest()[:32]


def outcome_document(outcome: AmendmentOutcome) -> dict[str, Any]:
    """An outcome for an answer; quarantined entries are cut at 64 and the rest counted."""
    document = asdict(outcome)
    document["matched"] = outcome.entries if outcome.matched is None else outcome.matched
    listed = [{"entry": e, "code": code, "detail": text} for e, code, text in outcome.held]
    document["held"] = listed[:64]
    if len(listed) > 64:
        document["held_more"] = len(listed) - 64
    return document
