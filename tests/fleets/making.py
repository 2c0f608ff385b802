"""
Makes a fleet: a generator's machines, what people do to them, what fails, and how readings arrive.

A generator is a `Pen`: it draws one machine (`Draft`) with its work, its physics and its gauges. All else is
the same for every pen, so that two pens differ in physics and not in what is counted.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib import import_module
from typing import Protocol
from zlib import crc32

import numpy as np

from tests.fleets import incidents
from tests.fleets.delivery import arrivals, readings_of, with_span_of
from tests.fleets.entering import enter
from tests.fleets.incidents import Slot
from tests.fleets.noting import note_clean
from tests.fleets.truth import (
    DAY_S,
    HOUR_S,
    LOOK_AT_S,
    Bools,
    Cause,
    Change,
    Evenings,
    Fault,
    Fleet,
    Floats,
    IndicatorLook,
    LimitEntry,
    Machine,
    Proxy,
    Readings,
    ReferenceFlow,
    Work,
)
from tests.fleets.upkeep import AFTER_DAYS, Kept, Physics, Upkeep, Worked, dust_of

#: generators that a colleague may tune on, and those that only score
FOR_TUNING, KEPT_OUT = ("plateau", "quarry", "moor", "forest"), ("estuary", "highland")
#: of the option of commands that ask for it
NOTED = "share of the machines at which a new element's restriction was noted when the monitor was fitted"
LEAST_DAYS = 14  # nothing goes wrong in the first six days and the last three
START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z, a Monday
EXCHANGED = 0.25  # of the machines get another sensor of the same make within the record; chosen
EXCHANGED_GAIN, EXCHANGED_ZERO_PA = 0.03, 15.0  # standard deviations; common practice: 1 to 3 % of span
REFERENCE_ENTERED = 0.5  # of the machines on which it could be; chosen
LOOKED = 0.4  # of the changes: somebody writes down what the indicator on the housing showed before; chosen
TRIES = 60  # to find a time for a fault that must not touch others

#: restriction at the gauge [Pa] -> values by quantity, in the units of the draft; shape (n,)
Sense = Callable[[Floats, np.random.Generator], Mapping[str, Floats]]


@dataclass(frozen=True, kw_only=True)
class Draft:
    """A machine as a pen draws it."""

    name: str
    kind: str
    proxy: Proxy
    is_constant_speed: bool
    limit_value: float
    limit_unit: str
    limit_pa: float
    worked: Worked
    physics: Physics
    #: the gauges of its monitors, one or two, each with its own zero and noise
    gauges: tuple[Sense, ...]
    #: what else is sent with each reading of the record
    bus: Mapping[str, Floats]
    units: Mapping[str, str]
    #: what full flow is in a quantity that is sent; None: none follows it
    rated: ReferenceFlow | None = None
    has_pressure_pair: bool = False
    #: False: no reading with the engine off is ever sent, so that no zero can be seen
    has_rest: bool = True
    #: of those that are dealt to it; 0: its monitor is never swapped and its sensor never exchanged either.
    #: None: all
    most_faults: int | None = None
    #: True: people enter each change on the day, and no entry of another machine lands here
    is_all_entered: bool = False
    notes: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Span:
    """The record, and the time after it for which work is made too."""

    start_s: float
    days: int
    interval_s: float

    @property
    def end_s(self) -> float:
        """The end of the record."""
        return self.start_s + self.days * DAY_S

    @property
    def all_days(self) -> int:
        """Days of the record and after."""
        return self.days + AFTER_DAYS


class Pen(Protocol):
    """A generator of machines. Its weather and its dust days follow from its seed alone."""

    name: str
    seed: int

    def draft(self, number: int, of: int, span: Span, chance: np.random.Generator) -> Draft:
        """The machine of a number, of so many."""


def pen_of(generator: str, seed: int) -> Pen:
    """The pen of a generator: the class `Generator` of the file with its name in this folder."""
    made: Pen = import_module(f"tests.fleets.{generator}").Generator(seed)
    return made


def make_fleet(
    generator: str,
    *,
    machines: int,
    days: int,
    seed: int,
    interval_s: float = 60.0,
    noted: float = 0.0,
) -> Fleet:
    """
    A fleet. The same arguments make the same fleet.

    interval_s : between readings while the key is on. noted : share of the machines at which a new element's
    restriction was noted; all else is the same with any share. Raises ValueError below `LEAST_DAYS`.
    """
    if days < LEAST_DAYS:
        raise ValueError(f"{days} days leave no time for a fault; ask for at least {LEAST_DAYS}")
    pen = pen_of(generator, seed)
    span = Span(start_s=START_S, days=days, interval_s=interval_s)
    chances = [np.random.default_rng([seed, crc32(pen.name.encode()), i]) for i in range(machines + 1)]
    hands = incidents.deal(machines, days, span.start_s, chances[-1])
    made = [
        _live(pen.draft(i, machines, span, chances[i]), hands[i], span, chances[i]) for i in range(machines)
    ]
    _swap_monitors(made, span, chances[-1])
    for i, living in enumerate(made):
        _write_papers(living, np.random.default_rng([seed, crc32(pen.name.encode()), i, 1]))
    careful = frozenset(living.draft.name for living in made if living.draft.is_all_entered)
    entered = enter([living.machine() for living in made], chances[-1], careful=careful)
    if noted > 0.0:
        seeds = [(seed, crc32(pen.name.encode()), i, 2) for i in range(machines)]
        entered = note_clean(entered, [living.draft.physics for living in made], noted, seeds)
    return Fleet(
        generator=pen.name,
        seed=seed,
        start_s=span.start_s,
        days=days,
        interval_s=interval_s,
        machines=tuple(entered),
    )


@dataclass(kw_only=True)
class _Living:
    """A machine while its fleet is made."""

    draft: Draft
    kept: Kept
    changes: list[Change]
    faults: list[Fault]
    limits: list[LimitEntry]
    readings: list[Readings]
    evenings: Evenings
    reference: ReferenceFlow | None = None
    looks: list[IndicatorLook] = field(default_factory=list)

    def machine(self) -> Machine:
        """The machine as it is scored; entries come later."""
        draft = self.draft
        return Machine(
            name=draft.name,
            kind=draft.kind,
            proxy=draft.proxy,
            is_constant_speed=draft.is_constant_speed,
            limit_pa=draft.limit_pa,
            limits=tuple(self.limits),
            readings=tuple(self.readings),
            changes=tuple(sorted(self.changes, key=lambda change: change.at_s)),
            lives=tuple(self.kept.lives),
            faults=tuple(sorted(self.faults, key=lambda fault: fault.begin_s)),
            entries=(),
            reference=self.reference,
            looks=tuple(self.looks),
            evenings=self.evenings,
            notes=draft.notes,
        )

    def is_free(self, from_s: float, until_s: float) -> bool:
        """True where nothing is wrong within two days of a span."""
        return all(f.repaired_s + 2 * DAY_S < from_s or f.begin_s - 2 * DAY_S > until_s for f in self.faults)


def _live(draft: Draft, slots: Sequence[Slot], span: Span, chance: np.random.Generator) -> _Living:
    worked = draft.worked
    slots = _fewer(slots, draft.most_faults, chance)
    wrongs = incidents.wrong_services(slots, worked, chance)
    upkeep = Upkeep(worked=worked, physics=draft.physics, limit_pa=draft.limit_pa, chance=chance)
    kept = upkeep.run(wrongs)
    faults, inspected_s = incidents.instrument_faults(slots, worked, kept, chance, sees_zero=draft.has_rest)
    faults += incidents.element_faults(kept, worked, wrongs)
    received_s = arrivals(worked.at_s[: worked.end], span.end_s, chance)
    limits, wrong_limits = incidents.entered_limits(
        slots, draft.limit_value, draft.limit_unit, span.start_s, chance
    )
    living = _Living(
        draft=draft,
        kept=kept,
        changes=[*kept.changes, *(_put_back(at_s) for at_s in inspected_s)],
        faults=[*faults, *wrong_limits],
        limits=limits,
        readings=[],
        evenings=_evenings(
            draft, kept, span, received_s := arrivals(worked.at_s[: worked.end], span.end_s, chance)
        ),
    )
    if draft.has_pressure_pair and draft.most_faults is None:
        _swap_ports(living, span, chance)
    _send(living, received_s, chance)
    return living


def _fewer(slots: Sequence[Slot], most: int | None, chance: np.random.Generator) -> Sequence[Slot]:
    """So many of the faults that were dealt, any of them, in time order. most : None for all."""
    if most is None or len(slots) <= most:
        return slots
    return [slots[i] for i in sorted(chance.choice(len(slots), most, replace=False))]


def _put_back(at_s: float) -> Change:
    """An element that was taken out, looked at and put back: no level changes."""
    nan = float("nan")
    return Change(at_s=at_s, work=Work.PUT_BACK, before_pa=nan, after_pa=nan, recovered=0.0, share_before=nan)


def _swap_ports(living: _Living, span: Span, chance: np.random.Generator) -> None:
    """The tubes of ambient and intake pressure are put on each other's port, where there is time for it."""
    worked = living.draft.worked
    for _ in range(TRIES):
        row = worked.row_of_break(span.start_s + chance.uniform(0.1, 0.85) * span.days * DAY_S)
        until = incidents.repair_row(worked, row, chance)
        if until < worked.end and living.is_free(worked.work_s(row), worked.work_s(until)):
            living.faults.append(
                Fault(
                    cause=Cause.PORTS_SWAPPED,
                    begin_s=worked.work_s(row),
                    repaired_s=worked.work_s(until),
                    at_service=True,
                )
            )
            return


