"""
What goes wrong on the machines of a made fleet, and what it does to the reading of a gauge.

The causes are dealt like cards, so that each comes equally often. When it begins is drawn by slots
of the record. The rates were fixed before anything was scored: enough of each cause to count, at most one at
a time on a machine, and more than half of them at a service.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tests.fleets.truth import DAY_S, Cause, Fault, Floats, LimitEntry, Work
from tests.fleets.upkeep import LEAST_BREAK_S, Kept, Worked, Wrong

#: one card each; a tube off comes twice, because it is counted with and without a measure of flow
CARDS = (
    *(Cause.MISSING, Cause.TORN, Cause.TUBE_OFF, Cause.TUBE_OFF),
    *(Cause.PLUGGED_TAP, Cause.ZERO_LARGE, Cause.ZERO_SMALL, Cause.LIMIT_UNIT),
)
#: the same with more torn and missing elements, of which there are few to count
RICH = (
    *(Cause.MISSING, Cause.TORN, Cause.TORN, Cause.MISSING, Cause.TORN, Cause.TUBE_OFF, Cause.TORN),
    *(Cause.PLUGGED_TAP, Cause.ZERO_LARGE, Cause.ZERO_SMALL),
)
SLOT_DAYS = (
    36.0  # one dealt fault a machine in each: 3 in 110 days, far more than in a shop, so that they count
)
FREE_DAYS = (6.0, 3.0)  # at the begin and end of the record nothing goes wrong
LASTS_DAYS = (3.0, 11.0)  # until somebody repairs it, log-uniform; chosen
LEAST_FAULT_H = 22.0  # operating hours; a fault that nothing can see in time is no fault to count
AT_SERVICE = 0.6  # of the faults of an instrument; "faults at services" of the issue

TORN_RESISTS = (0.1, 0.6)  # share of the medium that still resists
TORN_TELLABLE = 0.8  # below this share of a clean element's level the readings can show it; chosen
SMALL_PA, LARGE_PA = (80.0, 200.0), (300.0, 900.0)  # 1 to 3 %, 5 to 15 % of a limit of 6.2 kPa
LEAK_H = (6.0, 30.0)  # time constant of a tap that is plugged but leaks a little; the other half is shut
OPEN_PA = 4.0  # what the wind does at an open tube
PAIR_EVERY = 4.7  # machines; so that monitors are swapped as often as another cause comes: two in a pair

#: how a limit is entered wrongly: by the unit of the value -> unit that stands there instead
WRONG_UNITS = {"kPa": "inH2O", "inH2O": "kPa", "mbar": "kPa"}
MOST_KPA = 50.0  # the server refuses a higher limit, so that this mistake cannot be made: inH2O then


@dataclass(frozen=True, kw_only=True)
class Slot:
    """A fault that is to come on a machine."""

    cause: Cause
    from_s: float
    until_s: float


def deal(machines: int, days: int, start_s: float, chance: np.random.Generator) -> list[list[Slot]]:
    """The faults of each machine, in time order, one a slot."""
    each = max(1, int(days // SLOT_DAYS))
    hands: list[list[Cause]] = [[] for _ in range(machines)]
    deck: list[Cause] = []
    for place in range(machines * each):
        if not deck:
            deck = list(CARDS)
            chance.shuffle(deck)
        hand = hands[place % machines]
        new = next((card for card in deck if card not in hand), deck[0])
        deck.remove(new)
        hand.append(new)
    width_s = (days - sum(FREE_DAYS)) / each * DAY_S
    first_s = start_s + FREE_DAYS[0] * DAY_S
    return [
        [
            Slot(cause=cause, from_s=first_s + i * width_s, until_s=first_s + (i + 0.55) * width_s)
            for i, cause in enumerate(hand)
        ]
        for hand in hands
    ]


def wrong_services(slots: Sequence[Slot], worked: Worked, chance: np.random.Generator) -> list[Wrong]:
    """The services after which the element is torn or missing, as rows of the machine's work."""
    made = []
    for slot in slots:
        if slot.cause not in (Cause.TORN, Cause.MISSING):
            continue
        row = worked.row_of_break(chance.uniform(slot.from_s, slot.until_s))
        until = repair_row(worked, row, chance)
        resists = chance.uniform(*TORN_RESISTS) if slot.cause is Cause.TORN else 0.0
        if until < worked.end:
            work = Work.TORN if slot.cause is Cause.TORN else Work.MISSING
            made.append(Wrong(row=row, until=until, work=work, resists=resists))
    return made


def repair_row(worked: Worked, row: int, chance: np.random.Generator) -> int:
    """The row after the break in which a fault that began at `row` is repaired."""
    low, high = np.log(LASTS_DAYS)
    wanted_s = worked.at_s[min(row, worked.end - 1)] + np.exp(chance.uniform(low, high)) * DAY_S
    least = int(np.searchsorted(worked.hours, worked.hours[min(row, worked.end - 1)] + LEAST_FAULT_H))
    least_s = worked.at_s[min(least, len(worked.at_s) - 1)]
    return worked.row_of_break(max(float(wanted_s), float(least_s)))


def element_faults(kept: Kept, worked: Worked, wrongs: Sequence[Wrong]) -> list[Fault]:
    """The faults of torn and missing elements."""
    made = []
    for wrong in wrongs:
        change = next(c for c in kept.changes if c.at_s == worked.work_s(wrong.row))
        life = next(life for life in kept.lives if life.start_s == change.at_s)
        is_torn = wrong.work is Work.TORN
        fault = Fault(
            cause=Cause.TORN if is_torn else Cause.MISSING,
            begin_s=change.at_s,
            repaired_s=worked.work_s(wrong.until),
            at_service=True,
            is_tellable=not is_torn or change.after_pa < TORN_TELLABLE * life.clean_pa,
            size=wrong.resists,
        )
        made.append(fault)
    return made


