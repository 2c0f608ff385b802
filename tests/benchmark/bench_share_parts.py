"""
Where the error of the share used comes from: true parts put in one at a time, on the fleets for tuning.

    python -m tests.benchmark.bench_share_parts [--generators A,B] [--machines N] [--seeds 3,4,5]
                                            [--every-days N] [--noted SHARE]

For each flow proxy, generator, and whether full flow is known: the median error of the share used above 70 %,
in points, as it is; with the true full flow and exponent (plateau alone), clean level and level in its place;
with nothing wrong but what the machine's own full flow differs from that of the others; and how often the
true level lies within the 80 % interval of the error that all levels share.
"Own full flow" is a bound: level and clean level are the true ones on each evening, times what this machine's
levels are off by in the middle, over the median of the same of all machines of its generator and proxy. A
fleet that knows its middle perfectly leaves that much, while no reading shows more of the machine itself.
No server: the analysis alone looks at what has arrived, every few days.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from zlib import crc32

import numpy as np

from cleanside.gateway.units import to_si
from cleanside.ingest.restriction import (
    FleetKnowledge,
    HousingFacts,
    Labelled,
    Readings,
    Summaries,
    collect_shortfalls,
    housing_teaches,
    learn_fleet,
    summarise_hours,
)
from cleanside.ingest.restriction.elements.entries import Entry
from cleanside.ingest.restriction.measure.devices import carry_on
from cleanside.ingest.restriction.measure.reference import Reference, at_reference_flow
from cleanside.ingest.restriction.measure.summary import STANDARD_K, STANDARD_PA
from cleanside.ingest.restriction.measure.zero import learn_zero
from cleanside.ingest.restriction.verdict.element_history import tell_history
from cleanside.ingest.restriction.verdict.measured_hours import MeasuredHours, measure_hours
from cleanside.ingest.restriction.verdict.suspect import hour_doubts
from tests.fleets.making import FOR_TUNING, NOTED, START_S, Draft, Span, make_fleet, pen_of
from tests.fleets.score import DAY_H, HIGH_SHARE
from tests.fleets.truth import HOUR_S, Fleet, Machine, Proxy
from tests.fleets.truth import Readings as Sent

WITH_PHYSICS = "plateau"  # the parts of its full flow and exponent are known
FIRST_DAY = 9
NEAR_LIMIT = 0.1  # of the limit; units differ by more
Z80 = 1.2816  # 80 % of a normal distribution lie within so many standard deviations
PARTS = ("as it is", "full flow", "exponent", "clean level", "level", "own full flow")
#: quantity as sent -> column of `Readings`
COLUMNS = {
    "restriction": "restriction_pa",
    "ambient_pressure": "ambient_pressure_pa",
    "intake_pressure": "intake_pressure_pa",
    "boost_pressure": "boost_pressure_pa",
    "engine_speed": "engine_speed_rad_s",
    "engine_load": "engine_load_ratio",
    "air_mass_flow": "air_mass_flow_kg_s",
    "air_temperature": "air_temperature_k",
    "intake_temperature": "intake_temperature_k",
    "supply_voltage": "supply_voltage_v",
}
KINDS = {"engine_speed": "engine_speed", "air_mass_flow": "air_mass_flow"}


@dataclass(frozen=True, kw_only=True)
class Seen:
    """One evening of one machine: error of the share by part [points], and whether the interval holds."""

    generator: str
    proxy: Proxy
    machine: str
    knows: bool  # full flow was entered, or the load says it
    errors: dict[str, float]
    holds: bool
    ln_off: float  # level before the fleet raises it, over the true one
    true_pa: tuple[float, float, float]  # level, clean level and limit


@dataclass(frozen=True)
class Known:
    """A machine with its physics and all its hours."""

    machine: Machine
    draft: Draft
    table: Summaries

    def facts(self, at_s: float, fleet: FleetKnowledge) -> HousingFacts:
        machine, flow = self.machine, self.machine.reference
        limit = [limit for limit in machine.limits if limit.entered_s <= at_s][-1]
        entered = [entry for entry in machine.entries if entry.entered_s <= at_s]
        return HousingFacts(
            terminal_pa=to_si(limit.value, limit.unit, "restriction"),
            terminal_entered=(limit.value, limit.unit),
            entries=tuple(Entry(at_s=e.changed_s, what=e.what, name=e.entry_id) for e in entered),
            fleet=fleet,
            machine=machine.name,
            kind=machine.kind,
            reference_flow=None if flow is None else to_si(flow.value, flow.unit, flow.quantity),
            reference_kind=None if flow is None else KINDS[flow.quantity],
            clean_noted_pa=None if machine.clean_note is None else machine.clean_note.value_pa,
        )

    def arrived(self, seen_s: float) -> Summaries:
        """The whole hours that have arrived."""
        count = int(np.searchsorted(self.table.hours["hour_s"], seen_s - HOUR_S))
        bins = self.table.bins[: self.table.bin_starts[count]]
        return Summaries(
            self.table.hours[:count], bins, self.table.bin_count[:count], self.table.parts[:count]
        )

    def full_flow(self) -> float | None:
        """In the unit of the proxy, from the physics; None: no proxy."""
        rated, proxy = self.draft.rated, self.machine.proxy
        if rated is None:
            return None
        if proxy is not Proxy.BOOST:
            return to_si(rated.value, rated.unit, rated.quantity)
        bus, flow = self.draft.bus, self.draft.physics.flow[: self.draft.worked.end]  # type: ignore[attr-defined]
        ambient_pa = 89_000.0 if self.draft.has_pressure_pair else STANDARD_PA
        manifold = (ambient_pa + 1000.0 * bus["boost_pressure"]) / STANDARD_PA
        kelvin = bus["intake_temperature"] + 273.15
        proxy_flow = bus["engine_speed"] * 2 * np.pi / 60 * manifold * STANDARD_K / kelvin
        return float(np.median((proxy_flow / flow)[flow > 0.6]))

    def exponent(self, dry_pa: float) -> float:
        """Of restriction to flow at full flow: ducts with the square, the medium by the pen's power."""
        duct_pa = self.draft.physics.duct_pa  # type: ignore[attr-defined]
        return float((2.0 * duct_pa + 1.1 * (dry_pa - duct_pa)) / dry_pa)


