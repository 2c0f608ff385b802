"""
Boots and events that a gateway reports beside its readings: which stay whole, and which are only counted.

- Boots and records of losses (`is_lasting`) stay whole permanently, up to `MOST_BOOTS` and
  `MOST_LOSSES` a device.
- Of every other kind the newest of a stream stay whole, at least `WHOLE`. Older ones become a count by
  stream, kind and day of receipt, with the first and last instant and number. So do boots and losses beyond
  the bound, but for the newest of each kind: nothing stops counting, and the tally says how many are whole.
- An event that is sent again, as after a lost reply, counts once. A whole event is recognised by its digest,
a counted one by its number, which was stored before this batch.

The newest event of a stream explains silence (invariant 9), and is always whole.

Promises: pure. Fields are cut to a size, and the digest is of the whole content, so cut events stay
different.
Leaves to others: the rows (`ingest.store.reports`).
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from itertools import chain, groupby, islice
from typing import Any, NamedTuple

from cleanside.gateway.wire import BOOT_CORRECTED, GatewayReport, readings_in
from cleanside.ingest.store.marks import Marks, meets

BOOT, EVENT = "boot", "event"
OTHERS = "others"  # kinds beyond `MOST_KINDS` of a stream, and reports of a batch beyond `MOST_AT_ONCE`

MOST_AT_ONCE = 1_000  # boots and events of a batch with rows of their own; a gateway has a few; chosen
MOST_BOOTS = 20_000  # a device: 5 key cycles a day for 10 years; chosen
MOST_LOSSES = 5_000  # a device; chosen, far above what a working device has in its life
MOST_KINDS = 32  # of events, a stream; our gateway knows some ten; chosen
WHOLE = 64  # newest events of a kind that stay whole: weeks of key cycles; chosen
FOLD_AT = 2 * WHOLE  # so that not every event makes one a count
MOST_MEMBERS = 24  # of one event; chosen, ours have at most six
MOST_CHARACTERS = 200  # of a text in it, or of what is nested; chosen

DAY_US = 86_400_000_000

#: events that our gateways declare (`gateway.wire.is_declared`)
DECLARED_NAMES = (
    "boot_contradicted",
    *("budget_warning", "readings_bridged", "readings_damaged", "readings_in_part", "readings_lost"),
    "readings_refused",
    *("readings_shed", "spool_aside_deleted", "spool_copied", "spool_replaced", "spool_salvaged"),
    *("spool_tail_lost", "spool_tail_unknown", "stream_opened"),
)
#: the server's own: the time stepped back while the numbers ran on (`store.clock_steps`)
CLOCK_STEPPED = "clock_stepped"
#: names with a count of their own, however many others a stream has
_KNOWN = frozenset(("key_on", "key_off", "device_fault", BOOT_CORRECTED, CLOCK_STEPPED, *DECLARED_NAMES))
#: beginnings of the names of losses, also of gateways newer than this server
_LOSSES = ("readings_", "spool_", "stream_")


class GatewayEntry(NamedTuple):
    """A boot or an event as it is stored."""

    stream_id: int
    kind: str
    #: SHA-256 of the content as sent, hex, cut to 32
    digest: str
    at_seq: int | None
    #: of an event; the anchor of a boot
    name: str | None
    content: str
    received_us: int
    #: True: the batch had nothing new, or the number was stored before it arrived
    was_held: bool
    #: how many reports it represents
    times: int = 1
    #: readings that it declares lost
    lost: int = 0


class Place(NamedTuple):
    """What is counted together."""

    stream_id: int
    kind: str
    #: name of the events; "" for boots, whatever their anchor, and for events without a name
    name: str


class Tally(NamedTuple):
    """The counts of a place."""

    #: whole rows
    whole: int
    #: all that ever arrived, whole or counted
    times: int
    #: highest number among the counted ones; 0: there are none
    folded_through: int
    #: readings that all of them declare lost
    lost: int = 0


class Days(NamedTuple):
    """Counted reports of one place and day."""

    place: Place
    day: int
    times: int
    first_us: int
    last_us: int
    first_seq: int | None
    last_seq: int | None
    lost: int = 0


class ReportPlan(NamedTuple):
    """What to do with new reports."""

    #: stay whole
    whole: dict[Place, list[GatewayEntry]]
    #: are only counted
    counted: list[Days]
    #: place -> how many of its whole rows become a count: those that follow so many newest ones
    fold: dict[Place, tuple[int, int]]
    #: place -> how many arrived now, and how many readings they declare lost
    came: dict[Place, tuple[int, int]]


# ---------------------------------------------------------------- one report


def reports_of(
    stream_id: int, said: GatewayReport | None, now_us: int, *, before: Marks, resent: bool
) -> list[GatewayEntry]:
    """
    Boots and events of a batch. before : marks of the stream before it. resent : all its numbers were stored.

    Those beyond `MOST_AT_ONCE` become one report that says how many there were.
    """
    if said is None or not (said.boots or said.events):
        return []
    every = chain(((BOOT, entry) for entry in said.boots), ((EVENT, entry) for entry in said.events))
    reports = [
        _report(stream_id, kind, entry, now_us, before=before, resent=resent)
        for kind, entry in islice(every, MOST_AT_ONCE)
    ]
    left = len(said.boots) + len(said.events) - len(reports)
    if left:
        more = {"event": OTHERS, "count": left, "at_seq": reports[-1].at_seq, "after": reports[-1].digest}
        last = _report(stream_id, EVENT, more, now_us, before=before, resent=resent)
        reports.append(last._replace(times=left))
    return reports


def _report(
    stream_id: int, kind: str, entry: Mapping[str, Any], now_us: int, *, before: Marks, resent: bool
) -> GatewayEntry:
    content = json.dumps(entry, sort_keys=True)
    at_seq = entry.get("at_seq", entry.get("first_seq"))
    name = entry.get("event", entry.get("anchor"))
    number = at_seq if type(at_seq) is int else None
    return GatewayEntry(
        stream_id=stream_id,
        kind=kind,
        digest=hashlib.sha256(content.encode()).hexdigest()[:32],
        at_seq=number,
        name=name[:64] if isinstance(name, str) and name.isprintable() else None,
        content=json.dumps(shortened(entry), sort_keys=True),
        received_us=now_us,
        was_held=resent or (number is not None and meets(before, number, number)),
        lost=readings_in(name, entry) if kind == EVENT and isinstance(name, str) else 0,
    )


def shortened(entry: Mapping[str, Any]) -> dict[str, Any]:
    """
    A boot or event whose texts and nested parts have at most `MOST_CHARACTERS`, and at most `MOST_MEMBERS`.

    What was cut ends in "…"; members left out are counted in "members_left_out".
    """
    members = {_cut(key): _shortened(value) for key, value in islice(entry.items(), MOST_MEMBERS)}
    left = len(entry) - MOST_MEMBERS
    return members | ({"members_left_out": left} if left > 0 else {})


def _shortened(value: Any) -> Any:
    if isinstance(value, str):
        return _cut(value)
    if isinstance(value, dict | list):
        text = json.dumps(value)
        return value if len(text) <= MOST_CHARACTERS else _cut(text)
    return value


def _cut(text: str) -> str:
    return text if len(text) <= MOST_CHARACTERS else f"{text[:MOST_CHARACTERS]}…"


def is_lasting(kind: str, name: str) -> bool:
    """True for boots and records of losses, which stay whole."""
    return kind == BOOT or name.startswith(_LOSSES) or name == BOOT_CORRECTED


def _place_of(report: GatewayEntry, known: set[Place], others: dict[int, int]) -> Place:
    """
    The place where a report counts. known : places so far. others : stream -> how many are not of `_KNOWN`.
    """
    name = "" if report.kind == BOOT else report.name or ""
    place = Place(report.stream_id, report.kind, name)
    if place in known or report.kind == BOOT or name in _KNOWN:
        return place
    return place if others.get(report.stream_id, 0) < MOST_KINDS else place._replace(name=OTHERS)


# ---------------------------------------------------------------- many


def plan(
    given: Sequence[GatewayEntry],
    whole: set[tuple[int, str, str]],
    tallies: Mapping[Place, Tally],
    room: Mapping[tuple[int, str], int],
) -> ReportPlan:
    """
    Which of these reports are new, which stay whole, and which become a count.

    whole : (stream, kind, digest) of those that are whole already. tallies : of the streams concerned.
    room : (stream, kind) -> how many more lasting ones its device may have.
    """
    made = ReportPlan({}, [], {}, {})
    places: dict[Place, list[GatewayEntry]] = {}
    seen, known = set(whole), set(tallies)
    others = Counter(place.stream_id for place in known if place.name not in _KNOWN)
    for report in given:
        place = _place_of(report, known, others)
        key = report.stream_id, report.kind, report.digest
        if key not in seen and not _is_folded(report, tallies.get(place)):
            others[place.stream_id] += place not in known and place.name not in _KNOWN
            known.add(place)
            places.setdefault(place, []).append(report)
        seen.add(key)
    left = dict(room)
    for place, reports in places.items():
        _plan_place(made, place, reports, tallies.get(place, Tally(0, 0, 0)), left)
    return made


def _is_folded(report: GatewayEntry, tally: Tally | None) -> bool:
    """True where a report that is not whole was counted before, as far as the tally shows."""
    if tally is None or tally.times <= tally.whole or not report.was_held:
        return False
    return report.at_seq is None or report.at_seq <= tally.folded_through


def _plan_place(
    made: ReportPlan,
    place: Place,
    reports: list[GatewayEntry],
    tally: Tally,
    left: dict[tuple[int, str], int],
) -> None:
    reports.sort(key=lambda r: (r.at_seq or 0, r.received_us))
    made.came[place] = sum(report.times for report in reports), sum(report.lost for report in reports)
    if place.name == OTHERS:
        made.counted.extend(days_of(place, reports))
    elif is_lasting(place.kind, place.name):
        room = max(0, left.get((place.stream_id, place.kind), 0))
        kept = reports if room >= len(reports) else [*reports[:room], reports[-1]]
        left[place.stream_id, place.kind] = room - len(kept)
        made.whole[place] = kept
        made.counted.extend(days_of(place, reports[room:-1] if room < len(reports) else []))
        if room < len(reports) and tally.whole + len(kept) > 1:
            made.fold[place] = (1, 1)  # the previous newest; the newest is always whole
    else:
        kept = reports[-WHOLE:]
        made.whole[place] = kept
        made.counted.extend(days_of(place, reports[: -len(kept)]))
        if tally.whole + len(kept) > FOLD_AT:
            made.fold[place] = (WHOLE, tally.whole + len(kept) - WHOLE)


def days_of(place: Place, reports: Iterable[GatewayEntry]) -> list[Days]:
    """Reports as counts by day."""
    days = []
    in_order = sorted(reports, key=lambda r: r.received_us)
    for day, group in groupby(in_order, key=lambda r: r.received_us // DAY_US):
        of_day = list(group)
        numbers = [r.at_seq for r in of_day if r.at_seq is not None]
        times = sum(r.times for r in of_day), of_day[0].received_us, of_day[-1].received_us
        span = min(numbers, default=None), max(numbers, default=None)
        days.append(Days(place, day, *times, *span, sum(r.lost for r in of_day)))
    return days