def _send(living: _Living, received_s: Floats, chance: np.random.Generator) -> None:
    """What the monitors send. The second shares housing and bus; faults hit the first."""
    draft = living.draft
    rows = slice(0, draft.worked.end)
    at_s = draft.worked.at_s[rows]
    scale = _exchanged_sensor(living, chance)
    for place, sense in enumerate(draft.gauges, start=1):
        shown_pa = living.kept.true_pa
        if place == 1:
            shown_pa = incidents.at_the_gauge(shown_pa, at_s, living.faults, chance) * scale[0] + scale[1]
        values = {**sense(shown_pa, chance), **draft.bus}
        living.readings.append(
            readings_of(
                f"{draft.name}-{place}", at_s, values, draft.units, received_s=received_s, chance=chance
            )
        )


def _write_papers(living: _Living, chance: np.random.Generator) -> None:
    """What people know and enter beside changes: the reference flow, and the indicator at a change."""
    if chance.random() < REFERENCE_ENTERED:
        living.reference = living.draft.rated
    for life in living.kept.lives:
        if life.end_s < np.inf and chance.random() < LOOKED:
            look = IndicatorLook(
                entered_s=life.end_s + chance.uniform(1.0, 8.0) * HOUR_S,
                at_s=life.end_s - 60.0,
                is_latched=life.latch_s < life.end_s,
                entry_id=f"{living.draft.name}-look-{int(life.end_s)}",
            )
            living.looks.append(look)