def known_machines(fleet: Fleet) -> list[Known]:
    """Its machines; drafts are drawn again, which the same numbers make the same."""
    pen = pen_of(fleet.generator, fleet.seed)
    span = Span(start_s=START_S, days=fleet.days, interval_s=fleet.interval_s)
    made = []
    for number, machine in enumerate(fleet.machines):
        chance = np.random.default_rng([fleet.seed, crc32(fleet.generator.encode()), number])
        draft = pen.draft(number, len(fleet.machines), span, chance)
        made.append(Known(machine, draft, summarise_hours(readings_of(machine))))
    return made


def readings_of(machine: Machine) -> Readings:
    """All that its monitors sent, in SI units."""
    given = sorted({name for sent in machine.readings for name in sent.values if name in COLUMNS})
    columns = {
        COLUMNS[name]: np.concatenate([_si(sent, name) for sent in machine.readings]) for name in given
    }
    at_s = np.concatenate([sent.at_s for sent in machine.readings])
    number = [np.full(len(sent.at_s), float(i)) for i, sent in enumerate(machine.readings)]
    return Readings(at_s=at_s, device=np.concatenate(number), **columns)


def _si(sent: Sent, name: str) -> np.ndarray:
    values, units, at_s = sent.values, sent.units, sent.at_s
    if name not in values:
        return np.full(len(at_s), np.nan)
    zero = to_si(0.0, units[name], name)
    return np.asarray(zero + (to_si(1.0, units[name], name) - zero) * values[name])


