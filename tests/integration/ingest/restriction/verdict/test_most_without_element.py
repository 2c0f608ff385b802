"""A kind most of whose machines work without an element must not teach that this is how clean ones read."""

from __future__ import annotations

import numpy as np

from cleanside.ingest.restriction import (
    FleetKnowledge,
    HousingFacts,
    Readings,
    Summaries,
    housing_teaches,
    learn_fleet,
    summarise_hours,
)
from cleanside.ingest.restriction.measure.summary import DAY_S, HOUR_S
from cleanside.ingest.restriction.verdict.element_history import tell_history
from cleanside.ingest.restriction.verdict.measured_hours import measure_hours

START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z, a Monday
TERMINAL_PA = 6200.0
DAYS, SHIFT_H, EVERY_S = 60, 8.0, 120.0
#: what is left of a clean element's restriction without one; ducts take 0.3 to 0.6 of it (common practice)
LEFT = 0.5


def machine(number: int, changed_day: int, *, is_missing: bool) -> Summaries:
    """Shifts from 06:00 to 14:00: an element in use, then another one or none. Invented; no flow is sent."""
    chance = np.random.default_rng(100 + number)
    of_day = np.arange(5.9 * HOUR_S, 14.1 * HOUR_S, EVERY_S)
    at_s = (START_S + DAY_S * np.arange(DAYS)[:, None] + of_day[None, :]).ravel()
    runs = np.tile((of_day >= 6 * HOUR_S) & (of_day < 14 * HOUR_S), DAYS)
    hours = np.cumsum(runs) * EVERY_S / HOUR_S
    clean_pa, life_h = 0.3 * TERMINAL_PA * np.exp(0.1 * chance.normal()), chance.uniform(350, 700)
    changed_h = changed_day * SHIFT_H
    age_h = np.where(hours < changed_h, hours + chance.uniform(0.3, 0.6) * life_h, hours - changed_h)
    level = clean_pa + (TERMINAL_PA - clean_pa) * np.minimum(np.expm1(3 * age_h / life_h) / np.expm1(3), 1.1)
    if is_missing:
        level = np.where(hours >= changed_h, LEFT * clean_pa, level)
    work = np.exp(0.04 * chance.normal(size=int(hours[-1]) + 2))[hours.astype(int)]
    return summarise_hours(
        Readings(
            at_s=at_s,
            restriction_pa=np.where(runs, level * work, 0.0) + chance.normal(0, 25, len(at_s)),
            engine_speed_rad_s=np.where(runs, 180.0, 0.0),
            supply_voltage_v=np.where(runs, 27.9, 25.0),
        )
    )


def arrived(table: Summaries, day: int) -> Summaries:
    """The hours up to a day."""
    count = int(np.searchsorted(table.hours["hour_s"], START_S + DAY_S * day))
    bins = table.bins[: table.bin_starts[count]]
    return Summaries(table.hours[:count], bins, table.bin_count[:count], table.parts[:count])


def test_eight_of_ten_machines_without_an_element_stay_check_first() -> None:
    """It learns every fourth evening, from what it believed before. The two sound ones stay trusted."""
    missing, changed = 8, [8 + 2 * number for number in range(10)]
    tables = [machine(i, day, is_missing=i < missing) for i, day in enumerate(changed)]
    known, suspected, sound = FleetKnowledge(), list[bool](), list[bool]()
    for day in range(10, DAYS, 4):
        lives = []
        for i, table in enumerate(tables):
            facts = HousingFacts(terminal_pa=TERMINAL_PA, machine=f"m{i}", kind="grader", fleet=known)
            seen = arrived(table, day)
            if day >= changed[i] + 2:
                below = tell_history(measure_hours(seen, facts), facts).below
                (suspected if i < missing else sound).append(bool(below))
            lives += housing_teaches(seen, facts).lives
        known = learn_fleet(lives)
    assert not any(sound)
    assert np.mean(suspected) > 0.7
    share = known.clean_share("grader")
    assert share is None or share > 0.25
