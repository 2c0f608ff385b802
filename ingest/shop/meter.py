"""
The hour meter between two looks at it, and the scheduled service that hangs on it.

Promises: pure. What the meter shows now is the last reading and the hours that the machine usually works
since, by its own duty; it never runs faster than the clock.
Leaves to others: duty (`restriction.forecast.duty`), who read it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from cleanside.ingest.restriction.forecast.duty import Duty, usual_hours, worked_off_s
from cleanside.ingest.store.papers import MeterReading

MICRO = 1_000_000
#: a meter and a clock are read by a person: so much may be between them [h] (chosen)
ALLOWANCE_H = 2.0
#: a first reading above it is asked about: ten years without a stop (chosen) [h]
MOST_LIKELY_FIRST_H = 88_000.0


class MeterDoubt(NamedTuple):
    """Why a reading of the hour meter is asked about: a code of `error_texts`, and its values."""

    code: str
    values: Mapping[str, float | int]


def worked_h(reading: MeterReading) -> float:
    """Hours that the machine has worked in all by a reading: this meter's and those before it. [h]"""
    return reading.meter_h + reading.offset_h


def meter_now_h(readings: Sequence[MeterReading], duty: Duty, now_us: int) -> float | None:
    """What the meter likely shows now. readings : in time order. None: it was never read. [h]"""
    past = [reading for reading in readings if reading.at_us <= now_us]
    if not past:
        return None
    return past[-1].meter_h + usual_hours(duty, past[-1].at_us / MICRO, now_us / MICRO)


def contradicts(reading: MeterReading, others: Sequence[MeterReading]) -> MeterReading | None:
    """
    The nearest reading that one cannot be true beside; None: it fits.

    Two readings fit where the hours between them are not negative and not more than those of the clock.
    """
    for other in sorted(others, key=lambda o: abs(o.at_us - reading.at_us)):
        first, second = sorted((other, reading), key=lambda r: r.at_us)
        gone_h = worked_h(second) - worked_h(first)
        clock_h = (second.at_us - first.at_us) / MICRO / 3_600
        if not -ALLOWANCE_H <= gone_h <= clock_h + ALLOWANCE_H:
            return other
    return None


def doubt_of(
    reading: MeterReading,
    others: Sequence[MeterReading],
    seen_h: float = 0.0,
    *,
    says_before: bool = False,
) -> MeterDoubt | None:
    """
    What to ask about a reading; None: it fits.

    seen_h : hours that the monitors saw the engine run before it: the machine worked at least so long. [h]
    says_before : a person said what the machine worked before this meter, if only 0 h: so they looked.
    """
    shown = {"meter_h": reading.meter_h}
    if (other := contradicts(reading, others)) is not None:
        shown |= {"other_h": other.meter_h, "other_at_us": other.at_us}
        first, second = sorted((other, reading), key=lambda r: r.at_us)
        if worked_h(second) - worked_h(first) >= 0:
            passed_h = (second.at_us - first.at_us) / MICRO / 3_600
            return MeterDoubt("meter_ahead_of_clock", shown | {"passed_h": passed_h})
        return MeterDoubt("meter_lower" if second is reading else "meter_above_later", shown)
    if worked_h(reading) < seen_h - ALLOWANCE_H:
        return MeterDoubt("meter_below_worked", shown | {"seen_h": seen_h})
    if not others and not says_before and reading.meter_h > MOST_LIKELY_FIRST_H:
        return MeterDoubt("meter_first_high", shown | {"most_h": MOST_LIKELY_FIRST_H})
    return None


def offset_h(
    known: Sequence[MeterReading],
    at_us: int,
    *,
    given_h: float | None,
    old_meter_h: float | None,
    began_h: float | None = None,
) -> float:
    """
    What the machine had worked when the meter that is read now showed 0. [h]

    Below 0 for a used meter that showed more, when it was fitted, than the machine had worked.

    known : in time order. given_h : as a person gave it. old_meter_h : what the meter before showed last,
    after a new one was fitted; None: it is the same meter as at the last reading. began_h : what the new one
    showed when it was fitted, as a used one does; None: 0.
    """
    if given_h is not None:
        return given_h
    before = next((m.offset_h for m in reversed(known) if m.at_us <= at_us), 0.0)
    return before if old_meter_h is None else before + old_meter_h - (began_h or 0.0)


def service_due_s(service_meter_h: float, shown_h: float, duty: Duty, now_s: float) -> float:
    """When the meter likely shows the hours of the service; `now_s` where it shows them already. [s]"""
    return worked_off_s(max(0.0, service_meter_h - shown_h), duty, now_s)