def look(fleet: Fleet, every_days: int) -> Iterator[Seen]:
    """Every few evenings each machine, and then what they teach each other."""
    knowledge, machines = FleetKnowledge(), known_machines(fleet)
    for day in range(FIRST_DAY, fleet.days, every_days):
        lives, taught = [], []
        for known in machines:
            evenings = known.machine.evenings
            if np.isnan(evenings.seen_s[day]):
                continue
            table, facts = known.arrived(evenings.seen_s[day]), known.facts(evenings.at_s[day], knowledge)
            lives += housing_teaches(table, facts).lives
            taught.append(
                Labelled(facts.machine, facts.kind, table, facts.reference_flow, facts.reference_kind)
            )
            if _counts(known.machine, day) and _is_right(facts, known.machine):
                yield from _seen(fleet.generator, known, table, facts, day)
        knowledge = learn_fleet(lives, shortfalls=collect_shortfalls(taught))


def _is_right(facts: HousingFacts, machine: Machine) -> bool:
    """The limit was entered in its unit."""
    return facts.terminal_pa is not None and abs(facts.terminal_pa / machine.limit_pa - 1.0) < NEAR_LIMIT


def _counts(machine: Machine, day: int) -> bool:
    """As the score of fleets has it: above 70 %, sound, nothing wrong lately, and nearly all has arrived."""
    evenings = machine.evenings
    at_s, unseen_h = evenings.at_s[day], evenings.worked_h[day] - evenings.seen_h[day]
    lately = any(f.begin_s <= at_s < f.repaired_s + 2 * DAY_H * HOUR_S for f in machine.faults)
    is_high = evenings.share_percent[day] >= HIGH_SHARE and not np.isnan(evenings.latch_days_left[day])
    return bool(is_high and unseen_h <= DAY_H and not lately)


def _seen(generator: str, known: Known, table: Summaries, facts: HousingFacts, day: int) -> Iterator[Seen]:
    evenings, limit_pa = known.machine.evenings, facts.terminal_pa or np.nan
    level_pa, share = float(evenings.full_flow_pa[day]), float(evenings.share_percent[day])
    measured = measure_hours(table, facts)
    found = _level_and_clean(measured, facts)
    if found is None:
        return
    dry_pa = float(evenings.dry_pa[day])
    full_flow = known.full_flow() if generator == WITH_PHYSICS else None
    true_clean_pa = _true_clean_pa(known.machine, evenings.at_s[day])
    others: dict[str, Callable[[Reference], Reference]] = {}
    if full_flow is not None:
        others["full flow"] = lambda r: replace(r, reference_flow=full_flow)
        others["exponent"] = lambda r: replace(r, exponent=known.exponent(dry_pa))
    pairs = {"as it is": found, "level": (level_pa, found[1])}
    pairs["clean level"] = (found[0], true_clean_pa)
    for name, moved in others.items():
        if (pair := _level_and_clean(_again(measured, facts, moved), facts)) is not None:
            pairs[name] = pair
    errors = {n: 100 * (now - clean) / (limit_pa - clean) - share for n, (now, clean) in pairs.items()}
    off, reference = float(np.log(found[0] / level_pa)), measured.reference
    yield Seen(
        generator=generator,
        proxy=known.machine.proxy,
        machine=known.machine.name,
        knows=reference.full_flow_known,
        errors=errors,
        holds=bool(abs(off) <= Z80 * reference.level_spread),
        ln_off=off - float(np.log(reference.raised)),
        true_pa=(level_pa, true_clean_pa, limit_pa),
    )


def _true_clean_pa(machine: Machine, at_s: float) -> float:
    begun = [life for life in machine.lives if life.start_s <= at_s]
    return begun[-1].clean_pa


def _again(
    measured: MeasuredHours, facts: HousingFacts, moved: Callable[[Reference], Reference]
) -> MeasuredHours:
    """The same hours by another reference."""
    reference, carried = moved(measured.reference), carry_on(measured.table)
    zero = learn_zero(measured.table)
    return replace(
        measured,
        reference=reference,
        series=at_reference_flow(measured.table, reference),
        doubts=hour_doubts(carried, reference, zero, facts.fleet.sent.spans(measured.table, facts.machine)),
    )


