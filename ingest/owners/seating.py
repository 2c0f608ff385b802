"""
Seat a device on a housing, or end its seat: from when on, and which readings move.

Promises: the first seat of a device covers all its readings. A further seat starts now, unless the order has
a date or asks for the history by `with_history`; so a used monitor never takes the history of the old
machine to the new one by itself. An end without a start ends the seat: later readings count for no machine
until the device is assigned again. The same order again changes nothing. A preview shows what moves.
Leaves to others: who may do it (`ingest.api.routes`), cutting older spans (`ingest.store.fleet`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.owners import device_entries
from cleanside.ingest.store import fleet, hours
from cleanside.ingest.store.fleet import Assignment, DeviceRow

DAY_US = 86_400_000_000
MOST_AHEAD_US = 92 * DAY_US  # a move is entered for the next weeks; what lies a year off is a slip (chosen)
LONG_AGO_US = 365 * DAY_US  # an end that lies so far back, before every reading, is another year's (chosen)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatOrder:
    """An order for a seat, of a person or a code. Instants: None = not given."""

    housing_id: int
    from_us: int | None
    until_us: int | None = None
    #: earlier readings move too
    with_history: bool = False
    #: devices that leave the housing when this one comes, by id
    replaces: tuple[int, ...] = ()
    #: handle of whoever orders it; None: a device by its code
    who: str | None = None


@dataclass(frozen=True, slots=True)
class SeatSpan:
    """The span of a seat on a housing; None is open."""

    from_us: int | None
    until_us: int | None


@dataclass(frozen=True, slots=True)
class TakenFrom:
    """A housing that loses a device for a span, and how many hours of readings move."""

    machine: str
    housing: str
    from_us: int | None
    until_us: int | None
    #: UTC hours of the span in which there are readings
    hours: int


@dataclass(frozen=True, slots=True)
class Seated:
    """The seat by an order, and the seats that it shortens."""

    from_us: int | None
    until_us: int | None
    taken_from: tuple[TakenFrom, ...]


def span_of(seats: Sequence[Assignment], order: SeatOrder, now_us: int) -> SeatSpan:
    """
    The span that an order means for a device with these seats. Pure.

    Raises Refused (422) where the order gives a start and asks for the history, ends before it starts, or
    ends in the past without a start on a housing on which the device does not sit, or lies too far ahead.
    """
    for member, at_us in (("assigned_from", order.from_us), ("assigned_until", order.until_us)):
        if at_us is not None and at_us > now_us + MOST_AHEAD_US:
            days = MOST_AHEAD_US // DAY_US
            raise NotValid(Complaint(f"#/{member}", "seat_too_far_ahead", at=instant_text(at_us), days=days))
    if order.with_history and order.from_us is not None:
        raise NotValid(Complaint("#/with_history", "start_or_history"))
    if order.from_us is not None or order.with_history or not seats:
        return _checked(SeatSpan(order.from_us, order.until_us))
    if order.until_us is None:
        sits = [s for s in seats if s.housing_id == order.housing_id and s.until_us is None]
        return SeatSpan(sits[-1].from_us if sits else now_us, None)
    ends = [s for s in seats if s.housing_id == order.housing_id and _covers(s, order.until_us)]
    if ends:
        return SeatSpan(ends[-1].from_us, order.until_us)
    if order.until_us > now_us:
        return SeatSpan(now_us, order.until_us)
    raise NotValid(Complaint("#/assigned_until", "not_seated_then", at=instant_text(order.until_us)))


def _covers(seat: Assignment, at_us: int) -> bool:
    return (seat.from_us is None or seat.from_us < at_us) and (
        seat.until_us is None or seat.until_us >= at_us
    )


def _checked(span: SeatSpan) -> SeatSpan:
    if span.from_us is not None and span.until_us is not None and span.until_us <= span.from_us:
        ends, starts = instant_text(span.until_us), instant_text(span.from_us)
        raise NotValid(Complaint("#/assigned_until", "seat_ends_before", until=ends, start=starts))
    return span


def preview(connection: sa.Connection, device: DeviceRow | None, order: SeatOrder, now_us: int) -> Seated:
    """What an order would do now. device : None = no reading of it yet. Raises Refused (422)."""
    if device is None:
        span = span_of([], order, now_us)
        return Seated(span.from_us, span.until_us, ())
    seats = fleet.assignments_of_device(connection, device.id)
    span = span_of(seats, order, now_us)
    _refuse_another_year(connection, device.id, order, span, now_us)
    pieces = _taken(seats, order.housing_id, span)
    taken_from = [_counted(connection, device.id, seat, piece) for seat, piece in pieces]
    return Seated(span.from_us, span.until_us, tuple(taken_from))


def _refuse_another_year(
    connection: sa.Connection, device_id: int, order: SeatOrder, span: SeatSpan, now_us: int
) -> None:
    """An end without a start that lies long ago, before every reading, takes all of them off the machine."""
    until_us = order.until_us
    if order.from_us is not None or until_us is None or until_us > now_us - LONG_AGO_US:
        return
    if hours.with_readings(connection, device_id, span.from_us, until_us):
        return
    after = hours.with_readings(connection, device_id, until_us, None)
    if after:
        raise NotValid(
            Complaint("#/assigned_until", "seat_ends_long_ago", at=instant_text(until_us), hours=after)
        )


def seat(connection: sa.Connection, device: DeviceRow, order: SeatOrder, now_us: int) -> Seated:
    """Seat a device by an order. Raises Refused (422), before anything is written."""
    fleet.lock_devices(connection, [device.id, *order.replaces])  # two people at once: one after the other
    seated = preview(connection, device, order, now_us)
    wanted = (order.housing_id, seated.from_us, seated.until_us)
    seats = fleet.assignments_of_device(connection, device.id)
    if not any((s.housing_id, s.from_us, s.until_us) == wanted for s in seats):
        fleet.assign(connection, device.id, *wanted, order.who)
    for other_id in order.replaces:
        _end(connection, other_id, seated.from_us or now_us, order.who, on=order.housing_id)
    device_entries.carry_out_waiting(connection, device, now_us)
    return seated


def end_all(connection: sa.Connection, device: DeviceRow, now_us: int, who: str) -> None:
    """End the present seat of a device. who : handle of whoever does."""
    fleet.lock_devices(connection, [device.id])
    _end(connection, device.id, now_us, who)


def _end(
    connection: sa.Connection, device_id: int, at_us: int, who: str | None, on: int | None = None
) -> None:
    """End the seat that a device has at an instant. on : where it is on this housing; None: on any."""
    for sits in fleet.assignments_of_device(connection, device_id):
        if on in (None, sits.housing_id) and _covers(sits, at_us) and sits.until_us != at_us:
            fleet.assign(connection, device_id, sits.housing_id, sits.from_us, at_us, who)


def _taken(seats: Sequence[Assignment], housing_id: int, span: SeatSpan) -> list[tuple[Assignment, SeatSpan]]:
    """The parts of older seats that end: on other housings within the span, on this one after it. Pure."""
    ended = fleet.met_on(seats, housing_id, span.from_us, span.until_us)
    pieces = []
    for old in seats:
        lost = span if old.housing_id != housing_id else None
        if old in ended and span.until_us is not None:
            lost = SeatSpan(span.until_us, None)
        piece = None if lost is None else _common(SeatSpan(old.from_us, old.until_us), lost)
        if piece is not None:
            pieces.append((old, piece))
    return pieces


def _common(a: SeatSpan, b: SeatSpan) -> SeatSpan | None:
    """The time that two spans have in common; None: none."""
    starts = [us for us in (a.from_us, b.from_us) if us is not None]
    ends = [us for us in (a.until_us, b.until_us) if us is not None]
    from_us, until_us = max(starts, default=None), min(ends, default=None)
    if from_us is not None and until_us is not None and from_us >= until_us:
        return None
    return SeatSpan(from_us, until_us)


def _counted(connection: sa.Connection, device_id: int, old: Assignment, piece: SeatSpan) -> TakenFrom:
    many = hours.with_readings(connection, device_id, piece.from_us, piece.until_us)
    return TakenFrom(old.machine, old.housing, piece.from_us, piece.until_us, many)
