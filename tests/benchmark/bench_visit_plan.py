"""
The plan of visits beside three ways without it, on simulated fleets: cost, trips, stops, elements, days over
the limit. Every figure is a mean over seeds with a 95 % interval; differences are of the same seeds.

    python -m tests.benchmark.bench_visit_plan [--seeds N] [--first-seed N] [--machines N] [--days N]
        [--timing N]

Seeds 1 to 3 were looked at while the model of costs was made; figures are of others.

Ways: `limit` changes an element when it has reached its limit; `hours` after a fixed number of operating
hours; `service` at a scheduled service where enough of the life is used. Hours and share are the ones that
are cheapest in hindsight, on the same seeds, so both are better than they can be in the field. All three
change at the limit too. `plan` is made every working morning, with the day before's as planned days.
Generators and the forecast: `tests/support/visit_fleets.py`. Elements that are left in the machines at the
end count for what is left of them. The plan knows the days of services. Sites with ways: the prices of
PRICES; yard: all machines at the shop, stops cheap.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import date
from functools import partial

import numpy as np
from scipy import stats

from cleanside.ingest.planning.day_costs import DueDays, Wear
from cleanside.ingest.planning.visit_plan import make_visit_plan
from cleanside.ingest.planning.visit_problem import (
    NOTICE_DAYS,
    ElementAhead,
    PartSupply,
    SiteTrip,
    VisitProblem,
    VisitTerms,
)
from tests.support.visit_fleets import MONDAY_S, Machine, bursts, plateau

MONDAY = date.fromtimestamp(MONDAY_S)  # noqa: DTZ012  # a label: days are counted, not placed
HORIZON = 42
BREAK_DAY = 40
GENERATORS: dict[str, Callable[[int, int, int], list[Machine]]] = {"plateau": plateau, "bursts": bursts}
FIXED_HOURS = (150.0, 250.0, 350.0, 500.0, 700.0)
SERVICE_SHARES = (0.3, 0.5, 0.7)


@dataclass(frozen=True, kw_only=True)
class Costs:
    """Prices in EUR, of about the size of a small shop's; chosen."""

    element: float = 150.0
    stop: float = 60.0
    trip: float = 72.0  # 90 km at 0.80
    over_day: float = 30.0
    fuel_at_limit: float = 0.4  # an operating hour
    move: float = 10.0


PRICES = {"sites": Costs(), "yard": Costs(stop=10.0, trip=0.0)}


@dataclass(kw_only=True)
class Tally:
    """What happened to a fleet."""

    elements: float = 0.0
    stops: int = 0
    trips: int = 0
    over_days: int = 0
    fuel: float = 0.0
    moved: float = 0.0
    cost: float = field(default=0.0)


#: machines of a morning -> names to change today
Way = Callable[[Sequence[Machine], int], set[str]]


def run(machines: list[Machine], days: int, way: Way, costs: Costs) -> Tally:
    """Live through the days. Returns what it took, for each machine and year."""
    tally = Tally(elements=sum(1.0 - min(1.0, m.used) for m in machines))
    services = {m.name: set(m.service_days()) for m in machines}
    for day in range(days):
        chosen = way(machines, day) if day % 7 < 5 else set()
        at_sites = {m.site for m in machines if m.name in chosen}
        tally.trips += sum(
            not any(day in services[m.name] for m in machines if m.site == site) for site in at_sites
        )
        for machine in machines:
            if machine.name in chosen:
                tally.stops += day not in services[machine.name]
                tally.elements += 1
                machine.renew()
            tally.over_days += bool(machine.used >= 1.0 and machine.hours[day] > 0)
            share = min(1.0, machine.used) ** machine.power
            tally.fuel += costs.fuel_at_limit * share * float(machine.hours[day])
            machine.work(day)
    tally.elements -= sum(1.0 - min(1.0, m.used) for m in machines)
    return _by_machine_year(tally, len(machines) * days / 365, costs)


def _by_machine_year(tally: Tally, years: float, costs: Costs) -> Tally:
    cost = (
        tally.elements * costs.element
        + tally.stops * costs.stop
        + tally.trips * costs.trip
        + tally.over_days * costs.over_day
        + tally.fuel
    )
    values = {f.name: getattr(tally, f.name) / years for f in fields(Tally)}
    return replace(tally, **(values | {"cost": cost / years}))


# ---------------------------------------------------------------- ways


def at_limit(machines: Sequence[Machine], _: int) -> set[str]:
    return {m.name for m in machines if m.used >= 1.0}


def at_hours(hours: float, _: Sequence[Machine]) -> Way:
    return lambda machines, _: {m.name for m in machines if m.life_h >= hours or m.used >= 1.0}


def at_service(share: float, machines: Sequence[Machine]) -> Way:
    services = {m.name: set(m.service_days()) for m in machines}
    return lambda every, day: {
        m.name for m in every if m.used >= 1.0 or (m.used >= share and day in services[m.name])
    }


