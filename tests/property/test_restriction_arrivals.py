"""Invariant 6 along the fast way: patched tables, remembered studies, several processes on one database."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.analysis.assessment import Judge, SnapshotInUse
from cleanside.ingest.analysis.memory import Memory, summaries_of
from cleanside.ingest.analysis.summarising import run_pass
from cleanside.ingest.restriction import (
    FleetKnowledge,
    HousingFacts,
    Readings,
    Summaries,
    study_housing,
    summarise_hours,
)
from cleanside.ingest.restriction.elements.openings import Openings
from cleanside.ingest.restriction.verdict.element_history import tell_history
from cleanside.ingest.restriction.verdict.measured_hours import measure_hours
from cleanside.ingest.store import fleet
from tests.support.examples import examples
from tests.support.serving import DEVICE, STREAM, Api, in_process

START_S = 1_772_409_600.0
HOURS = 60
A_READING_S = 600.0
COLUMNS = ("at_s", "restriction_pa", "engine_speed_rad_s")


def table() -> np.ndarray:
    """Sixty hours of work with nights between, an element changed half way; a reading every ten minutes."""
    n = int(HOURS * 3600 / A_READING_S)
    at_s = START_S + A_READING_S * np.arange(n) + 16 * 3600.0 * (np.arange(n) * A_READING_S // (8 * 3600))
    speed = np.where(np.arange(n) % 6 == 0, 84.0, 200.0)
    used = np.arange(n) % (n // 2) / (n // 2)
    drop = (1500 + 4500 * used**2) * (speed / 200.0) ** 1.6
    speed[:: n // 7], drop[:: n // 7] = 0.0, 20.0
    return np.column_stack((at_s, np.round(drop, 1), speed))


TABLE = table()


def summarised(rows: np.ndarray) -> Summaries:
    columns: dict[str, Any] = {name: rows[:, i] for i, name in enumerate(COLUMNS)}
    return summarise_hours(Readings(**columns))


def studied(summaries: Summaries) -> Any:
    return study_housing(summaries, HousingFacts(terminal_pa=6200.0, kind="grader")).study


IN_ORDER = summarised(TABLE)
STUDY = studied(IN_ORDER)


@given(
    st.permutations(range(12)), st.lists(st.integers(0, 11), max_size=6), st.randoms(use_true_random=False)
)
@settings(max_examples=examples(24, 60), deadline=None)
def test_hours_patched_in_any_order_repeated_and_delayed_are_studied_alike(
    order: list[int], again: list[int], chance: random.Random
) -> None:
    """Twelve batches that cut across hours come in any order, some twice; each touched hour is made again."""
    batches = np.array_split(np.arange(len(TABLE)), 12)
    for batch in batches:
        chance.shuffle(batch)  # type: ignore[arg-type]  # an array of one dimension can be shuffled in place
    held: set[int] = set()
    seen = summarised(TABLE[:0])
    for place in [*order, *again]:
        held |= set(batches[place].tolist())
        rows = TABLE[sorted(held, key=lambda row: hash((row, place)))]
        touched = np.isin(rows[:, 0] // 3600, TABLE[batches[place], 0] // 3600)
        seen = seen.patched(summarised(rows[touched]))
        # What was worked out of the hours before is used, and must say the same as nothing before.
        assert studied(seen) == studied(Summaries(seen.hours, seen.bins, seen.bin_count, seen.parts))
    assert seen == IN_ORDER
    assert studied(seen) == STUDY


# ---------------------------------------------------------------- a change, a wet spell and a fault

WORKED_H = 144
CHANGED_H, RAIN_H, OFF_H = 48, 84, (120, 132)  # hours worked


def eventful() -> np.ndarray:
    """A new element, a wet day that dries, a tube off for a shift; a reading every ten minutes."""
    n = int(WORKED_H * 3600 / A_READING_S)
    worked_h = np.arange(n) * A_READING_S / 3600
    at_s = START_S + 3600 * worked_h + 16 * 3600.0 * (worked_h // 8)
    speed = np.where(np.arange(n) % 6 == 0, 84.0, 200.0)
    used = np.where(worked_h < CHANGED_H, 0.5 + worked_h / CHANGED_H / 2, (worked_h - CHANGED_H) / 192)
    drop = (1500 + 4500 * used**2) * (speed / 200.0) ** 1.6
    since_rain_h = worked_h - RAIN_H
    drop *= 1 + np.where(since_rain_h > 0, 0.5 * np.exp(-np.maximum(since_rain_h, 0) / 6), 0.0)
    drop = np.where((worked_h >= OFF_H[0]) & (worked_h < OFF_H[1]), 4.0, drop)
    speed[:: n // 19], drop[:: n // 19] = 0.0, 0.0
    return np.column_stack((at_s, np.round(drop, 1), speed))


EVENTFUL = eventful()
EVENTFUL_FACTS = HousingFacts(terminal_pa=6200.0, kind="grader")


def opened(summaries: Summaries) -> Openings:
    return tell_history(measure_hours(summaries, EVENTFUL_FACTS), EVENTFUL_FACTS).openings


EVENTFUL_IN_ORDER = summarised(EVENTFUL)
EVENTFUL_OPENED = opened(EVENTFUL_IN_ORDER)


def test_the_eventful_series_shows_a_change_a_wet_spell_and_a_fault() -> None:
    """Else the property below holds of nothing."""
    steps, low = EVENTFUL_OPENED.steps, np.flatnonzero(EVENTFUL_OPENED.low)
    assert [step.row for step in steps] == [CHANGED_H, RAIN_H, *OFF_H]
    assert [fall.row for fall in EVENTFUL_OPENED.falls] == [CHANGED_H]
    assert low.tolist() == list(range(*OFF_H))
    assert all(0.5 < step.ranked[0][1] < 0.995 for step in steps)  # none is beyond doubt


@given(
    st.permutations(range(16)), st.lists(st.integers(0, 15), max_size=6), st.randoms(use_true_random=False)
)
@settings(max_examples=examples(24, 200), deadline=None)
def test_the_chances_of_every_step_are_the_same_in_whatever_order_hours_arrive(
    order: list[int], again: list[int], chance: random.Random
) -> None:
    """Judged once on the way too, so that what is remembered of fewer hours is used for all of them."""
    batches = np.array_split(np.arange(len(EVENTFUL)), 16)
    looked_after = chance.randrange(len(order))
    held: set[int] = set()
    seen = summarised(EVENTFUL[:0])
    for n, place in enumerate([*order, *again]):
        held |= set(batches[place].tolist())
        rows = EVENTFUL[sorted(held, key=lambda row: hash((row, place)))]
        touched = np.isin(rows[:, 0] // 3600, EVENTFUL[batches[place], 0] // 3600)
        seen = seen.patched(summarised(rows[touched]))
        if n == looked_after:
            alone = Summaries(seen.hours, seen.bins, seen.bin_count, seen.parts)
            assert opened(seen).steps == opened(alone).steps
    assert seen == EVENTFUL_IN_ORDER
    last = opened(seen)
    assert last.steps == EVENTFUL_OPENED.steps
    assert (last.weighed, last.falls) == (EVENTFUL_OPENED.weighed, EVENTFUL_OPENED.falls)


@given(st.permutations(range(16)), st.integers(0, 15))
@settings(max_examples=examples(6, 40), deadline=None)
def test_what_a_note_of_a_new_element_makes_of_hours_is_the_same_in_whatever_order(
    order: list[int], noted_after: int
) -> None:
    """The note arrives on the way, as hours do; what was remembered without it must not count on."""
    facts = replace(EVENTFUL_FACTS, clean_noted_pa=1_700.0)
    batches, held = np.array_split(np.arange(len(EVENTFUL)), 16), set[int]()
    seen = summarised(EVENTFUL[:0])
    for n, place in enumerate(order):
        held |= set(batches[place].tolist())
        rows = EVENTFUL[sorted(held)]
        touched = np.isin(rows[:, 0] // 3600, EVENTFUL[batches[place], 0] // 3600)
        seen = seen.patched(summarised(rows[touched]))
        if n == noted_after:
            assert study_housing(seen, facts).study.reference == studied(seen).reference
    last = study_housing(seen, facts).study
    assert last == study_housing(EVENTFUL_IN_ORDER, facts).study
    assert last != study_housing(EVENTFUL_IN_ORDER, EVENTFUL_FACTS).study


# ---------------------------------------------------------------- through the store


def batches() -> list[dict[str, Any]]:
    readings = [
        {"seq": n + 1, "at": instant_text(int(at * 1e6)), "restriction": drop, "engine_speed": speed}
        for n, (at, drop, speed) in enumerate(TABLE.tolist())
    ]
    units = {"restriction": "Pa", "engine_speed": "rad/s"}
    envelope = {"device": DEVICE, "stream": STREAM, "units": units}
    return [envelope | {"readings": readings[i : i + 25]} for i in range(0, len(readings), 25)]


def looked(api: Api, memory: Memory) -> Any:
    with api.resources.reading() as connection:
        judge = Judge(connection, api.resources, memory, SnapshotInUse(0, FleetKnowledge()))
        [seen] = judge.views(fleet.every_housing(connection, 1), whole_owner=True)
        return seen.assessment, judge.series(seen).restriction_pa.tolist()


@pytest.mark.parametrize("chance", [1, 2, 3])
def test_what_processes_remember_equals_what_one_reads_that_remembers_nothing(
    database_url: str, chance: int
) -> None:
    """
    Two processes with a memory of their own look now and then, while batches come late, twice and out of
    order: at the end both say what a third says that begins then, and what the readings in order give.
    """
    draw = random.Random(chance)
    with in_process(database_url) as api:
        api.register()
        api.clock.now_us = parse_instant("2026-03-20T00:00:00Z").us
        arrived = batches() + draw.choices(batches(), k=5)
        draw.shuffle(arrived)
        one, other = Memory(), Memory()
        for document in arrived:
            api.send(document)
            if draw.random() < 0.7:
                run_pass(api.resources)
            for memory in (one, other):
                if draw.random() < 0.4:
                    looked(api, memory)
        api.analyse()
        last = looked(api, one)
        assert last == looked(api, other) == looked(api, Memory())
        with api.resources.reading() as connection:
            kept = summaries_of(connection, 1)
    assert kept == IN_ORDER
    assert last[0].study.lives == STUDY.lives
    assert last[0].study.hours_left == STUDY.hours_left


def test_a_summary_made_from_older_rows_never_overwrites_a_newer_one(database_url: str) -> None:
    """Two processes summarise the same hour; the one that read first writes last, and has to do it again."""
    from cleanside.ingest.analysis.summarising import summarise
    from cleanside.ingest.store import hours

    with in_process(database_url) as api:
        api.register()
        first, second, *_ = batches()
        api.send(first)
        with api.resources.reading() as connection:
            behind = hours.behind(connection, limit=100)
            old = summarise(connection, 1, sorted({b.hour for b in behind}))
        api.send(second)
        api.analyse()
        newer = looked(api, Memory())
        refused = api.resources.writer.call(lambda connection: hours.put_summaries(connection, *old))
        assert {kept.hour for kept in old.found} <= refused
        assert looked(api, Memory()) == newer