def _exchanged_sensor(living: _Living, chance: np.random.Generator) -> tuple[Floats, Floats]:
    """Factor and step of the first monitor's sensor, which is exchanged at a service or not."""
    worked = living.draft.worked
    gain, zero_pa = np.ones(worked.end), np.zeros(worked.end)
    is_exchanged, when = chance.random(2)
    row = worked.row_of_break(worked.at_s[0] + when * (worked.at_s[worked.end - 1] - worked.at_s[0]))
    if is_exchanged < EXCHANGED and row < worked.end and living.draft.most_faults != 0:
        gain[row:] = 1 + chance.normal(0, EXCHANGED_GAIN)
        zero_pa[row:] = chance.normal(0, EXCHANGED_ZERO_PA)
        living.changes.append(replace(_put_back(worked.work_s(row)), work=Work.SENSOR_EXCHANGED))
    return gain, zero_pa


def _evenings(draft: Draft, kept: Kept, span: Span, received_s: Floats) -> Evenings:
    """The truth on each evening of the record."""
    worked, physics = draft.worked, draft.physics
    at_s = span.start_s + np.arange(span.days, dtype=np.float64) * DAY_S + LOOK_AT_S
    row = np.maximum(np.searchsorted(worked.at_s[: worked.end], at_s) - 1, 0)
    seen = np.searchsorted(received_s, at_s, side="right") - 1
    levels = np.full((8, span.days), np.nan)
    place = np.searchsorted(kept.rows, row, side="right") - 1
    for number, (element, life) in enumerate(zip(kept.elements, kept.lives, strict=True)):
        here: Bools = place == number
        dust = dust_of(worked, element, kept.rows[number], row[here])
        full_pa, dry_pa = physics.full_pa(element, dust, row[here]), physics.dry_pa(element, dust)
        share = 100 * (full_pa - life.clean_pa) / (draft.limit_pa - life.clean_pa)
        left = (
            np.maximum(end - now, 0.0) if life.is_sound else np.full(here.sum(), np.nan)
            for end, now in (
                (life.limit_h, worked.hours[row[here]]),
                (life.limit_s / DAY_S, at_s[here] / DAY_S),
                (life.latch_h, worked.hours[row[here]]),
                (life.latch_s / DAY_S, at_s[here] / DAY_S),
            )
        )
        levels[:7, here] = np.vstack([full_pa, dry_pa, share, *left])
    return Evenings(
        at_s=at_s,
        worked_h=worked.hours[row],
        seen_h=np.where(seen >= 0, worked.hours[np.maximum(seen, 0)], 0.0),
        seen_s=np.where(seen >= 0, worked.at_s[np.maximum(seen, 0)], np.nan),
        full_flow_pa=levels[0],
        dry_pa=levels[1],
        share_percent=levels[2],
        hours_left=levels[3],
        days_left=levels[4],
        latch_hours_left=levels[5],
        latch_days_left=levels[6],
    )


