"""
The hour meter between two looks at it, and the scheduled service that hangs on it.

Promises: pure. What the meter shows now is the last reading and the hours that the machine usually works
since, by its own duty; it never runs faster than the clock.
Leaves to others: duty (`restriction.forecast.duty`), who read it.
"""

from __future__ import annotations

from collections.abc import Sequence

from cleanside.ingest.restriction.forecast.duty import Duty, usual_hours, worked_off_s
from cleanside.ingest.store.papers import MeterReading

MICRO = 1_000_000
#: a meter and a clock are read by a person: so much may be between them [h] (chosen)
ALLOWANCE_H = 2.0


def worked_h(reading: MeterReading) -> float:
    """Hours that the machine has worked in all by a reading: this meter's and those before it. [h]"""
    return reading.meter_h + reading.offset_h


def meter_now_h(readings: Sequence[MeterReading], duty: Duty, now_us: int) -> float | None:
    """What the meter likely shows now. readings : in time order. None: nobody has read it. [h]"""
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


def service_due_s(service_meter_h: float, shown_h: float, duty: Duty, now_s: float) -> float:
    """When the meter likely shows the hours of the service; `now_s` where it shows them already. [s]"""
    return worked_off_s(max(0.0, service_meter_h - shown_h), duty, now_s)
