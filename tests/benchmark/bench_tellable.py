"""
What the readings can tell: observers that know the laws of each machine beside the analysis, event by event.

    python -m tests.benchmark.bench_tellable [--machines N] [--days N] [--seeds A,B] [--rich-seeds 301]
                                              [--generators A,B] [--every N] [--lines]

Each torn, missing, cleaned and new element that the score counts is judged by the readings of ten operating
hours before and after the stop at which it began (`tests/fleets/ideal.py` states all that is known). It
counts where its probability reaches the bar by which the analysis tells it: of a torn or missing element the
bar of a suspicion, of a new one that of a change, of a cleaned one that of a question. Two observers know of
light work, and of what passes, only what earlier stops and other machines show. Beside them
stands what the analysis told, looked at every evening as in `bench_misses`.
Of stops at which nothing was done one in N is judged by the hours, one in 6 N by the readings, and counts as
often: false alarms.
Of fleets with rich seeds four of ten faults are torn elements and two missing ones.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from unittest.mock import patch

import numpy as np

from cleanside.ingest.restriction import FleetKnowledge, collect_sent
from cleanside.ingest.restriction.elements.pieces import FLOW, SPEED
from cleanside.ingest.restriction.elements.pieces import NOTHING as NO_PROXY
from cleanside.ingest.restriction.measure.tuning import TUNING
from cleanside.ingest.restriction.verdict.measured_hours import measure_hours
from tests.benchmark.bench_bars import learn_from, of_fleet
from tests.benchmark.bench_misses import look
from tests.benchmark.bench_share_parts import known_machines
from tests.fleets import incidents, making
from tests.fleets.ideal import (
    NOTHING,
    ByHours,
    ByReadings,
    Judged,
    Known,
    Laws,
    Learns,
    Observer,
    judge,
    laws_of,
    stops_of,
    with_rates_of,
)
from tests.fleets.intervals import clopper_pearson
from tests.fleets.making import FOR_TUNING, make_fleet
from tests.fleets.observing import Observation
from tests.fleets.score import Watched
from tests.fleets.truth import Cause, Fleet, Floats, Proxy, Work

#: as the triples of `Tuning` have it
BY = {Proxy.SPEED: SPEED, Proxy.NOTHING: NO_PROXY}
GROUPS = ("flow measured", "engine speed alone", "nothing")


@dataclass(frozen=True, kw_only=True)
class Tier:
    """What an observer has and knows."""

    is_readings: bool = False
    is_clean_known: bool = False
    rates_of_analysis: bool = False
    learns: Learns = Learns.ALL


LAST = "hours, rates of the analysis"
TIERS = {
    "readings, clean known": Tier(is_readings=True, is_clean_known=True),
    "readings": Tier(is_readings=True),
    "hours, clean known": Tier(is_clean_known=True),
    "hours": Tier(),
    LAST: Tier(rates_of_analysis=True),
    "its rates, work by earlier stops": Tier(rates_of_analysis=True, learns=Learns.EARLIER),
    "its rates, work by other machines": Tier(rates_of_analysis=True, learns=Learns.OTHERS),
}
CAUSES = {Cause.TORN: "torn", Cause.MISSING: "missing"}
WORKS = {Work.NEW: "new", Work.CLEANED: "cleaned"}
READINGS_EVERY = 6  # times fewer quiet stops by readings, which take as much longer
RATES = (0.05, 0.2, 0.5)  # false ones a machine-year


@dataclass(frozen=True, kw_only=True)
class Event:
    """What the score counts, whether the analysis told it, and how sure each observer was."""

    what: str
    generator: str
    machine: str
    proxy: Proxy
    at_s: float
    told: bool
    #: by observer; without those that do not weigh it
    chances: dict[str, float]
    #: share of the medium that is left of a torn element, or of the level after a change
    size: float


@dataclass(frozen=True, kw_only=True)
class Quiet:
    """A stop at which nothing was done, and how sure an observer was of a fault, and of an opening."""

    observer: str
    proxy: Proxy
    #: so many stops it stands for
    weight: float
    low: float
    opened: float


#: how sure an observer was
Sure = Callable[[Quiet], float]


def by_of(proxy: Proxy) -> int:
    """The place of a proxy in the triples of `Tuning`."""
    return BY.get(proxy, FLOW)


def lived(generator: str, seed: int, machines: int, days: int, *, is_rich: bool) -> tuple[Fleet, list[Known]]:
    """A fleet with the laws by which it was made."""
    lives: list[making._Living] = []
    live = making._live

    def keeping(*given: object) -> making._Living:
        lives.append(live(*given))  # type: ignore[arg-type]
        return lives[-1]

    cards = incidents.RICH if is_rich else incidents.CARDS
    with patch.object(incidents, "CARDS", cards), patch.object(making, "_live", keeping):
        fleet = make_fleet(generator, machines=machines, days=days, seed=seed)
    pairs = zip(fleet.machines, lives, strict=True)
    return fleet, [Known(machine=machine, draft=one.draft, kept=one.kept) for machine, one in pairs]


def observers_of(fleet: Fleet, known: Sequence[Known]) -> tuple[list[Observer], list[Observer]]:
    """Of the readings, and of the hourly levels of the analysis as they are at the end of the record."""
    stops = [stops_of(one) for one in known]
    summed = known_machines(fleet)
    last = fleet.days - 1
    seen = list(of_fleet(summed, last, FleetKnowledge()))
    knowledge = replace(learn_from(seen), sent=collect_sent((facts.machine, table) for table, facts in seen))
    by_hours: list[Observer] = []
    for one, hours, some in zip(known, summed, stops, strict=True):
        measured = measure_hours(hours.table, hours.facts(float(one.machine.evenings.at_s[last]), knowledge))
        use = measured.believed() & (measured.series.restriction_pa > 0)
        level: Floats = np.log(measured.series.restriction_pa[use])
        by_hours.append(ByHours(one, some, measured.series.hour_s[use], level))
    return [ByReadings(one, some) for one, some in zip(known, stops, strict=True)], by_hours


def judged(fleet: Fleet, known: Sequence[Known], every: int) -> dict[str, list[Judged]]:
    """By the name of the observer."""
    by_readings, by_hours = observers_of(fleet, known)
    made = {}
    for name, tier in TIERS.items():
        seen = [one for one in (by_readings if tier.is_readings else by_hours) if one.stops]
        laws = laws_of(seen)
        if tier.rates_of_analysis:
            worked = sum(float(one.known.draft.worked.hours[one.known.draft.worked.end - 1]) for one in seen)
            laws = with_rates_of(laws, TUNING, worked / sum(len(one.stops) for one in seen))
        made[name] = [
            row
            for number, one in enumerate(seen)
            for row in judge(
                one,
                laws if tier.learns is Learns.ALL else _by_others(laws, seen, one),
                every=every * (READINGS_EVERY if tier.is_readings else 1),
                is_clean_known=tier.is_clean_known,
                chance=np.random.default_rng([fleet.seed, number]),
                learns=tier.learns,
            )
        ]
    return made


def _by_others(laws: Laws, seen: Sequence[Observer], mine: Observer) -> Laws:
    """With the moves of the other machines that measure flow as this one does."""
    by = by_of(mine.known.machine.proxy)
    others = [one.moves for one in seen if one is not mine and by_of(one.known.machine.proxy) == by]
    return replace(laws, moves=np.concatenate([np.zeros(0), *others]))


def weigh(
    fleet: Fleet, known: Sequence[Known], said: Sequence[Observation], every: int
) -> tuple[list[Event], list[Quiet]]:
    """The events of a fleet, and its quiet stops."""
    rows = judged(fleet, known, every)
    at = {name: {(row.machine, row.at_s): row for row in some} for name, some in rows.items()}
    events = []
    for one in known:
        mine = [look for look in said if look.machine == one.machine.name]
        watched = Watched(one.machine, mine, fleet)
        for what, at_s, told, size in _counted(watched):
            found = {name: some.get((one.machine.name, at_s)) for name, some in at.items()}
            chances = {name: _chance(what, row) for name, row in found.items() if row is not None}
            events.append(
                Event(
                    what=what,
                    generator=fleet.generator,
                    machine=one.machine.name,
                    proxy=one.machine.proxy,
                    at_s=at_s,
                    told=told,
                    chances=chances,
                    size=size,
                )
            )
    quiet = [
        Quiet(
            observer=name,
            proxy=row.proxy,
            weight=row.weight,
            low=_chance("torn", row),
            opened=_chance("new", row),
        )
        for name, some in rows.items()
        for row in some
        if row.done == NOTHING
    ]
    return events, quiet


def _counted(watched: Watched) -> Iterator[tuple[str, float, bool, float]]:
    """What happened, when, whether the analysis told it, and its size or share of the level left."""
    for fault in watched.machine.faults:
        what = CAUSES.get(fault.cause)
        found = watched.found_cause(fault) if what else None
        if what and found is not None:
            yield what, fault.begin_s, found.in_time and found.is_kept, fault.size
    for work, what in WORKS.items():
        for change in watched.countable(work):
            kinds = {found.kind for _, those in watched.looks_at(change)[-1:] for found in those}
            told = bool(kinds) if work is Work.CLEANED else bool(kinds - {"asked"})
            yield what, change.at_s, told, change.after_pa / change.before_pa


def _chance(what: str, row: Judged) -> float:
    cases = ("torn", "missing") if what in CAUSES.values() else tuple(WORKS.values())
    return sum(row.chances[case] for case in cases)


def bar_of(what: str, proxy: Proxy) -> float:
    """The bar of the analysis."""
    by = by_of(proxy)
    if what in CAUSES.values():
        return TUNING.warn[by]
    return TUNING.ask[by] if what == "cleaned" else TUNING.begins[by]


# ---------------------------------------------------------------- tables


def table(events: Sequence[Event]) -> Iterator[str]:
    """As Markdown: by cause and measure of flow, what each observer and the analysis told."""
    yield f"| what | events | {' | '.join(TIERS)} | the analysis | told of those the hours tell |"
    yield f"| --- | --- |{' --- |' * (len(TIERS) + 2)}"
    for what in (*CAUSES.values(), *WORKS.values()):
        mine = [event for event in events if event.what == what]
        for group in ("all", *GROUPS):
            some = [e for e in mine if group in ("all", GROUPS[by_of(e.proxy)])]
            cells = [_share(_can(some, name)) for name in TIERS]
            clear = [e.told for e in some if e.chances.get(LAST, 0.0) >= bar_of(what, e.proxy)]
            told = _share([e.told for e in some])
            yield f"| {what}, {group} | {len(some)} | {' | '.join(cells)} | {told} | {_share(clear)} |"


def _can(events: Iterable[Event], name: str) -> list[bool]:
    return [e.chances[name] >= bar_of(e.what, e.proxy) for e in events if name in e.chances]


def _share(told: Sequence[bool]) -> str:
    if not told:
        return ""
    low, high = clopper_pearson(sum(told), len(told))
    return f"{sum(told)} of {len(told)} ({low:.2f} to {high:.2f})"


def false_table(quiet: Sequence[Quiet], events: Sequence[Event], years: float) -> Iterator[str]:
    """As Markdown: false ones a machine-year at the bars of the analysis, and finds at bars with a rate."""
    yield f"| at quiet stops, a machine-year (stops of those judged) | {' | '.join(TIERS)} |"
    yield f"| --- |{' --- |' * len(TIERS)}"
    titles = {"torn": "false suspicions", "new": "false changes", "cleaned": "false questions or changes"}
    for what, title in titles.items():
        cells = (_rate(quiet, name, what, years) for name in TIERS)
        yield f"| {title} | {' | '.join(cells)} |"
    for what in ("torn", "missing", "new", "cleaned"):
        for rate in RATES:
            found = [_at_rate(quiet, events, name, what, rate * years) for name in TIERS]
            yield f"| {what}, at {rate:g} false | {' | '.join(found)} |"


def _rate(quiet: Sequence[Quiet], name: str, what: str, years: float) -> str:
    """False ones a machine-year at the bars of the analysis, and by how many stops."""
    sure = _pick(what)
    told = [q.weight for q in quiet if q.observer == name and sure(q) >= bar_of(what, q.proxy)]
    return f"{sum(told) / years:.2f} ({len(told)} of {sum(q.observer == name for q in quiet)})"


def _at_rate(quiet: Sequence[Quiet], events: Iterable[Event], name: str, what: str, most: float) -> str:
    """What an observer tells with no more than so many false ones."""
    bar = _bar_for(quiet, name, most, _pick(what))
    told = [e.chances[name] > bar for e in events if e.what == what and name in e.chances]
    return f"{sum(told)} of {len(told)}"


def _pick(what: str) -> Sure:
    return (lambda q: q.low) if what in CAUSES.values() else (lambda q: q.opened)


def _bar_for(quiet: Sequence[Quiet], name: str, most: float, of: Sure) -> float:
    """The lowest bar that no more than so many of the quiet stops are above."""
    above = 0.0
    for chance, weight in sorted(((of(q), q.weight) for q in quiet if q.observer == name), reverse=True):
        above += weight
        if above > most:
            return chance
    return 0.0


def lines(events: Iterable[Event]) -> Iterator[str]:
    """A line for each event that the analysis missed."""
    for e in sorted((e for e in events if not e.told), key=lambda e: (e.what, e.generator, e.machine)):
        sure = ", ".join(f"{name} {e.chances[name]:.2f}" for name in TIERS if name in e.chances)
        yield f"- {e.what} {e.size:.2f}: {e.generator} {e.machine}, {e.proxy}, {e.at_s:.0f}: {sure}"


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="what readings can tell, by observers that know the laws")
    parser.add_argument("--machines", type=int, default=28)
    parser.add_argument("--days", type=int, default=110)
    parser.add_argument("--seeds", default="")
    parser.add_argument("--rich-seeds", default="301")
    parser.add_argument("--generators", default=",".join(FOR_TUNING))
    parser.add_argument(
        "--every", type=int, default=12, help="of quiet stops one in so many is judged by the hours"
    )
    parser.add_argument("--lines", action="store_true", help="each event that the analysis missed too")
    given = parser.parse_args(words)
    events, quiet, years = list[Event](), list[Quiet](), 0.0
    for is_rich, seeds in ((False, given.seeds), (True, given.rich_seeds)):
        for seed in filter(None, seeds.split(",")):
            for generator in given.generators.split(","):
                fleet, known = lived(generator, int(seed), given.machines, given.days, is_rich=is_rich)
                said, _ = look(fleet)
                some, stood = weigh(fleet, known, said, given.every)
                events, quiet, years = events + some, quiet + stood, years + fleet.machine_years
    print("\n".join([*table(events), "", *false_table(quiet, events, years)]))
    if given.lines:
        print("\n".join(["", *lines(events)]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