class Planned:
    """A plan made every working morning."""

    def __init__(self, machines: Sequence[Machine], costs: Costs) -> None:
        self._costs = costs
        self._services = {m.name: m.service_days() for m in machines}
        self._planned: dict[str, int] = {}
        self.moved = 0  # visits of the coming week that went to another day

    def __call__(self, machines: Sequence[Machine], day: int) -> set[str]:
        plan = make_visit_plan(self._problem(machines, day))
        days = {visit.element.machine: day + visit.day for visit in plan.visits}
        near = {name: on for name, on in self._planned.items() if on < day + NOTICE_DAYS}
        self.moved += sum(days.get(name, -1) != on for name, on in near.items())
        self._planned = {name: on for name, on in days.items() if on > day}
        return {name for name, on in days.items() if on == day}

    def _problem(self, machines: Sequence[Machine], day: int) -> VisitProblem:
        costs = self._costs
        works = [(day + n) % 7 < 5 for n in range(HORIZON)]
        return VisitProblem(
            first_on=MONDAY,
            terms=VisitTerms(
                stop_price=costs.stop,
                over_price=costs.over_day,
                move_price=costs.move,
                chance_allowed=0.1,
                change_hours=1.0,
            ),
            capacity_h=tuple(16.0 if is_working else 0.0 for is_working in works),
            elements=tuple(self._element(machine, day) for machine in machines),
            trips=tuple(
                SiteTrip(site=site, price=costs.trip, hours=1.5, km=90.0)
                for site in sorted({m.site for m in machines})
            ),
        )

    def _element(self, machine: Machine, day: int) -> ElementAhead:
        services = frozenset(on - day for on in self._services[machine.name] if on >= day)
        share = min(1.0, machine.used) ** machine.power
        planned = self._planned.get(machine.name)
        return ElementAhead(
            machine=machine.name,
            housing="main",
            site=machine.site,
            wear=Wear(
                due=machine.told(machine, day),
                is_over=machine.used >= 1.0,
                hours_per_day=machine.hours_per_day,
                life_hours=machine.life_h,
                element_price=self._costs.element,
                fuel_now=self._costs.fuel_at_limit * share,
                fuel_at_limit=self._costs.fuel_at_limit,
            ),
            part=None,
            service_days=services,
            planned_day=None if planned is None else planned - day,
        )


# ---------------------------------------------------------------- the comparison


def compare(
    name: str, costs: Costs, seeds: Sequence[int], machines: int, days: int
) -> dict[str, list[Tally]]:
    """Way -> its tally for each seed."""
    make = GENERATORS[name]

    def tallies(way_of: Callable[[list[Machine]], Way]) -> list[Tally]:
        found = []
        for seed in seeds:
            fleet = make(seed, machines, days)
            found.append(run(fleet, days, way_of(fleet), costs))
        return found

    def planned(seed: int) -> Tally:
        fleet = make(seed, machines, days)
        way = Planned(fleet, costs)
        tally = run(fleet, days, way, costs)
        return replace(tally, moved=round(way.moved * 365 / days / machines, 2))

    hours = [tallies(partial(at_hours, h)) for h in FIXED_HOURS]
    services = [tallies(partial(at_service, s)) for s in SERVICE_SHARES]
    return {
        "limit": tallies(lambda _: at_limit),
        "hours": min(hours, key=_mean_cost),
        "service": min(services, key=_mean_cost),
        "plan": [planned(seed) for seed in seeds],
    }


def _mean_cost(tallies: list[Tally]) -> float:
    return float(np.mean([tally.cost for tally in tallies]))


def interval(values: Sequence[float]) -> str:
    """Mean and half of its 95 % interval by Student's t."""
    mean, n = float(np.mean(values)), len(values)
    half = float(stats.t.ppf(0.975, n - 1) * np.std(values, ddof=1) / np.sqrt(n)) if n > 1 else float("nan")
    return f"{mean:8.2f} ± {half:6.2f}"


def report(found: dict[str, list[Tally]]) -> list[str]:
    """A line a way: each for a machine and a year."""
    columns = ("cost", "elements", "stops", "trips", "over_days", "fuel", "moved")
    lines = ["way     " + "".join(f"{name:>18}" for name in columns) + "   cost more than plan"]
    for way, tallies in found.items():
        figures = "".join(f"{interval([getattr(t, c) for t in tallies]):>18}" for c in columns)
        more = [t.cost - p.cost for t, p in zip(tallies, found["plan"], strict=True)]
        lines.append(f"{way:8}{figures}   {interval(more) if way != 'plan' else '':>18}")
    return lines


# ---------------------------------------------------------------- a machine breaks the plan; timing


def broken_week(seed: int, machines: int, days: int) -> list[str]:
    """From day BREAK_DAY on a machine in mid-life meets four times the dust, which no forecast foresaw."""
    return [
        _broken(seed, machines, days, factor, move) for factor, move in ((1.0, 10.0), (4.0, 10.0), (4.0, 0.0))
    ]