def instrument_faults(
    slots: Sequence[Slot], worked: Worked, kept: Kept, chance: np.random.Generator, *, sees_zero: bool
) -> tuple[list[Fault], list[float]]:
    """
    The faults of tube, tap and zero; and the instants of services at which nothing else was done.

    sees_zero : False where no reading has the engine off, so that no reading shows a moved zero.
    """
    faults, inspected_s = [], []
    for slot in slots:
        if slot.cause in (Cause.TORN, Cause.MISSING, Cause.LIMIT_UNIT):
            continue
        begin_s, at_service, is_inspection = _begins(slot, worked, kept, chance)
        if is_inspection and begin_s < np.inf:
            inspected_s.append(begin_s)
        row = repair_row(worked, int(np.searchsorted(worked.at_s, begin_s)), chance)
        if begin_s == np.inf or row >= worked.end:
            continue
        fault = Fault(
            cause=slot.cause,
            begin_s=begin_s,
            repaired_s=worked.work_s(row),
            at_service=at_service,
            is_tellable=sees_zero or slot.cause not in (Cause.ZERO_SMALL, Cause.ZERO_LARGE),
            size=_size(slot.cause, chance),
        )
        faults.append(fault)
    return faults, inspected_s


def _begins(slot: Slot, worked: Worked, kept: Kept, chance: np.random.Generator) -> tuple[float, bool, bool]:
    """When a fault begins, whether at a service, and whether that is an inspection of its own; inf: never."""
    at_service = bool(chance.random() < AT_SERVICE)
    changes_s = [c.at_s for c in kept.changes if slot.from_s <= c.at_s < slot.until_s]
    wanted_s = float(chance.uniform(slot.from_s, slot.until_s))
    if not at_service:
        return wanted_s, False, False
    if changes_s:
        return float(chance.choice(changes_s)), True, False
    row = worked.row_of_break(wanted_s)
    return worked.work_s(row) if row < worked.end else np.inf, True, True


def _size(cause: Cause, chance: np.random.Generator) -> float:
    if cause is Cause.PLUGGED_TAP:
        return float(chance.uniform(*LEAK_H)) if chance.random() < 0.5 else float("inf")
    if cause in (Cause.ZERO_SMALL, Cause.ZERO_LARGE):
        low, high = SMALL_PA if cause is Cause.ZERO_SMALL else LARGE_PA
        return float(chance.choice([-1.0, 1.0]) * chance.uniform(low, high))
    return float("nan")


def entered_limits(
    slots: Sequence[Slot], value: float, unit: str, start_s: float, chance: np.random.Generator
) -> tuple[list[LimitEntry], list[Fault]]:
    """The limit as people entered it; a slot of `LIMIT_UNIT` has the wrong unit for a while."""
    entries, faults = [LimitEntry(entered_s=start_s, value=value, unit=unit)], []
    for slot in (slot for slot in slots if slot.cause is Cause.LIMIT_UNIT):
        begin_s = float(chance.uniform(slot.from_s, slot.until_s))
        repaired_s = begin_s + float(chance.uniform(4.0, LASTS_DAYS[1])) * DAY_S
        entries += [
            LimitEntry(entered_s=begin_s, value=value, unit=_wrong_unit(value, unit)),
            LimitEntry(entered_s=repaired_s, value=value, unit=unit),
        ]
        faults.append(Fault(cause=Cause.LIMIT_UNIT, begin_s=begin_s, repaired_s=repaired_s, at_service=False))
    return entries, faults


def _wrong_unit(value: float, unit: str) -> str:
    wrong = WRONG_UNITS[unit]
    return "inH2O" if wrong == "kPa" and value > MOST_KPA else wrong


def at_the_gauge(
    true_pa: Floats, at_s: Floats, faults: Sequence[Fault], chance: np.random.Generator
) -> Floats:
    """What comes to the gauge, shape (n,): the true restriction, and what a fault makes of it."""
    shown = true_pa.copy()
    for fault in faults:
        rows = slice(*np.searchsorted(at_s, (fault.begin_s, fault.repaired_s)))
        if fault.cause is Cause.TUBE_OFF:
            shown[rows] = np.abs(chance.normal(0.0, OPEN_PA, rows.stop - rows.start))
        elif fault.cause is Cause.PLUGGED_TAP:
            shown[rows] = _through_a_plug(shown, at_s, rows, fault.size)
        elif fault.cause in (Cause.ZERO_SMALL, Cause.ZERO_LARGE):
            shown[rows] += fault.size
        elif fault.cause is Cause.PORTS_SWAPPED:
            shown[rows] *= -1.0
    return shown


def _through_a_plug(shown: Floats, at_s: Floats, rows: slice, leak_h: float) -> Floats:
    """The pressure behind a plug stays, or follows slowly: a first-order lag, a step a row."""
    is_in_work = rows.start > 0 and at_s[rows.start] - at_s[rows.start - 1] < LEAST_BREAK_S
    behind = shown[max(rows.start - 30, 0) : rows.start].mean() if is_in_work else 0.0
    if np.isinf(leak_h):
        return np.full(rows.stop - rows.start, behind)
    step_h = float(np.median(np.diff(at_s[rows]))) / 3600
    share = 1 - np.exp(-step_h / leak_h)
    followed, _ = lfilter([share], [1, share - 1], shown[rows], zi=[(1 - share) * behind])
    return np.asarray(followed)
