"""Element lives: entered and found, cleaned, their clean level; and what is no change of the element."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from cleanside.ingest.restriction import (
    Assessment,
    Entry,
    FleetKnowledge,
    HousingFacts,
    Life,
    Readings,
    accounts_of,
    assess_housing,
    learn_fleet,
    summarise_hours,
)
from cleanside.ingest.restriction.elements.lives import clean_level_pa, usual_clean_pa

START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
DAY_S = 86_400.0
TERMINAL_PA = 6200.0
SHIFT_H = 8

Level = Callable[[np.ndarray], np.ndarray]


def used(hours: np.ndarray, *, life_h: float, clean_pa: float = 1500.0) -> np.ndarray:
    """A convex loading curve from clean to terminal."""
    return np.asarray(clean_pa + (TERMINAL_PA - clean_pa) * np.expm1(2.5 * hours / life_h) / np.expm1(2.5))


def measured(days: int, level: Level, *, seed: int = 5, zero: Level | None = None) -> Readings:
    """Shifts of eight hours, a reading a minute, mixed flow; level at full flow by operating hour."""
    rng = np.random.default_rng(seed)
    at_s = (START_S + DAY_S * np.arange(days)[:, None] + 60.0 * np.arange(350, 850)[None, :]).ravel()
    running = ((at_s - START_S) % DAY_S >= 360 * 60) & ((at_s - START_S) % DAY_S < 840 * 60)
    hours = np.cumsum(running) / 60.0
    flow = np.where(running, rng.uniform(0.12, 0.4, len(at_s)), np.nan)
    wander = np.exp(rng.normal(0, 0.015, days * SHIFT_H + 1))[np.minimum(hours.astype(int), days * SHIFT_H)]
    drop = np.where(running, level(hours) * wander * (np.nan_to_num(flow, nan=0.4) / 0.4) ** 1.6, 0.0)
    offset = zero(hours) if zero is not None else 0.0
    return Readings(
        at_s=at_s,
        restriction_pa=drop + offset + rng.normal(0, 25, len(at_s)),
        air_mass_flow_kg_s=flow,
        engine_speed_rad_s=np.where(running, 180.0, 0.0),
    )


def assess(readings: Readings, **more: object) -> Assessment:
    options: dict = {"terminal_pa": TERMINAL_PA, "reference_flow": 0.4, **more}
    return assess_housing(
        summarise_hours(readings), HousingFacts(**options), now_s=float(readings.at_s.max()) + 600
    )


def at_hour(hours: float) -> float:
    """The instant of an operating hour."""
    return START_S + hours // SHIFT_H * DAY_S + 6 * 3600 + hours % SHIFT_H * 3600


# ---------------------------------------------------------------- what is no change


def without(readings: Readings, from_h: float, until_h: float) -> Readings:
    keep = (readings.at_s < at_hour(from_h)) | (readings.at_s >= at_hour(until_h))
    columns = {f.name: getattr(readings, f.name) for f in dataclasses.fields(readings)}
    return Readings(**{name: values[keep] for name, values in columns.items() if values is not None})


def base(hours: np.ndarray) -> np.ndarray:
    return used(hours, life_h=900.0)


def spell(factor: float, from_h: float, until_h: float) -> Level:
    return lambda h: base(h) * np.where((h >= from_h) & (h < until_h), factor, 1.0)


NO_CHANGE = {
    "fog that swells the media for hours": lambda: measured(50, spell(1.4, 200, 212)),
    "rain for three days": lambda: measured(50, spell(1.3, 200, 224)),
    "a wet week": lambda: measured(50, spell(1.25, 200, 256)),
    "a coverage gap": lambda: without(measured(50, base), 180, 260),
    "a zero that moved down": lambda: measured(50, base, zero=lambda h: np.where(h >= 240, -500.0, 0.0)),
    "a zero that moved up and back": lambda: measured(
        50, base, zero=lambda h: np.where((h >= 120) & (h < 240), 500.0, 0.0)
    ),
    "one odd hour": lambda: measured(50, spell(0.3, 240, 241)),
    "two odd hours": lambda: measured(50, spell(0.4, 240, 242)),
}


@pytest.mark.parametrize("what", NO_CHANGE)
def test_it_is_no_change_of_the_element(what: str) -> None:
    found = assess(NO_CHANGE[what]())
    assert found.study.changes_found_s == ()
    assert len(found.study.lives) == 1
    assert found.study.life_hours == pytest.approx(400, rel=0.21)  # a gap takes its hours along


def light(readings: Readings, from_h: float, until_h: float) -> Readings:
    """A week at a third of the flow; restriction follows the flow."""
    now = (readings.at_s >= at_hour(from_h)) & (readings.at_s < at_hour(until_h))
    flowing, level = np.asarray(readings.air_mass_flow_kg_s), np.asarray(readings.restriction_pa)
    flow = np.where(now, flowing * 0.55, flowing)
    drop = np.where(now, level * 0.55**1.6, level)
    return dataclasses.replace(readings, air_mass_flow_kg_s=flow, restriction_pa=drop)


def test_a_week_of_light_work_is_no_change_of_the_element() -> None:
    assert assess(light(measured(50, base), 200, 256)).study.changes_found_s == ()


def test_a_week_of_light_work_without_a_flow_proxy_is_no_change_either() -> None:
    readings = light(measured(50, base), 200, 256)
    found = assess(dataclasses.replace(readings, air_mass_flow_kg_s=None, engine_speed_rad_s=None))
    assert found.study.reference.basis == "envelope"
    assert found.study.changes_found_s == ()


# ---------------------------------------------------------------- changes


def two_elements(*, second: Level, at_h: float = 240.0) -> Level:
    return lambda h: np.where(h < at_h, used(h, life_h=260.0), second(h - at_h))


def test_a_change_without_an_entry_is_found_and_asks_for_one() -> None:
    found = assess(measured(60, two_elements(second=lambda h: used(np.maximum(h, 0), life_h=500.0))))
    [at_s] = found.study.changes_found_s
    assert at_s == pytest.approx(at_hour(240), abs=4 * 3600)
    first, running = found.study.lives
    assert (first.began, first.ended, running.began, running.began_by) == (
        "first seen",
        "before terminal",
        "change",
        "found",
    )
    assert running.level_before_pa == pytest.approx(5300, rel=0.1)
    assert running.level_start_pa == pytest.approx(1500, rel=0.05)
    assert "fell_to_clean" in [statement.code for statement in found.evidence]


def test_an_entry_within_a_shift_of_the_fall_counts_from_the_fall() -> None:
    readings = measured(60, two_elements(second=lambda h: used(np.maximum(h, 0), life_h=500.0)))
    found = assess(readings, entries=(Entry(at_s=at_hour(236)),))
    assert found.study.changes_found_s == ()
    assert [(life.began_by, life.sure) for life in found.study.lives] == [("", "low"), ("entered", "high")]
    assert found.study.lives[1].start_s == at_hour(240)


def test_an_entry_with_no_reading_after_it_begins_a_life_of_no_hours() -> None:
    readings = measured(20, base)
    found = assess(readings, entries=(Entry(at_s=float(readings.at_s.max()) + 60),))
    assert len(found.study.lives) == 2
    assert (found.study.life_hours, found.study.hours_left, found.state) == (None, None, "running-in")


def test_a_fall_part_of_the_way_and_a_faster_rise_is_a_cleaned_element_as_likely() -> None:
    """Two elements first, so that the usual clean level is known; then one that keeps 35 % of its rise."""

    def level(h: np.ndarray) -> np.ndarray:
        first = used(h, life_h=260.0)
        second = used(np.maximum(h - 250, 0), life_h=260.0)
        cleaned = used(np.maximum(h - 500, 0) * 1.4 + 158.0, life_h=260.0)  # where it was at 3 000 Pa
        return np.where(h < 250, first, np.where(h < 500, second, cleaned))

    found = assess(measured(76, level))
    assert [life.began for life in found.study.lives] == ["first seen", "change", "cleaned"]
    assert "fell_part_of_the_way" in [statement.code for statement in found.evidence]
    # Share used counts from a new element's clean level: the dust that cleaning left is used already.
    assert found.study.clean_pa == pytest.approx(1500, rel=0.1)


def test_a_cleaned_element_that_is_replaced_within_days_is_not_judged_by_the_next_one() -> None:
    """Two new ones; the second was cleaned at its end, and a third went in 30 h later."""

    def level(h: np.ndarray) -> np.ndarray:
        first, second = used(h, life_h=260.0), used(np.maximum(h - 250, 0), life_h=260.0)
        cleaned, third = 3000.0 + 10.0 * (h - 500), used(np.maximum(h - 530, 0), life_h=400.0)
        return np.where(h < 250, first, np.where(h < 500, second, np.where(h < 530, cleaned, third)))

    found = assess(measured(120, level))
    assert [life.began for life in found.study.lives] == ["first seen", "change", "cleaned", "change"]
    assert [life.hours for life in found.study.lives[:3]] == pytest.approx([250, 250, 30], abs=3)


def test_a_new_element_is_recognised_on_a_machine_whose_others_were_mostly_cleaned() -> None:
    """It is half of what the cleaned ones began at, as it should."""

    def level(h: np.ndarray) -> np.ndarray:
        first, cleaned = used(h % 150, life_h=160.0), used(h % 150 + 130.0, life_h=290.0)
        new = used(np.maximum(h - 600, 0), life_h=300.0, clean_pa=1200.0)
        return np.where(h < 300, first, np.where(h < 600, cleaned, new))

    found = assess(measured(95, level))
    assert len(found.study.lives) == 5
    assert found.study.lives[-1].began == "change"
    assert found.study.lives[-1].hours == pytest.approx(160, abs=3)
    assert found.study.lives[-1].level_start_pa == pytest.approx(1250, rel=0.1)


# ---------------------------------------------------------------- the clean level


def life(*levels_pa: float, from_new: bool = True, kind: str = "grader") -> Life:
    values = np.repeat(levels_pa, 20)
    return Life(
        hours=np.arange(1.0, len(values) + 1),
        restriction_pa=values,
        terminal_pa=TERMINAL_PA,
        complete=False,
        kind=kind,
        from_new=from_new,
    )


def test_the_clean_level_of_a_life_is_drawn_to_the_usual_one_as_far_as_its_hours_are_few() -> None:
    new = dataclasses.replace(life(2000.0), hours=np.arange(1.0, 4.0), restriction_pa=np.full(3, 2000.0))
    assert clean_level_pa(new) == 2000.0
    assert clean_level_pa(new, 1600.0) == pytest.approx((3 * 2000 + 5 * 1600) / 8)
    assert clean_level_pa(life(2000.0), 1600.0) == pytest.approx((20 * 2000 + 5 * 1600) / 25)


def test_an_element_in_use_when_first_seen_takes_the_usual_clean_level() -> None:
    old = life(3000.0, 3500.0, from_new=False)
    assert clean_level_pa(old, 1600.0, whole=False) == 1600.0
    assert clean_level_pa(old, None, whole=False) == 3000.0
    assert clean_level_pa(old, 3300.0, whole=False) == 3000.0  # it was lower than that


def test_an_element_half_used_when_first_seen_is_not_clean_because_no_other_was_seen() -> None:
    """3.4 of 6.2 kPa at first: its share counts from what the limit lets expect of a clean one."""
    half = assess(measured(10, lambda h: used(h + 160, life_h=300))).study
    assert half.clean_pa == pytest.approx(0.3 * TERMINAL_PA)
    new = assess(measured(10, lambda h: used(h, life_h=300))).study
    assert new.clean_pa == pytest.approx(1500, rel=0.08)


def test_the_usual_clean_level_is_the_machines_own_and_its_kinds() -> None:
    assert usual_clean_pa([], None) is None
    assert usual_clean_pa([], 1700.0) == 1700.0
    own = [life(1500.0), life(1600.0), life(9000.0, from_new=False)]
    assert usual_clean_pa(own, None) == 1550.0
    assert usual_clean_pa(own, 1750.0) == pytest.approx((2 * 1550 + 2 * 1750) / 4)


def test_a_kind_teaches_the_clean_level_of_a_machine_that_has_shown_none() -> None:
    graders = [life(level, 4000.0) for level in (1500.0, 1550.0, 1600.0)]
    known = learn_fleet([*graders, life(500.0, kind="loader")])
    assert known.clean_share("grader") == pytest.approx(1550 / TERMINAL_PA)
    assert known.clean_share("dozer") is None
    assert known.clean_share("loader") is None  # one life may have been told from a torn element
    readings = measured(20, lambda h: used(h + 200, life_h=400.0))
    alone = assess(readings, fleet=FleetKnowledge(), kind="grader")
    taught = assess(readings, fleet=known, kind="grader")
    assert alone.study.share_used_percent is not None
    assert taught.study.share_used_percent is not None
    assert alone.study.share_used_percent < taught.study.share_used_percent
    assert taught.study.clean_pa == pytest.approx(1550.0)


def test_by_engine_speed_alone_a_week_of_light_load_is_no_change_and_a_deep_fall_is() -> None:
    """At the same speed a turbocharged engine takes less air under light load: a fifth less restriction."""
    light_week = spell(0.78, 200, 256)
    changed = two_elements(second=lambda h: used(np.maximum(h, 0), life_h=500.0))
    for level, lives in ((light_week, 1), (changed, 2)):
        readings = measured(60, level)
        flow = np.asarray(readings.air_mass_flow_kg_s)
        speed = np.where(np.isnan(flow), 0.0, 450.0 * np.nan_to_num(flow))
        by_speed = dataclasses.replace(readings, air_mass_flow_kg_s=None, engine_speed_rad_s=speed)
        found = assess(by_speed, reference_flow=None)
        assert found.study.reference.flow_kind == "engine_speed"
        assert len(found.study.lives) == lives


# ---------------------------------------------------------------- what was done, as entered


def cleaned_level(h: np.ndarray) -> np.ndarray:
    """New at fitting, with a clean level of 2 kPa; cleaned after 240 hours, from 5.3 to 3.8 kPa."""
    first = used(h, life_h=260.0, clean_pa=2000.0)
    return np.where(h < 240, first, used(np.maximum(h - 240, 0) + 138.0, life_h=260.0, clean_pa=2000.0))


def entered(hours: float, what: str) -> Entry:
    return Entry(at_s=at_hour(hours) - 300, what=what)


def test_cleaning_an_element_keeps_the_clean_level_that_it_had_when_new() -> None:
    readings = measured(42, cleaned_level)
    found = assess(readings, entries=(entered(240, "cleaned"),))
    assert [(life.began, life.began_by) for life in found.study.lives] == [
        ("first seen", ""),
        ("cleaned", "entered"),
    ]
    assert found.study.clean_pa == pytest.approx(2000, rel=0.05)
    assert found.study.cleanings == 1
    assert found.study.entries[0].verdict == "fits"
    new = assess(readings, entries=(entered(240, "new"),))
    assert new.study.clean_pa == pytest.approx(3550, rel=0.1)  # what it would be if it were another one
    assert new.study.cleanings == 0


def test_cleanings_are_counted_for_each_element() -> None:
    def level(h: np.ndarray) -> np.ndarray:
        """Cleaned after 100 and 200 hours, new after 300, cleaned after 400."""
        return np.asarray(3000.0 + 20.0 * (h % 100.0) - 800.0 * (h >= 300.0))

    def cleanings(until_h: float) -> int:
        work = [(100.0, "cleaned"), (200.0, "cleaned"), (300.0, "new"), (400.0, "cleaned")]
        entries = tuple(entered(hours, what) for hours, what in work if hours < until_h)
        return assess(measured(int(until_h) // SHIFT_H, level), entries=entries).study.cleanings

    assert [cleanings(until_h) for until_h in (96, 160, 264, 360, 464)] == [0, 1, 2, 0, 1]


@pytest.mark.parametrize("what", ["inspected", "safety_element"])
def test_an_inspection_or_a_safety_element_changes_no_figure_of_the_element(what: str) -> None:
    readings = measured(30, base)
    noted, without = assess(readings, entries=(entered(120, what),)), assess(readings)
    assert [w.verdict for w in noted.study.entries] == ["noted"]
    safety = without.study.safety_element  # counted from its entry on, shown and judged by nothing
    assert dataclasses.replace(noted.study, entries=(), safety_element=safety) == without.study


# ---------------------------------------------------------------- the safety element


def test_changes_and_hours_since_the_safety_element_are_counted() -> None:
    """Common practice, without a source: with each third change of the main element."""

    def level(h: np.ndarray) -> np.ndarray:
        return np.asarray(3000.0 + 20.0 * (h % 100.0))

    def seen(until_h: float, *more: Entry) -> tuple[float | None, int, bool]:
        new = tuple(entered(hours, "new") for hours in (100, 200, 300, 400) if hours < until_h)
        found = assess(measured(int(until_h) // SHIFT_H, level), entries=(*new, *more)).study.safety_element
        from_h = 0.0 if found.changed_s is None else 100.0
        assert found.hours == pytest.approx(until_h - from_h, abs=10)
        return found.changed_s, found.changes, found.is_usual_now

    safety = entered(100, "safety_element")
    assert seen(160) == (None, 1, False)
    assert seen(264) == (None, 2, True)
    assert seen(264, safety) == (safety.at_s, 1, False)  # the change of the same service is not one since
    assert seen(360, safety) == (safety.at_s, 2, True)
    assert seen(360, dataclasses.replace(safety, by_code=True))[1] == 3  # no one vouches for it


# ---------------------------------------------------------------- the account of an element


def cleaned_by(share: float, at_h: float) -> Level:
    """In use when first seen; a new one after 100 hours, cleaned by a share of its rise at an hour."""
    before = float(used(np.array(at_h - 100.0), life_h=260.0))
    after = before - share * (before - 1500.0)
    loaded_h = 260.0 / 2.5 * np.log1p((after - 1500.0) / (TERMINAL_PA - 1500.0) * np.expm1(2.5))

    def level(h: np.ndarray) -> np.ndarray:
        new = used(np.maximum(h - 100.0, 0.0), life_h=260.0)
        cleaned = used(np.maximum(h - at_h, 0.0) * 1.2 + loaded_h, life_h=260.0)
        return np.where(h < 100, used(h, life_h=400.0), np.where(h < at_h, new, cleaned))

    return level


@pytest.mark.parametrize("share", [0.3, 0.5, 0.7])
def test_what_a_cleaning_gave_back_is_near_the_truth_and_its_interval_holds(share: float) -> None:
    """Cleaning takes 30 to 80 % of the dust off (common practice, without a source)."""
    held, errors = 0, []
    for seed, at_h in enumerate((220, 260, 300, 330)):
        work = (entered(100, "new"), entered(at_h, "cleaned"))
        [first, second] = accounts_of(
            assess(
                measured(at_h // SHIFT_H + 6, cleaned_by(share, at_h), seed=seed), entries=work
            ).study.lives
        )
        assert (first.from_new, first.cleanings) == (False, ())
        [cleaning] = second.cleanings
        assert cleaning.cleaned is not None
        found = cleaning.cleaned.gave_back
        assert found is not None
        held += found.low <= share <= found.high
        errors.append(abs(found.share - share))
        assert (cleaning.entered, cleaning.ended) == (True, "running")
        assert cleaning.hours_before == pytest.approx(at_h - 100, abs=8)
        assert second.hours == pytest.approx(cleaning.hours_before + cleaning.hours_after)
    assert held >= 3
    assert max(errors) < 0.07


def test_an_element_is_one_from_going_in_to_coming_out_over_all_its_cleanings() -> None:
    def level(h: np.ndarray) -> np.ndarray:
        return np.asarray(3000.0 + 20.0 * (h % 100.0) - 800.0 * (h >= 300.0))

    work = [(100.0, "cleaned"), (200.0, "cleaned"), (300.0, "new"), (400.0, "cleaned")]
    entries = tuple(entered(hours, what) for hours, what in work)
    lives = assess(measured(464 // SHIFT_H, level), entries=entries).study.lives
    first, second = accounts_of(lives)
    assert [(one.number, one.first_life, len(one.cleanings)) for one in (first, second)] == [
        (1, 0, 2),
        (2, 3, 1),
    ]
    assert (first.from_new, second.from_new) == (False, True)
    assert first.end_s == second.start_s
    assert second.end_s is None
    assert first.hours == pytest.approx(300, abs=8)
    assert sum(one.hours for one in (first, second)) == pytest.approx(sum(life.hours for life in lives))


def test_a_cleaning_of_an_element_whose_clean_level_nothing_says_has_levels_and_no_share() -> None:
    """In use when first seen, no limit, no kind: how much of its level is dust is not known."""
    found = assess(measured(42, cleaned_level), entries=(entered(240, "cleaned"),), terminal_pa=None)
    [[cleaning]] = [one.cleanings for one in accounts_of(found.study.lives)]
    assert cleaning.cleaned is not None
    assert cleaning.cleaned.gave_back is None
    assert cleaning.cleaned.before_pa == pytest.approx(5400, rel=0.05)
    assert cleaning.cleaned.after_pa == pytest.approx(3040, rel=0.05)
