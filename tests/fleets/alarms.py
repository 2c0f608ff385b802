"""
False alarms of a made fleet, each with what truly went on around it, for whoever mends their causes.

Pure. Leaves to others: what counts as false (`score`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from tests.fleets.observing import Observation
from tests.fleets.score import FalseAlarm, false_alarms
from tests.fleets.truth import DAY_S, Change, Fault, Fleet, Machine, Work

AROUND_H = 60.0  # operating hours either side in which work and faults are named: a week
WET = 0.03  # of the dry level: more moisture is named


def alarm_lines(fleet: Fleet, said: Iterable[Observation]) -> list[str]:
    """A line for each false alarm, by kind and machine."""
    found = sorted(false_alarms(fleet, said), key=lambda alarm: alarm.what)
    return [_line(fleet, alarm) for alarm in found]


def _line(fleet: Fleet, alarm: FalseAlarm) -> str:
    first, last = alarm.said[0], alarm.said[-1]
    days = [f"{(at_s - fleet.start_s) / DAY_S:.1f}" for at_s in (alarm.at_s, first.at_s, last.at_s)]
    codes = sorted({code for one in alarm.said for code in _codes(alarm, one)})
    machine = alarm.machine
    return (
        f"- {alarm.what} {', '.join(codes)}: {fleet.generator} {fleet.seed} {machine.name}, {machine.proxy}, "
        f"day {days[0]}, said on days {days[1]} to {days[2]} ({len(alarm.said)} looks). "
        + "; ".join(around(machine, alarm.at_s))
    )


def what_went_on(alarm: FalseAlarm) -> str:
    """In few words the nearest thing that people did or that failed within `AROUND_H` before an alarm."""
    machine, near = alarm.machine, list[tuple[float, str]]()
    for fault in machine.faults:
        begun_h = -_after_h(machine, fault.begin_s, alarm.at_s)
        ended_h = -_after_h(machine, min(fault.repaired_s, alarm.at_s), alarm.at_s)
        if begun_h >= 0 and ended_h <= AROUND_H:
            near.append((ended_h, f"after the repair: {fault.cause}"))
    for change in machine.changes:
        since_h = -_after_h(machine, change.at_s, alarm.at_s)
        if change.work not in (Work.TORN, Work.MISSING) and 0 <= since_h <= AROUND_H:
            near.append((since_h, f"after work: {change.work}"))
    return min(near, default=(0.0, "nothing but work and weather"))[1]


def _codes(alarm: FalseAlarm, one: Observation) -> Iterable[str]:
    if alarm.what == "suspicion":
        return one.causes
    return {found.kind for found in one.found if abs(found.at_s - alarm.at_s) <= DAY_S}


def around(machine: Machine, at_s: float) -> Iterator[str]:
    """What truly went on, in operating hours from the alarm."""
    evenings = machine.evenings
    day = int(np.clip(np.searchsorted(evenings.at_s, at_s), 0, len(evenings.at_s) - 1))
    yield f"truly {evenings.share_percent[day]:.0f} % used"
    wet = evenings.full_flow_pa[day] / evenings.dry_pa[day] - 1.0
    if wet > WET:
        yield f"moisture adds {100 * wet:.0f} %"
    near = [change for change in machine.changes if abs(_after_h(machine, change.at_s, at_s)) <= AROUND_H]
    yield from (_of_change(machine, change, at_s) for change in near)
    for fault in machine.faults:
        begin_h, end_h = (_after_h(machine, s, at_s) for s in (fault.begin_s, fault.repaired_s))
        if begin_h <= AROUND_H and end_h >= -AROUND_H:
            yield _of_fault(fault, begin_h, end_h)


def _of_change(machine: Machine, change: Change, at_s: float) -> str:
    entered = ", entered" if change.is_entered else ""
    level = f" from {change.before_pa:.0f} to {change.after_pa:.0f} Pa" if change.before_pa > 0 else ""
    return f"{change.work}{level} at {_after_h(machine, change.at_s, at_s):+.0f} h{entered}"


def _of_fault(fault: Fault, begin_h: float, end_h: float) -> str:
    size = "" if np.isnan(fault.size) else f" {fault.size:.2g}"
    return f"{fault.cause}{size} from {begin_h:+.0f} to {end_h:+.0f} h"


def _after_h(machine: Machine, event_s: float, at_s: float) -> float:
    return machine.hours_at(event_s) - machine.hours_at(at_s)
