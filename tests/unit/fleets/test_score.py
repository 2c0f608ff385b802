"""The score of a made fleet, on one machine by hand: a perfect observer, a blind one, ways to fall."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import comb

import numpy as np
import pytest

from tests.fleets.alarms import alarm_lines
from tests.fleets.intervals import clopper_pearson, lower_bound, over_machines
from tests.fleets.knowing import say_the_truth
from tests.fleets.observing import FoundChange, Observation
from tests.fleets.report import Figure, events, figures, lines, seeds_for
from tests.fleets.score import false_alarms, score_fleet
from tests.fleets.truth import (
    DAY_S,
    Cause,
    Change,
    Entry,
    EntryIs,
    Evenings,
    Fault,
    Fleet,
    Life,
    LimitEntry,
    Machine,
    Proxy,
    Work,
)

START_S = 1_772_409_600.0
DAYS = 80
HOURS_A_DAY = 10.0
CLEAN_PA, LIMIT_PA = 2000.0, 6000.0
#: a new element on day 20, cleaned on day 45, and new again, entered, on day 60
NEW_DAY, CLEANED_DAY, ENTERED_DAY = 20.0, 45.0, 60.0
TUBE_DAYS = (66.0, 72.0)
#: by life: first day, day at the limit, last day
LIVES = (
    (0.0, 18.0, NEW_DAY),
    (NEW_DAY, 43.0, CLEANED_DAY),
    (CLEANED_DAY, 59.0, ENTERED_DAY),
    (60.0, 95.0, np.inf),
)


def at(day: float) -> float:
    return START_S + day * DAY_S


def machine() -> Machine:
    evening_s = at(0.0) + np.arange(DAYS, dtype=np.float64) * DAY_S + 20 * 3600.0
    day = (evening_s - START_S) / DAY_S
    life = np.searchsorted([first for first, _, _ in LIVES], day, side="right") - 1
    firsts, limits = (np.array([row[i] for row in LIVES])[life] for i in (0, 1))
    share = 100 * np.where(life == 2, 0.5, 0.0) + (100 - 50 * (life == 2)) * (day - firsts) / (
        limits - firsts
    )
    level_pa = CLEAN_PA + share / 100 * (LIMIT_PA - CLEAN_PA)
    left = np.maximum(limits - day, 0.0)
    hours = (np.arange(DAYS, dtype=np.float64) + 1) * HOURS_A_DAY
    return Machine(
        name="dozer-01",
        kind="dozer",
        proxy=Proxy.SPEED,
        is_constant_speed=False,
        limit_pa=LIMIT_PA,
        limits=(LimitEntry(entered_s=START_S, value=6.0, unit="kPa"),),
        readings=(),
        changes=(
            _change(NEW_DAY, Work.NEW),
            _change(CLEANED_DAY, Work.CLEANED),
            replace(_change(ENTERED_DAY, Work.NEW), is_entered=True),
        ),
        lives=tuple(
            Life(
                start_s=at(first),
                end_s=at(last),
                clean_pa=CLEAN_PA,
                limit_s=at(limit),
                limit_h=limit * HOURS_A_DAY,
                latch_s=at(limit),
                latch_h=limit * HOURS_A_DAY,
            )
            for first, limit, last in LIVES
        ),
        faults=(
            Fault(
                cause=Cause.TUBE_OFF, begin_s=at(TUBE_DAYS[0]), repaired_s=at(TUBE_DAYS[1]), at_service=False
            ),
        ),
        entries=(
            Entry(
                entered_s=at(ENTERED_DAY),
                changed_s=at(ENTERED_DAY),
                what="new",
                entry_id="a",
                kind=EntryIs.RIGHT,
            ),
            Entry(entered_s=at(30), changed_s=at(30), what="new", entry_id="b", kind=EntryIs.WRONG_MACHINE),
        ),
        reference=None,
        looks=(),
        evenings=Evenings(
            at_s=evening_s,
            worked_h=hours,
            seen_h=hours,
            seen_s=evening_s,
            full_flow_pa=level_pa,
            dry_pa=level_pa,
            share_percent=share,
            hours_left=left * HOURS_A_DAY,
            days_left=left,
            latch_hours_left=left * HOURS_A_DAY,
            latch_days_left=left,
        ),
    )


def _change(day: float, work: Work) -> Change:
    return Change(
        at_s=at(day), work=work, before_pa=6400.0, after_pa=2000.0, recovered=1.0, share_before=110.0
    )


def fleet() -> Fleet:
    return Fleet(
        generator="by hand", seed=0, start_s=START_S, days=DAYS, interval_s=60.0, machines=(machine(),)
    )


def blind(one: Machine) -> list[Observation]:
    """What is said by who sees nothing and has nothing to say."""
    return [Observation(machine=one.name, at_s=at_s, state="serving") for at_s in one.evenings.at_s.tolist()]


def table(said: list[Observation]) -> dict[str, Figure]:
    return {figure.name: figure for figure in figures(score_fleet(fleet(), said))}


BEST = {
    "new element found, some flow measure": 1.0,
    "operating hours until found, median": 8.3333,  # the change is at midnight, the first look 20 hours later
    "cleaned element found or asked about": 1.0,
    "cleaned element called a new one": 0.0,
    "right entry questioned": 0.0,
    "wrong-machine entry questioned": 1.0,
    "false alarms a machine-year: changes and suspicions": 0.0,
    "suspect days without a fault a machine-year": 0.0,
    "tube off, flow measure: in a day's work, kept": 1.0,
    "share used above 70 %, median error in points, speed": 0.0,
    "true 7 d left, latch: median error in days": 0.0,
    "true 7 d left, latch: 80 % interval holds": 1.0,
    "predicted 3 d left, full flow: median error in days": 0.0,
    "true 3 d left, latch by its own date: median error in days": 0.0,
    "predicted 7 d left, latch by its own date: 80 % interval holds": 1.0,
    "cost of a date in days, late x 3": 0.0,
    "at most 14 d to the latch, shown as in service": 0.0,
    "fault present, shown as in service": 0.0,
    "latched, warned the evening before": 1.0,
    "latched, warned a week before": 1.0,
}


def test_a_perfect_observer_scores_perfectly() -> None:
    rows = table(say_the_truth(machine()))
    for name, value in BEST.items():
        assert rows[name].count > 0 or value == 0.0, name
        assert rows[name].value == pytest.approx(value, abs=1e-3), name


def test_a_blind_observer_scores_nothing() -> None:
    rows = table(blind(machine()))
    for name in ("new element found, some flow measure", "cleaned element found or asked about"):
        assert rows[name].value == 0.0
    assert rows["tube off, flow measure: in a day's work, kept"].value == 0.0
    assert rows["fault present, shown as in service"].value == 1.0
    assert rows["at most 14 d to the latch, shown as in service"].value == 1.0
    assert rows["latched, warned the evening before"].value == 0.0
    assert rows["true 7 d left, latch: 80 % interval holds"].value == 0.0
    assert rows["cost of a date in days, late x 3"].value > 50


Spoil = Callable[[Observation, float], Observation]


def _on(first: float, last: float, **changed: object) -> Spoil:
    """Says something else from one day to another."""
    return lambda one, day: replace(one, **changed) if first <= day < last else one  # type: ignore[arg-type]


def _drop(kind: str) -> Spoil:
    return lambda one, _: replace(one, found=tuple(f for f in one.found if f.kind != kind))


def _later(one: Observation, _: float) -> Observation:
    return replace(one, due_s=tuple(at_s + 2 * DAY_S for at_s in one.due_s or ()))  # type: ignore[arg-type]


def _latch_later(one: Observation, _: float) -> Observation:
    return replace(one, latch_s=tuple(at_s + 2 * DAY_S for at_s in one.latch_s or ()))  # type: ignore[arg-type]


def _also(day: float) -> Spoil:
    extra = FoundChange(at_s=at(day), kind="new")
    return lambda one, now: replace(one, found=(*one.found, extra)) if now > day else one


def _renamed(one: Observation, _: float) -> Observation:
    return replace(one, found=tuple(replace(f, kind="new") for f in one.found))


def _wide_of(one: Observation, _: float) -> Observation:
    return replace(one, share_percent=(one.share_percent or 0.0) + 9.0)


SPOILED: dict[str, tuple[Spoil, str, float]] = {
    "the indicator's date is two days late": (
        _latch_later,
        "true 7 d left, latch by its own date: median error in days",
        2.0,
    ),
    "a new element is missed": (_drop("new"), "new element found, some flow measure", 0.0),
    "a new element is withdrawn at the end": (
        _on(44, 45, found=()),
        "new element found, some flow measure",
        0.0,
    ),
    "a new element is found two days later": (
        _on(NEW_DAY, NEW_DAY + 2, found=()),
        "operating hours until found, median",
        28.3333,
    ),
    "a cleaned element is missed": (_drop("cleaned"), "cleaned element found or asked about", 0.0),
    "a cleaned element is called new": (_renamed, "cleaned element called a new one", 1.0),
    "every entry is questioned": (
        _on(0, 99, questioned=frozenset({"a", "b"})),
        "right entry questioned",
        1.0,
    ),
    "no entry is questioned": (_on(0, 99, questioned=frozenset()), "wrong-machine entry questioned", 0.0),
    "a change is made up": (_also(30.0), "false changes a machine-year", 365.25 / DAYS),
    "a fault is made up for three days": (
        _on(30, 33, state="suspect"),
        "suspect days without a fault a machine-year",
        3 * 365.25 / DAYS,
    ),
    "a fault is seen a day late": (
        _on(TUBE_DAYS[0], TUBE_DAYS[0] + 2, causes=frozenset()),
        "tube off, flow measure: in a day's work, kept",
        0.0,
    ),
    "a fault is withdrawn before it is repaired": (
        _on(TUBE_DAYS[1] - 1, TUBE_DAYS[1], causes=frozenset()),
        "tube off, flow measure: in a day's work, kept",
        0.0,
    ),
    "a fault has another name": (
        _on(*TUBE_DAYS, causes=frozenset({"zero_moved"})),
        "tube off, flow measure: ever",
        0.0,
    ),
    "share used is wide of the truth": (
        _wide_of,
        "share used above 70 %, median error in points, speed",
        9.0,
    ),
    "dates are two days late": (_later, "true 7 d left, latch: median error in days", 2.0),
    "late dates cost three times": (_later, "cost of a date in days, late x 3", 6.0),
    "late dates leave the interval": (_later, "true 14 d left, full flow: 80 % interval holds", 0.0),
    "due soon is shown as in service": (
        _on(0, 99, state="serving"),
        "at most 14 d to the latch, shown as in service",
        1.0,
    ),
    "a fault is shown as in service": (
        _on(*TUBE_DAYS, state="serving"),
        "fault present, shown as in service",
        1.0,
    ),
    "the warning comes in the last week only": (
        lambda one, day: replace(one, state="serving") if day % 25 < 14 else one,
        "latched, warned a week before",
        0.0,
    ),
}


@pytest.mark.parametrize("case", SPOILED)
def test_a_figure_falls_where_it_must(case: str) -> None:
    spoil, name, value = SPOILED[case]
    said = [spoil(one, (one.at_s - START_S) / DAY_S) for one in say_the_truth(machine())]
    before, after = table(say_the_truth(machine()))[name].value, table(said)[name].value
    assert after == pytest.approx(value, abs=1e-3)
    assert after != pytest.approx(before, abs=1e-3)


def test_a_change_told_with_a_span_is_the_one_that_was_made_within_it() -> None:
    """Told as made between days 12 and 16 before day 20 it is none; until day 24 it is that of day 20."""

    def spanned(until: float) -> list[Observation]:
        new = FoundChange(at_s=at(12.0), kind="new", by_s=at(until))
        others = [_drop("new")(one, 0.0) for one in say_the_truth(machine())]
        return [replace(one, found=(*one.found, new)) if one.at_s > at(24.0) else one for one in others]

    short, long = table(spanned(16.0)), table(spanned(24.0))
    assert [t["new element found, some flow measure"].value for t in (short, long)] == [0.0, 1.0]
    assert [t["false changes a machine-year"].value > 0 for t in (short, long)] == [True, True]
    by_span = "false changes a machine-year, by the span told"
    assert [t[by_span].value > 0 for t in (short, long)] == [True, False]


def test_each_false_alarm_is_listed_with_what_went_on_around_it() -> None:
    spoiled = (_also(30.0), _on(63, 66, causes=frozenset({"flat"})))
    said = [
        spoiled[1](spoiled[0](one, day), day)
        for one in say_the_truth(machine())
        for day in [(one.at_s - START_S) / DAY_S]
    ]
    change, suspicion = false_alarms(fleet(), said)
    assert (change.what, change.at_s, len(change.said)) == ("change", at(30.0), DAYS - 30)
    assert (suspicion.what, len(suspicion.said)) == ("suspicion", 3)
    of_change, of_suspicion = alarm_lines(fleet(), said)
    assert "change new: by hand 0 dozer-01, speed, day 30.0" in of_change
    assert "new from 6400 to 2000 Pa at -38 h, entered" in of_suspicion
    assert "tube off from +22 to +82 h" in of_suspicion
    assert alarm_lines(fleet(), say_the_truth(machine())) == []


def test_a_fault_that_no_reading_shows_counts_nowhere() -> None:
    one = machine()
    hidden = replace(one, faults=tuple(replace(fault, is_tellable=False) for fault in one.faults))
    [score] = score_fleet(replace(fleet(), machines=(hidden,)), blind(hidden))
    assert (score.causes, score.faulty) == ([], [])


def test_a_change_behind_a_fault_or_of_little_use_is_not_asked_for() -> None:
    one = machine()
    shallow = replace(one, changes=tuple(replace(c, share_before=12.0) for c in one.changes))
    behind = replace(
        one, faults=(replace(one.faults[0], begin_s=at(NEW_DAY - 1), repaired_s=at(NEW_DAY + 4)),)
    )
    for changed in (shallow, behind):
        [score] = score_fleet(replace(fleet(), machines=(changed,)), blind(changed))
        assert score.new == []


@pytest.mark.parametrize(
    ("after_pa", "counted", "other"),
    [
        (3200.0, "fall to 0.5 or lower", "fall not so deep"),
        (3201.0, "fall not so deep", "fall to 0.5 or lower"),
    ],
)
def test_hours_until_found_are_apart_by_the_depth_of_the_fall(
    after_pa: float, counted: str, other: str
) -> None:
    """From 6,400 Pa. Told on the third evening, 28.3 h after it: within 30 h, not within 10."""
    one = machine()
    fallen = replace(one, changes=tuple(replace(c, after_pa=after_pa) for c in one.changes))
    said = [_drop_until(NEW_DAY + 2)(look, (look.at_s - START_S) / DAY_S) for look in say_the_truth(fallen)]
    rows = {f.name: f for f in figures(score_fleet(replace(fleet(), machines=(fallen,)), said))}
    for part in ("median", "90 of 100"):
        found = rows[f"operating hours until found, {part}, {counted}"]
        assert found.value == pytest.approx(28.3333, abs=1e-3)
        assert rows[f"operating hours until found, {part}, {other}"].count == 0
    deep, shallow = "new element found within 10 h, fall to 0.5 or lower", "new element found within 30 h"
    in_time = rows[deep], rows[f"{shallow}, fall not so deep"]
    expected = [(0, 1), (0, 0)] if after_pa == 3200.0 else [(0, 0), (1, 1)]
    assert [(row.hits, row.count) for row in in_time] == expected


def _drop_until(day: float) -> Callable[[Observation, float], Observation]:
    """What is said of changes begins after a day."""
    return lambda one, now: replace(one, found=()) if now < day else one


def test_late_and_doubled_entries_have_rows_of_their_own() -> None:
    entered = {
        "right entry questioned": (EntryIs.RIGHT, 0.0),
        "entry late, rightly dated: questioned": (EntryIs.LATE, -3.0),
        "entry late, dated by the day of the entry: questioned": (EntryIs.LATE, 0.0),
        "entry doubled: questioned": (EntryIs.DOUBLED, 0.0),
        "wrong-machine entry questioned": (EntryIs.WRONG_MACHINE, 0.0),
    }
    entries = tuple(
        Entry(entered_s=at(60), changed_s=at(60 + off), what="new", entry_id=name, kind=kind)
        for name, (kind, off) in entered.items()
    )
    one = replace(machine(), entries=entries)
    for name in entered:
        said = [replace(look, questioned=frozenset({name})) for look in say_the_truth(one)]
        rows = {f.name: f for f in figures(score_fleet(replace(fleet(), machines=(one,)), said))}
        assert {row: (rows[row].hits, rows[row].count) for row in entered} == {
            row: (int(row == name), 1) for row in entered
        }


def test_a_table_has_a_line_for_every_figure() -> None:
    rows = figures(score_fleet(fleet(), say_the_truth(machine())))
    assert len(lines(rows)) == len(rows) + 2


def test_shares_of_events_say_their_counts_and_how_many_seeds_they_want() -> None:
    rows = figures(score_fleet(fleet(), say_the_truth(machine())))
    [tube] = [line for line in lines(rows) if line.startswith("| tube off, flow measure: in a day's work")]
    # one of one: the exact ends are 0.025 and 1, the bound with 5 % on one side is 0.05
    assert (
        tube
        == "| tube off, flow measure: in a day's work, kept | 1.00 | 1/1 | 0.03 to 1.00 | 0.05 | - | 0.95 |"
    )
    assert "| tube off, flow measure: in a day's work, kept | 1/1 | 0.05, less | 40 |" in events(rows, 1)
    assert not [line for line in events(rows, 1) if "called a new one" in line or "a machine-year" in line]
    assert [seeds_for(count, 2) for count in (39, 40, 41, 27, 0)] == [3, 2, 2, 3, 0]


def test_the_lower_bound_leaves_a_twentieth_below_it() -> None:
    """By the definition: as many hits or more have a chance of 5 % there."""
    low = lower_bound(8, 10)
    assert sum(comb(10, k) * low**k * (1 - low) ** (10 - k) for k in range(8, 11)) == pytest.approx(0.05)
    assert clopper_pearson(8, 10)[0] < low < 0.8
    assert (lower_bound(0, 10), lower_bound(0, 0)) == (0.0, 0.0)


def test_the_exact_interval_leaves_its_tail_on_either_side() -> None:
    """By the definition: at the ends as many hits or more, or fewer, have a chance of 2.5 %."""
    low, high = clopper_pearson(8, 10)

    def chance(hits: int, share: float) -> float:
        return comb(10, hits) * share**hits * (1 - share) ** (10 - hits)

    assert sum(chance(k, low) for k in range(8, 11)) == pytest.approx(0.025)
    assert sum(chance(k, high) for k in range(9)) == pytest.approx(0.025)
    assert clopper_pearson(0, 10) == pytest.approx((0.0, 1 - 0.025**0.1))
    assert clopper_pearson(0, 0) == (0.0, 1.0)


def test_the_interval_over_machines_holds_the_figure_and_shrinks_with_machines() -> None:
    def mean(some: object) -> float:
        return float(np.mean(some))  # type: ignore[call-overload]

    few, many = np.arange(5.0), np.tile(np.arange(5.0), 20)
    widths = [np.subtract(*over_machines(list(of), mean)[::-1]) for of in (few, many)]
    assert widths[1] < widths[0] / 3
    low, high = over_machines(list(few), mean)
    assert low < 2.0 < high
