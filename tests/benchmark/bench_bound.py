"""
What the hours can tell: a judge that learned from the truth beside the analysis, on the same stops.

    python -m tests.benchmark.bench_bound [--machines N] [--days N] [--seeds 41] [--rich-seeds 42]
                                           [--importance]

Each stop of an engine after which the level fell is judged once, at the first evening by which ten operating
hours after it have arrived, by the readings of that evening. The judge is gradient boosting over
`stop_features`, once alone and once with the probabilities of the analysis beside them. It is trained on all
generators but one, and judges that one. Of fleets with rich seeds more of the faults are torn elements, so
that there are enough of them. The bar of each column is set where it tells so many false ones a machine-year.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from unittest.mock import patch

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.metrics import average_precision_score
from threadpoolctl import threadpool_limits

from cleanside.ingest.restriction import FleetKnowledge, HousingFacts, Summaries, collect_sent
from cleanside.ingest.restriction.elements import openings
from cleanside.ingest.restriction.elements.explain import HAPPENINGS, LOW, NEW, OFF, Explained, explain
from cleanside.ingest.restriction.forecast.duty import learn_duty
from cleanside.ingest.restriction.verdict.element_history import ElementHistory, tell_history
from cleanside.ingest.restriction.verdict.measured_hours import measure_hours
from cleanside.ingest.restriction.verdict.suspect import no_answer
from tests.benchmark.bench_bars import LEARNS_EVERY, learn_from, of_fleet, said_of
from tests.benchmark.bench_share_parts import Known, known_machines
from tests.fleets import incidents
from tests.fleets.intervals import clopper_pearson
from tests.fleets.making import FOR_TUNING, make_fleet
from tests.fleets.observing import Observation
from tests.fleets.score import DAY_H, ELEMENTS, MATCH_H, MATCH_S, Watched
from tests.fleets.stop_features import GROUPS, SeenHours, features
from tests.fleets.stops import NEAREST_S, Stop, stops_of, works_at
from tests.fleets.truth import HOUR_S, Cause, Change, Fault, Fleet, Floats, Work

RATES = (0.05, 0.1, 0.2, 0.4, 0.65)  # false ones a machine-year
FAULTS, WORKS = ("missing", "torn"), ("new", "cleaned")
STEP_S = (2 * HOUR_S, 3 * HOUR_S)  # before and after a stop: a step of the analysis there is of that stop
LEAST_FALL = 0.15  # ln; of what the analysis says of a stop only falls as deep count


@dataclass(frozen=True, kw_only=True)
class Judged:
    """A stop with what shows around it, and what was truly done. Labels: 1 yes, 0 no, -1 not to be used."""

    generator: str
    machine: tuple[str, int, str]
    stop: int
    at_s: float
    shown: Mapping[str, float]
    ours: Mapping[str, float]
    #: from this stop on the element was torn or missing; -1: something is or lately was wrong anyway
    is_low: int
    #: another element, or none, is in from this stop on; -1: from one nearby
    is_opened: int
    is_entered: bool


@dataclass(frozen=True, kw_only=True)
class Event:
    """What has to be found: at any of some stops."""

    what: str
    places: tuple[tuple[tuple[str, int, str], int], ...]


Scores = Mapping[tuple[tuple[str, int, str], int], float]
Numbers = Mapping[str, float]


# ---------------------------------------------------------------- what shows at each stop


def judge_fleet(fleet: Fleet) -> tuple[list[Judged], list[Event]]:
    """Its stops as they show on the evening that judges them, and its events."""
    machines = {known.machine.name: _Stopped(known, fleet) for known in known_machines(fleet)}
    knowledge, rows = FleetKnowledge(), list[Judged]()
    for day in range(fleet.days):
        seen = list(of_fleet([one.known for one in machines.values()], day, knowledge))
        sent = collect_sent((facts.machine, table) for table, facts in seen)
        for table, facts in seen:
            machines[facts.machine].look(table, replace(facts, fleet=replace(knowledge, sent=sent)), day)
        for name in (facts.machine for _, facts in seen):
            others = [one.seen for other, one in machines.items() if other != name and one.seen is not None]
            rows += machines[name].judged(day, others)
        if day // LEARNS_EVERY != (day + 1) // LEARNS_EVERY:
            knowledge = learn_from(seen)
    return rows, [event for one in machines.values() for event in one.events()]


class _Stopped:
    """One machine with its stops, and what was said of it so far."""

    def __init__(self, known: Known, fleet: Fleet) -> None:
        self.known, self.fleet = known, fleet
        self.seen: SeenHours | None = None
        self._stops = stops_of(known.table)
        machine = known.machine
        self._changes = [change for change in machine.changes if change.work in ELEMENTS]
        self._works = works_at(self._stops, self._changes)
        self._next = 0
        self._said: list[Observation] = []
        self._explained: Explained | None = None
        self._key = (machine.name, fleet.seed, fleet.generator)

    def look(self, table: Summaries, facts: HousingFacts, day: int) -> None:
        """What the analysis says by what has arrived by an evening."""
        if self.seen is not None:
            table.taking_over(self.seen.measured.table)
        measured = measure_hours(table, facts)
        self.seen = SeenHours(measured, facts)
        self._explained, history = _explained(self.seen)
        at_s = float(self.known.machine.evenings.at_s[day])
        lost, duty = no_answer(measured.table, measured.zeros[0]), learn_duty(measured.table)
        self._said.append(said_of(measured, facts, at_s, history, lost, duty))

    def judged(self, day: int, others: Sequence[SeenHours]) -> Iterator[Judged]:
        """The stops that this evening judges."""
        machine, seen = self.known.machine, self.seen
        watched = Watched(machine, self._said, self.fleet)
        seen_h = machine.evenings.seen_h[day]
        while seen is not None and self._next < len(self._stops):
            place, stop = self._next, self._stops[self._next]
            has_newest = len(seen.hour_s) and stop.after_s <= seen.hour_s[-1]
            if machine.hours_at(stop.to_s) + DAY_H > seen_h or not has_newest:
                return
            self._next += 1
            if seen.falls(stop):
                yield self._row(place, watched, features(seen, stop, others))

    def _row(self, place: int, watched: Watched, shown: Mapping[str, float]) -> Judged:
        machine, stop, work = self.known.machine, self._stops[place], self._works.get(place)
        wrong = [fault for fault in machine.faults if watched.lingers(fault, len(self._said) - 1)]
        begun = work is not None and any(_is_begin(fault, work) and fault.is_tellable for fault in wrong)
        near = any(self._is_near(change, stop) for change in self._changes)
        return Judged(
            generator=self.fleet.generator,
            machine=self._key,
            stop=place,
            at_s=stop.to_s,
            shown=shown,
            ours=self._ours(stop),
            is_low=1 if begun else -1 if wrong else 0,
            is_opened=1 if work is not None else -1 if near else 0,
            is_entered=any(abs(e.changed_s - stop.to_s) <= NEAREST_S for e in machine.entries),
        )

    def _is_near(self, change: Change, stop: Stop) -> bool:
        hours = self.known.machine.hours_at
        return (
            abs(change.at_s - stop.to_s) <= MATCH_S or abs(hours(change.at_s) - hours(stop.to_s)) <= MATCH_H
        )

    def _ours(self, stop: Stop) -> dict[str, float]:
        """The probabilities of the analysis for a stop, and for now."""
        found, seen = self._explained, self.seen
        if found is None or seen is None:
            return {}
        rows = seen.hour_s[seen.measured.believed()]
        low_s, high_s = stop.before_s - STEP_S[0], stop.after_s + STEP_S[1]
        steps = [step for step in found.steps if low_s <= rows[step.row] <= high_s]
        made = {what: max((step.chance(what) for step in steps), default=0.0) for what in HAPPENINGS}
        fell = max((step.before - step.after for step in steps), default=float("nan"))
        now = {"now": found.low_then[-1], "above": found.pieces[-1].finish - found.clean}
        return {f"o_{what}": value for what, value in {**made, "fell": fell, **now}.items()}

    def events(self) -> Iterator[Event]:
        """What the score counts of this machine, with the stops at which it may be told."""
        watched, machine = Watched(self.known.machine, self._said, self.fleet), self.known.machine
        placed = {change.at_s: place for place, change in self._works.items()}
        for fault in machine.faults:
            is_of_element = fault.cause in (Cause.MISSING, Cause.TORN)
            if is_of_element and watched.found_cause(fault) is not None:
                what = FAULTS[fault.cause is Cause.TORN]
                yield Event(what=what, places=((self._key, placed.get(fault.begin_s, -1)),))
        for work in (Work.NEW, Work.CLEANED):
            for change in watched.countable(work):
                near = [i for i, stop in enumerate(self._stops) if self._is_near(change, stop)]
                yield Event(what=str(work), places=tuple((self._key, place) for place in near))


def _is_begin(fault: Fault, work: Change) -> bool:
    return fault.begin_s == work.at_s and work.work in (Work.TORN, Work.MISSING)


def _explained(seen: SeenHours) -> tuple[Explained | None, ElementHistory]:
    """What the model says of each step, which `ElementHistory` keeps only in part; None: too few hours."""
    kept: list[Explained] = []

    def keeping(*given: object, **named: object) -> Explained:
        kept.append(explain(*given, **named))  # type: ignore[arg-type]
        return kept[-1]

    with patch.object(openings, "explain", keeping):
        history = tell_history(seen.measured, seen.facts)
    return (kept[0] if kept else None), history


# ---------------------------------------------------------------- the judge


Judge = Callable[[Floats], Floats]


@dataclass(frozen=True)
class _Court:
    """Judges of each generator, who learned from the others, and the numbers they know."""

    names: tuple[str, ...]
    judges: Mapping[str, Judge]
    #: the generator of each row
    of: np.ndarray

    @classmethod
    def taught(cls, rows: Sequence[Judged], labels: np.ndarray, numbers: Sequence[Numbers]) -> _Court:
        """Labels below 0 teach nothing."""
        names = tuple(sorted({name for one in numbers for name in one}))
        of, table = np.array([row.generator for row in rows]), _table(numbers, names)
        judges = {}
        with threadpool_limits(limits=1):  # the threads of many small trees wait for each other busily
            for generator in sorted(set(of)):
                use = (of != generator) & (labels >= 0)
                if len(set(labels[use])) > 1:
                    judges[str(generator)] = _boosted(table[use], labels[use])
        return cls(names, judges, of)

    def scores(self, numbers: Sequence[Numbers]) -> Floats:
        """Of all rows; 0 without a judge."""
        table, scores = _table(numbers, self.names), np.zeros(len(self.of))
        for generator, judge in self.judges.items():
            scores[self.of == generator] = judge(table[self.of == generator])
        return scores


def learned(rows: Sequence[Judged], label: Callable[[Judged], int], *, with_ours: bool) -> Scores:
    """A score for each stop, by a judge that has not seen its generator."""
    numbers = [{**row.shown, **row.ours} if with_ours else row.shown for row in rows]
    scores = _Court.taught(rows, np.array([label(row) for row in rows]), numbers).scores(numbers)
    return {(row.machine, row.stop): float(score) for row, score in zip(rows, scores, strict=True)}


def importance(rows: Sequence[Judged], label: Callable[[Judged], int]) -> Iterator[str]:
    """By how much the average precision of the judge falls with a group of numbers mixed among the stops."""
    numbers, labels = [row.shown for row in rows], np.array([label(row) for row in rows])
    court, mixed = _Court.taught(rows, labels, numbers), np.random.default_rng(1).permutation(len(rows))
    whole = _precision(labels, court.of, court.scores(numbers))
    yield f"| all | {whole:.3f} |"
    for group, names in GROUPS.items():
        others = [
            {**own, **{name: numbers[i].get(name, np.nan) for name in names}}
            for own, i in zip(numbers, mixed, strict=True)
        ]
        yield f"| {group} | {_precision(labels, court.of, court.scores(others)) - whole:+.3f} |"


def _precision(labels: np.ndarray, of: np.ndarray, scores: Floats) -> float:
    """Mean average precision of the generators that have something to be found; NaN: none has."""
    groups = [(labels >= 0) & (of == generator) for generator in sorted(set(of))]
    found = [average_precision_score(labels[g], scores[g]) for g in groups if np.any(labels[g] == 1)]
    return float(np.mean(found)) if found else float("nan")


def _table(numbers: Sequence[Numbers], names: Sequence[str]) -> Floats:
    table = np.array([[one.get(name, np.nan) for name in names] for one in numbers])
    return np.where(np.isfinite(table), table, np.nan)


def _boosted(table: Floats, labels: np.ndarray) -> Judge:
    """Mean of three; sizes and rate chosen once, by no score."""
    use = [len(np.unique(column[~np.isnan(column)])) > 1 for column in table.T]
    judges = [
        HistGradientBoostingClassifier(
            max_iter=160,
            learning_rate=0.05,
            max_leaf_nodes=12,
            min_samples_leaf=15,
            l2_regularization=3.0,
            max_features=0.3,
            random_state=seed,
        ).fit(table[:, use], labels)
        for seed in range(3)
    ]
    return lambda asked: np.asarray(
        np.mean([judge.predict_proba(asked[:, use])[:, 1] for judge in judges], axis=0)
    )


# ---------------------------------------------------------------- counting


def bar_for(rows: Sequence[Judged], scores: Scores, rate: float, years: float) -> float:
    """The lowest bar with no more than so many false ones a machine-year."""
    ordered = sorted({scores[row.machine, row.stop] for row in rows}, reverse=True)
    low, high = 0, len(ordered)
    while low < high:
        half = (low + high) // 2
        is_few = false_ones(rows, scores, ordered[half]) <= rate * years
        low, high = (half + 1, high) if is_few else (low, half)
    return float(np.nextafter(ordered[low], np.inf)) if low < len(ordered) else 0.0


def false_ones(rows: Sequence[Judged], scores: Scores, bar: float) -> int:
    """How many of the rows, none of which is true, reach the bar; those within `MATCH_S` count as one."""
    told: dict[tuple[str, int, str], list[float]] = {}
    for row in rows:
        if scores[row.machine, row.stop] >= bar:
            told.setdefault(row.machine, []).append(row.at_s)
    return sum(1 + int(np.sum(np.diff(np.sort(at_s)) > MATCH_S)) for at_s in told.values())


def lines(rows: Sequence[Judged], events: Sequence[Event], years: float) -> Iterator[str]:
    """The tables as Markdown: share found at each rate of false ones, with its 95 % interval."""
    sound = [row for row in rows if row.is_low == 0]
    same = [row for row in rows if row.is_opened == 0 and not row.is_entered]
    low: dict[str, Scores] = {
        "ours, now": _ours(rows, lambda o: o.get("o_now", 0.0)),
        "ours, of the stop": _ours(rows, lambda o: min(o.get("o_now", 0.0), _goes_low(o))),
        "judge": learned(rows, lambda row: row.is_low, with_ours=False),
        "judge with ours": learned(rows, lambda row: row.is_low, with_ours=True),
    }
    opened: dict[str, Scores] = {
        "ours": _ours(rows, _opens),
        "ours, falls": _ours(rows, lambda o: _opens(o) if o.get("o_fell", 0.0) > LEAST_FALL else 0.0),
        "judge": learned(rows, lambda row: row.is_opened, with_ours=False),
        "judge with ours": learned(rows, lambda row: -1 if row.is_entered else row.is_opened, with_ours=True),
    }
    yield f"| what, by whom | {' | '.join(f'{rate:g} false' for rate in RATES)} |"
    yield "| --- |" + " --- |" * len(RATES)
    for kinds, without, columns in ((FAULTS, sound, low), (WORKS, same, opened)):
        for what in kinds:
            for name, scores in columns.items():
                bars = [bar_for(without, scores, rate, years) for rate in RATES]
                yield f"| {what}, {name} | {' | '.join(_told(events, what, scores, bar) for bar in bars)} |"


def _ours(rows: Sequence[Judged], score: Callable[[Mapping[str, float]], float]) -> Scores:
    return {(row.machine, row.stop): score(row.ours) for row in rows}


def _goes_low(ours: Mapping[str, float]) -> float:
    return ours.get(f"o_{LOW}", 0.0) + ours.get(f"o_{OFF}", 0.0)


def _opens(ours: Mapping[str, float]) -> float:
    return ours.get(f"o_{NEW}", 0.0) + ours.get("o_cleaned", 0.0)


def _told(events: Sequence[Event], what: str, scores: Scores, bar: float) -> str:
    told = [any(scores.get(place, -1.0) >= bar for place in e.places) for e in events if e.what == what]
    low, high = clopper_pearson(sum(told), len(told))
    return f"{sum(told)} of {len(told)} ({low:.2f} to {high:.2f})"


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="what the hours can tell, by a judge that learned the truth")
    parser.add_argument("--machines", type=int, default=28)
    parser.add_argument("--days", type=int, default=110)
    parser.add_argument("--seeds", default="41")
    parser.add_argument("--rich-seeds", default="42")
    parser.add_argument("--generators", default=",".join(FOR_TUNING))
    parser.add_argument("--importance", action="store_true", help="which numbers the judge goes by")
    given = parser.parse_args(words)
    rows, events, years = list[Judged](), list[Event](), 0.0
    for cards, seeds in ((incidents.CARDS, given.seeds), (incidents.RICH, given.rich_seeds)):
        for seed in filter(None, seeds.split(",")):
            for generator in given.generators.split(","):
                with patch.object(incidents, "CARDS", cards):
                    fleet = make_fleet(generator, machines=given.machines, days=given.days, seed=int(seed))
                more_rows, more_events = judge_fleet(fleet)
                rows, events, years = rows + more_rows, events + more_events, years + fleet.machine_years
    print("\n".join(lines(rows, events, years)))
    if given.importance:
        print("\n".join(["", "torn or missing", *importance(rows, lambda row: row.is_low)]))
        print("\n".join(["", "another element", *importance(rows, lambda row: row.is_opened)]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