def _level_and_clean(measured: MeasuredHours, facts: HousingFacts) -> tuple[float, float] | None:
    history = tell_history(measured, facts)
    if not len(history.level_pa) or history.clean_pa is None:
        return None
    return float(history.level_pa[-1]), history.clean_pa


def with_bound(seen: Sequence[Seen]) -> list[Seen]:
    """The same, with what is left where only the own full flow of each machine is not known."""
    groups: dict[tuple[str, Proxy, bool], dict[str, list[Seen]]] = {}
    for one in seen:
        group = groups.setdefault((one.generator, one.proxy, one.knows), {})
        group.setdefault(one.machine, []).append(one)
    return [one for group in groups.values() for one in _with_bound(group)]


def _with_bound(group: Mapping[str, Sequence[Seen]]) -> Iterator[Seen]:
    """Of machines whose full flow is known in the same way: each beside the middle of them all."""
    middle = {machine: float(np.median([s.ln_off for s in mine])) for machine, mine in group.items()}
    of_all = float(np.median(list(middle.values())))
    for machine, mine in group.items():
        for one in mine:
            if len(group) == 1:
                yield one
                continue
            level_pa, clean_pa, limit_pa = one.true_pa
            own_pa = level_pa * (np.exp(middle[machine] - of_all) - 1.0)
            error = 100 * float(own_pa) / (limit_pa - clean_pa)
            yield replace(one, errors={**one.errors, "own full flow": error})


def lines(seen: Sequence[Seen]) -> list[str]:
    """The table as Markdown: each proxy, and beneath it its generators and whether full flow is known."""
    head = [f"| flow proxy | evenings, machines | {' | '.join(PARTS)} | 80 % interval holds |"]
    rows = [row for proxy in Proxy for row in _of_proxy(proxy, [s for s in seen if s.proxy is proxy])]
    return [*head, "| --- |" + " --- |" * (len(PARTS) + 2), *rows]


def _of_proxy(proxy: Proxy, seen: Sequence[Seen]) -> list[str]:
    parts: dict[str, list[Seen]] = {str(proxy): list(seen)}
    for name in sorted({s.generator for s in seen}):
        parts[f"{proxy}, {name}"] = [s for s in seen if s.generator == name]
    for knows, words in ((True, "full flow known"), (False, "not known")):
        parts[f"{proxy}, {words}"] = [s for s in seen if s.knows is knows]
    return [_line(name, some) for name, some in parts.items() if some]


def _line(name: str, seen: Sequence[Seen]) -> str:
    cells = [_cell([s.errors[part] for s in seen if part in s.errors]) for part in PARTS]
    machines, holds = len({s.machine for s in seen}), np.mean([s.holds for s in seen])
    return f"| {name} | {len(seen)}, {machines} | {' | '.join(cells)} | {holds:.2f} |"


def _cell(errors: Sequence[float]) -> str:
    return f"{np.median(np.abs(errors)):.1f} ({np.median(errors):+.1f})" if errors else ""


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="parts of the error of the share used")
    parser.add_argument("--generators", default=WITH_PHYSICS, help=f"of {', '.join(FOR_TUNING)}")
    parser.add_argument("--machines", type=int, default=14)
    parser.add_argument("--days", type=int, default=110)
    parser.add_argument("--seeds", default="3,4,5")
    parser.add_argument("--every-days", type=int, default=4)
    parser.add_argument("--noted", type=float, default=0.0, help=NOTED)
    given = parser.parse_args(words)
    generators = given.generators.split(",")
    if not set(generators) <= set(FOR_TUNING):
        parser.error(f"--generators {given.generators}: choose of {', '.join(FOR_TUNING)}")
    size = {"machines": given.machines, "days": given.days}
    seen: list[Seen] = []
    for generator, seed in product(generators, given.seeds.split(",")):
        fleet = make_fleet(generator, **size, noted=given.noted, seed=int(seed))
        seen += [replace(s, machine=f"{seed} {s.machine}") for s in look(fleet, given.every_days)]
    print("\n".join(lines(with_bound(seen))))
    return 0


if __name__ == "__main__":
    sys.exit(main())