# ---------------------------------------------------------------- monitors that change places


def _swap_monitors(living: Sequence[_Living], span: Span, chance: np.random.Generator) -> None:
    """Two machines are washed, and each monitor comes back onto the other machine."""
    faulty = [one for one in living if one.draft.most_faults is None]
    alone = [one for one in faulty if len(one.draft.gauges) == 1]
    for _ in range(int(len(faulty) / incidents.PAIR_EVERY)):
        for _ in range(TRIES):
            first, second = (alone[i] for i in chance.choice(len(alone), 2, replace=False))
            from_s = span.start_s + chance.uniform(0.08, 0.85) * span.days * DAY_S
            until_s = from_s + chance.uniform(4.0, 9.0) * DAY_S
            is_free = all(one.is_free(from_s, until_s) for one in (first, second))
            if until_s < span.end_s and is_free and _in_one_unit(first, second):
                _swap(first, second, from_s, until_s)
                break


def _in_one_unit(first: _Living, second: _Living) -> bool:
    """True where what both send has one unit: a stream keeps its units."""
    ones, others = first.readings[0].units, second.readings[0].units
    return all(ones[name] == others[name] for name in ones.keys() & others.keys())


def _swap(first: _Living, second: _Living, from_s: float, until_s: float) -> None:
    """The readings of a span change places. Hours of the engine or other quantities can show it."""
    ones, others = first.readings[0], second.readings[0]
    is_tellable = ones.values.keys() != others.values.keys() or "engine_hours" in ones.values
    for living in (first, second):
        fault = Fault(
            cause=Cause.SWAPPED, begin_s=from_s, repaired_s=until_s, at_service=True, is_tellable=is_tellable
        )
        living.faults.append(fault)
    first.readings[0] = with_span_of(ones, others, from_s, until_s)
    second.readings[0] = with_span_of(others, ones, from_s, until_s)