def _broken(seed: int, machines: int, days: int, factor: float, move: float) -> str:
    fleet = bursts(seed, machines, days)
    way = Planned(fleet, replace(PRICES["sites"], move=move))
    broken, over, moved, visited = fleet[0], 0, 0, 0
    for day in range(days):
        if day == BREAK_DAY:
            broken = min(fleet, key=lambda machine: abs(machine.used - 0.5))
            broken.dust[day:] *= factor
        before = way.moved
        chosen = way(fleet, day) if day % 7 < 5 else set()
        is_then = BREAK_DAY <= day < BREAK_DAY + 14
        moved += (way.moved - before) * is_then
        visited = visited or (day if day >= BREAK_DAY and broken.name in chosen else 0)
        for machine in fleet:
            if machine.name in chosen:
                machine.renew()
            over += bool(machine is broken and machine.used >= 1.0 and machine.hours[day] > 0)
            machine.work(day)
    return (
        f"dust x{factor:g} on one of {machines} from day {BREAK_DAY}, a move costs {move:g}: {moved} visits "
        f"of a coming week moved in two weeks; it was visited on day {visited}, over its limit on {over} days"
    )


def large_problem(seed: int, machines: int) -> VisitProblem:
    """A fleet of any size at 20 sites, with parts, services and people who are not enough on some days."""
    random = np.random.default_rng(seed)
    elements = [_large_element(random, number) for number in range(machines)]
    week = (24.0, 24.0, 24.0, 24.0, 24.0, 0.0, 0.0)
    return VisitProblem(
        first_on=MONDAY,
        terms=VisitTerms(
            stop_price=60.0, over_price=30.0, move_price=10.0, chance_allowed=0.1, change_hours=1.0
        ),
        capacity_h=week * 6,
        elements=tuple(elements),
        trips=tuple(
            SiteTrip(site=f"site-{n:02}", price=float(random.uniform(20, 200)), hours=1.0, km=60.0)
            for n in range(20)
        ),
        supplies=tuple(PartSupply(part=f"KG-{n}", pieces=12, there_day=7) for n in range(6)),
    )


def _large_element(random: np.random.Generator, number: int) -> ElementAhead:
    early = float(random.gamma(2.0, 30.0))
    width = 1.0 + early * float(random.uniform(0.1, 0.4))
    wear = Wear(
        due=DueDays(early=early, likely=early + width, late=early + 2.2 * width),
        is_over=early < 1.0,
        hours_per_day=float(random.uniform(3.0, 12.0)),
        life_hours=float(random.uniform(50.0, 800.0)),
        element_price=float(random.uniform(80.0, 300.0)),
        fuel_now=float(random.uniform(0.0, 0.2)),
        fuel_at_limit=0.4,
    )
    return ElementAhead(
        machine=f"machine-{number:03}",
        housing="main",
        site=f"site-{random.integers(20):02}",
        wear=wear,
        part=f"KG-{random.integers(6)}",
        service_days=frozenset({int(random.integers(120))} if random.random() < 0.5 else ()),
    )


def timing(machines: int, seeds: Sequence[int]) -> list[str]:
    """How long a plan takes; of the wall and of the processor, because others may work beside."""
    lines = []
    for seed in seeds:
        began_s, began_cpu_s = time.perf_counter(), time.process_time()
        plan = make_visit_plan(large_problem(seed, machines))
        took_s, cpu_s = time.perf_counter() - began_s, time.process_time() - began_cpu_s
        lines.append(
            f"{machines} machines, seed {seed}: {took_s:.1f} s ({cpu_s:.1f} s of processor), gap "
            f"{100 * plan.gap:.2f} %, {len(plan.visits)} visits, {len(plan.trips)} trips"
        )
    return lines


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="compare the plan of visits with three ways without it")
    parser.add_argument("--seeds", type=int, default=8, metavar="N")
    parser.add_argument("--first-seed", type=int, default=11, metavar="N")
    parser.add_argument("--machines", type=int, default=24, metavar="N")
    parser.add_argument("--days", type=int, default=182, metavar="N")
    parser.add_argument("--timing", type=int, default=300, metavar="N", help="machines of the timed plan")
    given = parser.parse_args(words)
    seeds = range(given.first_seed, given.first_seed + given.seeds)
    for name in GENERATORS:
        for prices, costs in PRICES.items():
            print(
                f"\n{name}, {prices}: {given.machines} machines, {given.days} days, {given.seeds} seeds; "
                "for each machine and year, EUR"
            )
            print("\n".join(report(compare(name, costs, seeds, given.machines, given.days))), flush=True)
    print()
    print("\n".join(broken_week(seeds[0], given.machines, min(given.days, 90))), flush=True)
    print("\n".join(timing(given.timing, seeds[:3])))
    return 0


if __name__ == "__main__":
    sys.exit(main())
