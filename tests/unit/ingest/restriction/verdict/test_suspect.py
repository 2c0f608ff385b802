"""Causes for mistrust: each from its data, with evidence; none from what looks like one; none flaps."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from cleanside.gateway.units import QUANTITIES, to_si
from cleanside.ingest.restriction import (
    Assessment,
    FleetKnowledge,
    HousingFacts,
    Life,
    Readings,
    assess_housing,
    collect_nearby,
    learn_fleet,
    summarise_hours,
)
from cleanside.ingest.restriction.forecast.duty import Duty
from cleanside.ingest.restriction.measure.atmosphere import standard_pressure_pa
from cleanside.ingest.restriction.measure.steady import latched
from cleanside.ingest.restriction.measure.summary import FloatArray
from cleanside.ingest.restriction.measure.zero import Zero
from cleanside.ingest.restriction.verdict.ahead import Ahead, Points
from cleanside.ingest.restriction.verdict.statement import say
from cleanside.ingest.restriction.verdict.status import level_state, was_plan
from cleanside.ingest.restriction.verdict.suspect import (
    GALE_PA,
    GALE_S,
    GAUGE_UNITS,
    terminal_doubt,
    zeros_moved,
)

START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
DAY_S = 86_400.0
TERMINAL_PA = 6200.0


def work(days: int = 20, *, seed: int = 3, clean_pa: float = 1500.0, rise_pa: float = 900.0) -> Readings:
    """Shifts of eight hours, a reading a minute, mixed flow to 0.4 kg/s, ten minutes off before and after."""
    rng = np.random.default_rng(seed)
    at_s = (START_S + DAY_S * np.arange(days)[:, None] + 60.0 * np.arange(350, 850)[None, :]).ravel()
    running = ((at_s - START_S) % DAY_S >= 360 * 60) & ((at_s - START_S) % DAY_S < 840 * 60)
    flow = np.where(running, rng.uniform(0.12, 0.4, len(at_s)), np.nan)
    level = clean_pa + rise_pa * np.linspace(0, 1, len(at_s)) ** 2
    drop = np.where(running, level * (np.nan_to_num(flow, nan=0.4) / 0.4) ** 1.6, 0.0)
    return Readings(
        at_s=at_s,
        restriction_pa=drop + rng.normal(0, 25, len(at_s)),
        air_mass_flow_kg_s=flow,
        engine_speed_rad_s=np.where(running, 180.0, 0.0),
    )


def since(readings: Readings, days: float) -> np.ndarray:
    return np.asarray(readings.at_s >= START_S + days * DAY_S)


def restriction_of(readings: Readings) -> FloatArray:
    assert readings.restriction_pa is not None
    return readings.restriction_pa


def with_restriction(readings: Readings, values: np.ndarray) -> Readings:
    return dataclasses.replace(readings, restriction_pa=values)


def assess(readings: Readings, **more: object) -> Assessment:
    options: dict = {"terminal_pa": TERMINAL_PA, "reference_flow": 0.4, **more}
    return assess_housing(
        summarise_hours(readings), HousingFacts(**options), now_s=float(readings.at_s.max()) + 600
    )


def causes(found: Assessment) -> list[str]:
    return [suspicion.cause for suspicion in found.study.suspicions]


def test_a_sound_machine_is_not_suspect() -> None:
    assert causes(assess(work())) == []


@pytest.mark.parametrize("stuck_pa", [400.0, 1300.0])
def test_a_line_that_does_not_answer_the_engine_is_flat_with_how_much_comes_through(stuck_pa: float) -> None:
    readings = work()
    rng = np.random.default_rng(1)
    plugged = restriction_of(readings).copy()
    late = since(readings, 17)
    plugged[late] = stuck_pa + rng.normal(0, 25, late.sum())
    found = assess(with_restriction(readings, plugged))
    assert "flat" in causes(found)
    assert found.state == "suspect"
    [flat] = [s for s in found.study.suspicions if s.cause == "flat"]
    assert flat.evidence.code == "flat_swing"
    assert 0.0 <= flat.evidence.values["percent"] < 50.0


@pytest.mark.parametrize(("hours", "is_flat"), [(2, False), (3, True)])
def test_three_hours_on_end_that_do_not_answer_are_flat(hours: int, is_flat: bool) -> None:
    """A tap is plugged overnight; the shift begins at six."""
    readings = work()
    begun_s = START_S + 17 * DAY_S
    seen = readings.at_s < begun_s + (6 + hours) * 3600.0
    level = np.where(readings.at_s < begun_s, restriction_of(readings), 1300.0)
    columns = ("at_s", "air_mass_flow_kg_s", "engine_speed_rad_s")
    given = {name: np.asarray(getattr(readings, name))[seen] for name in columns}
    found = assess(dataclasses.replace(readings, restriction_pa=level[seen], **given))
    assert ("flat" in causes(found)) == is_flat
    assert all(s.evidence.values["percent"] < 10.0 for s in found.study.suspicions if s.cause == "flat")


def test_a_machine_at_one_speed_is_not_called_flat() -> None:
    """A genset: the flow does not vary, so nothing is known of how restriction answers it."""
    readings = work()
    steady = np.where(np.isnan(np.asarray(readings.air_mass_flow_kg_s)), np.nan, 0.4)
    level = np.where(np.isnan(steady), 0.0, 2000.0) + np.random.default_rng(2).normal(0, 25, len(steady))
    found = assess(dataclasses.replace(readings, air_mass_flow_kg_s=steady, restriction_pa=level))
    assert "flat" not in causes(found)


@pytest.mark.parametrize("days", [2, 10])
def test_a_tap_freed_on_a_machine_at_one_speed_is_trusted_again(days: int) -> None:
    """
    Its flow does not vary any more, but what it reads at rest and at work shows that it answers.

    Two such hours on end are enough: with two a day a median of twelve would take most of a week.
    """
    readings = work(days=20 + days)
    # a shift begins and ends within an hour, so that some hours show rest and work
    readings = dataclasses.replace(readings, at_s=readings.at_s + 1800.0)
    steady, running = since(readings, 20), np.asarray(readings.engine_speed_rad_s) > 0
    flow = np.where(steady & running, 0.4, np.asarray(readings.air_mass_flow_kg_s))
    level, noise = restriction_of(readings).copy(), np.random.default_rng(4).normal(0, 25, len(steady))
    level[steady & running] = 2300.0
    plugged = since(readings, 18) & ~steady
    level[plugged] = 2200.0
    parts = dataclasses.replace(
        readings, air_mass_flow_kg_s=flow, restriction_pa=level + np.where(plugged | steady, noise, 0.0)
    )
    before = dataclasses.replace(
        parts,
        **{
            name: np.asarray(values)[~steady]
            for name in ("at_s", "restriction_pa", "air_mass_flow_kg_s", "engine_speed_rad_s")
            if (values := getattr(parts, name)) is not None
        },
    )
    assert "flat" in causes(assess(before))
    assert causes(assess(parts)) == []


@pytest.mark.parametrize("share", [0.0, 0.3, 0.5])
def test_a_torn_or_missing_element_lies_below_the_clean_level_and_is_no_new_life(share: float) -> None:
    readings = work(days=24)
    torn = restriction_of(readings).copy()
    torn[since(readings, 20)] *= share * 1500.0 / 2400.0
    found = assess(with_restriction(readings, torn))
    assert found.study.suspicions[0].cause == "below_clean"
    evidence = found.study.suspicions[0].evidence
    assert evidence.code == "below_clean"
    assert evidence.values["now_pa"] < 0.65 * evidence.values["clean_pa"]
    assert found.advice.code == "advice_below_clean"
    assert found.study.changes_found_s == ()


def test_a_machine_whose_element_is_back_in_place_is_trusted_again() -> None:
    readings = work(days=24)
    torn = restriction_of(readings).copy()
    gone = since(readings, 14) & ~since(readings, 16)
    torn[gone] *= 0.2
    found = assess(with_restriction(readings, torn))
    assert causes(found) == []
    assert found.study.life_hours == pytest.approx(
        24 * 8, rel=0.01
    )  # the hours without it count all the same
    assert found.study.restriction_pa == pytest.approx(2400, rel=0.05)


def test_a_zero_that_moved_is_said_and_taken_off() -> None:
    readings = work(days=24)
    moved = readings.restriction_pa + np.where(since(readings, 20), 600.0, 0.0)
    found = assess(with_restriction(readings, moved))
    assert causes(found) == ["zero_moved"]
    evidence = found.study.suspicions[0].evidence
    assert (evidence.code, evidence.values["moved_pa"]) == ("zero_moved", pytest.approx(600.0, abs=50.0))
    assert found.study.restriction_pa == pytest.approx(2400, rel=0.05)


# ---------------------------------------------------------------- ambient pressure


def placed(name: str, off_pa: float, *, altitude_m: float | None = None, north_km: float = 0.0) -> Readings:
    """A machine on the plateau at 1 200 m; its barometer is off by so much."""
    readings = work(days=4, seed=len(name))
    n = len(readings.at_s)
    weather_pa = 400.0 * np.sin(readings.at_s / 50_000.0)
    return dataclasses.replace(
        readings,
        ambient_pressure_pa=float(standard_pressure_pa(1200.0)) + weather_pa + off_pa,
        altitude_m=None if altitude_m is None else np.full(n, altitude_m),
        latitude_deg=np.full(n, 47.0 + north_km / 111.2),
        longitude_deg=np.full(n, 9.0),
    )


def snapshot(**machines: Readings) -> FleetKnowledge:
    return learn_fleet([], collect_nearby([(name, summarise_hours(r)) for name, r in machines.items()]))


def test_a_barometer_off_the_altitude_is_suspect() -> None:
    assert causes(assess(placed("a", 9_000.0, altitude_m=1200.0))) == ["ambient"]
    assert causes(assess(placed("a", 500.0, altitude_m=1200.0))) == []


def test_a_barometer_off_its_neighbours_in_the_same_hours_is_suspect() -> None:
    """3 kPa: weather could do that against the standard atmosphere, but not against two machines nearby."""
    mine = placed("grader", 3_000.0)
    near = snapshot(grader=mine, loader=placed("loader", 0.0, north_km=1), hauler=placed("hauler", 100.0))
    found = assess(mine, fleet=near, machine="grader")
    assert causes(found) == ["ambient"]
    evidence = found.study.suspicions[0].evidence
    assert (evidence.code, evidence.values["machines"]) == ("air_off_nearby", 2)
    assert causes(assess(placed("loader", 0.0), fleet=near, machine="loader")) == []


@pytest.mark.parametrize("others", [{}, {"loader": 0.0}])
def test_with_fewer_than_two_neighbours_nobody_can_say_which_is_wrong(others: dict[str, float]) -> None:
    mine = placed("grader", 3_000.0)
    near = snapshot(grader=mine, **{name: placed(name, off) for name, off in others.items()})
    assert causes(assess(mine, fleet=near, machine="grader")) == []


def test_machines_far_away_are_no_neighbours() -> None:
    mine = placed("grader", 3_000.0)
    far = snapshot(grader=mine, a=placed("a", 0.0, north_km=40), b=placed("b", 0.0, north_km=40))
    assert causes(assess(mine, fleet=far, machine="grader")) == []


def test_a_neighbour_lower_down_is_compared_at_the_same_height() -> None:
    """12.0 Pa a metre near the ground (ISO 2533): 200 m are 2.4 kPa, more than the bound, and no fault."""
    mine = placed("grader", -2_400.0, altitude_m=1400.0)
    near = snapshot(grader=mine, a=placed("a", 0.0, altitude_m=1200.0), b=placed("b", 0.0, altitude_m=1200.0))
    assert causes(assess(mine, fleet=near, machine="grader")) == []


# ---------------------------------------------------------------- terminal and its unit


def test_the_gauge_units_are_those_of_the_contract() -> None:
    """Source: NIST SP 811 (2008) B.8, by way of the one table of units."""
    for unit, factor in GAUGE_UNITS.items():
        assert unit in QUANTITIES["restriction"].units
        assert factor == pytest.approx(to_si(1.0, unit, "restriction"), rel=1e-6)


@pytest.mark.parametrize(
    ("value", "unit", "meant"),
    [
        (25, "kPa", "inH2O"),
        (6.2, "inH2O", "kPa"),
        (62, "kPa", "mbar"),
        (635, "mbar", "mmH2O"),
        (6.2, "mbar", "kPa"),
    ],
)
def test_a_terminal_value_that_another_unit_explains_is_doubted_and_the_unit_named(
    value: float, unit: str, meant: str
) -> None:
    [doubt] = terminal_doubt(to_si(value, unit, "restriction"), entered=(value, unit))
    assert doubt.cause == "terminal"
    assert doubt.evidence.code == "limit_in_another_unit"
    said = doubt.evidence.values
    assert (said["value"], said["unit"]) == (value, unit)
    assert (said["meant_value"], said["meant_unit"]) == (value, meant)


def test_a_terminal_value_that_no_unit_explains_is_doubted_where_the_engine_works_far_beyond_it() -> None:
    [doubt] = terminal_doubt(25.0, entered=(0.025, "kPa"), level_pa=2770.0)
    said = {"limit_pa": 25.0, "value": 0.025, "unit": "kPa", "percent": 11_080.0}
    assert doubt.evidence == say("engine_beyond_limit", **said)
    assert terminal_doubt(6200.0, entered=(6.2, "kPa"), level_pa=9000.0) == []  # overdue, and said so


def test_an_element_that_began_well_below_a_limit_and_is_far_beyond_it_now_is_overdue() -> None:
    """0.2 to 0.5 of the limit is what new elements read (common practice)."""
    entered = (6.2, "kPa")
    assert terminal_doubt(6200.0, entered=entered, level_pa=13_000.0, began_pa=1900.0) == []
    assert terminal_doubt(6200.0, entered=entered, level_pa=13_000.0, began_pa=5000.0) != []


@pytest.mark.parametrize(
    ("value", "unit"), [(6.2, "kPa"), (25, "inH2O"), (15, "inH2O"), (62, "mbar"), (600, "Pa"), (2.4, "inH2O")]
)
def test_a_terminal_value_that_fits_its_unit_or_is_just_small_is_not_doubted(value: float, unit: str) -> None:
    assert terminal_doubt(to_si(value, unit, "restriction"), entered=(value, unit)) == []


def test_the_levels_seen_speak_for_or_against_a_small_terminal() -> None:
    """A bench filter of 600 Pa begins near 100 Pa; an engine's element at 1 500 Pa speaks against 600."""
    assert terminal_doubt(600.0, entered=(600.0, "Pa"), clean_pa=110.0, level_pa=450.0) == []
    assert terminal_doubt(600.0, entered=(600.0, "Pa"), clean_pa=1500.0, level_pa=1800.0) != []
    # 25 inH2O entered as 25 mbar is a plausible 2.5 kPa until a clean element is seen at 1.9 kPa.
    assert terminal_doubt(2500.0, entered=(25.0, "mbar")) == []
    assert terminal_doubt(2500.0, entered=(25.0, "mbar"), clean_pa=1900.0, level_pa=2000.0) != []


def test_a_wrong_unit_makes_a_housing_suspect_with_the_advice_to_check_it() -> None:
    found = assess(work(), terminal_pa=25_000.0, terminal_entered=(25.0, "kPa"))
    assert (found.state, causes(found)) == ("suspect", ["terminal"])
    assert found.advice.code == "advice_terminal"


# ---------------------------------------------------------------- two devices


def two_devices(gain: float, from_day: float = 15.0) -> Readings:
    """A second monitor half a minute later; from a day on it reads `gain` of what is there."""
    first = work(days=20)
    second = dataclasses.replace(first, at_s=first.at_s + 30.0)
    low = restriction_of(second) * np.where(since(first, from_day), gain, 1.0)

    def both(a: FloatArray | None, b: FloatArray | None) -> FloatArray:
        assert a is not None
        assert b is not None
        return np.concatenate((a, b))

    return Readings(
        at_s=both(first.at_s, second.at_s),
        restriction_pa=both(first.restriction_pa, low),
        air_mass_flow_kg_s=both(first.air_mass_flow_kg_s, second.air_mass_flow_kg_s),
        engine_speed_rad_s=both(first.engine_speed_rad_s, second.engine_speed_rad_s),
        device=np.repeat([7.0, 12.0], len(first.at_s)),
    )


def test_two_devices_that_disagree_are_said_with_how_far_they_are_apart() -> None:
    found = assess(two_devices(0.6))
    assert causes(found) == ["devices_disagree"]
    assert found.study.suspicions[0].evidence.code == "devices_apart"
    assert found.study.changes_found_s == ()
    assert causes(assess(two_devices(0.97))) == []


def test_two_devices_without_tubes_agree_although_their_zeros_do_not() -> None:
    """One reads 0, the other 0.1 kPa at rest: the gravest cause stands before the difference of sensors."""
    readings = two_devices(1.0)
    assert readings.device is not None
    off = readings.at_s > np.quantile(readings.at_s, 0.8)
    level = np.where(off, np.where(readings.device == 7.0, 0.0, 100.0), restriction_of(readings))
    found = assess(dataclasses.replace(readings, restriction_pa=level))
    assert causes(found) == ["below_clean", "flat", "zero_moved"]


def test_which_number_a_device_has_does_not_change_how_far_they_are_apart() -> None:
    readings = two_devices(0.6)
    assert readings.device is not None
    swapped = dataclasses.replace(readings, device=19.0 - readings.device)
    one, other = (summarise_hours(r).column("devices_differ_pa") for r in (readings, swapped))
    assert one == pytest.approx(-other, nan_ok=True)


# ---------------------------------------------------------------- no flapping


def test_what_lies_between_the_bounds_changes_nothing() -> None:
    values = np.array([0.0, 2.0, 0.5, 1.5, 0.9, 2.0, -1.0, 0.5, 1.5])
    state = latched(values > 1.8, values < 0.0)
    assert state.tolist() == [False, True, True, True, True, True, False, False, False]


def test_a_plan_does_not_flap_around_the_horizon() -> None:
    days = np.array([16.0, 14.2, 13.9, 14.3, 13.8, 15.0, 14.1, 16.9, 13.0])
    states = [was_plan([days[: row + 1]], horizon_days=14.0) for row in range(len(days))]
    assert states == [False, False, True, True, True, True, True, True, True]
    assert not was_plan([np.append(days, 18.0)], horizon_days=14.0)  # beyond 1.25 horizons


def test_no_more_forecasts_are_asked_for_than_tell_whether_a_change_was_planned() -> None:
    blocks = iter([np.array([15.0, 16.0]), np.array([13.0, 15.0]), np.array([30.0])])
    assert was_plan(blocks, horizon_days=14.0)
    assert list(blocks) == [np.array([30.0])]
    assert not was_plan([np.array([15.0, 16.0])], horizon_days=14.0)  # it never was


def test_a_change_is_planned_from_one_chance_in_four_that_it_is_due_within_the_horizon() -> None:
    """Ten hours a day, due in 20 days as likely as not: in 10.5 days with one chance in four, or in 16.8."""
    hours = np.arange(100.0)
    life = Life(hours=hours, restriction_pa=2000 + 5 * hours, terminal_pa=6200.0, complete=False)
    ahead, duty = Ahead(life, 99.0, FleetKnowledge(), 0.0), Duty(hours_per_day=10.0, spread=0.0, days=56)
    soon, later, late = (np.array([low, 200.0, 600.0]) for low in (20.0, 140.0, 190.0))
    assert ahead.is_plan(duty, 14.0, Points(soon, late, 0.0))
    assert not ahead.is_plan(duty, 10.0, Points(later, late, 0.0))
    assert ahead.is_plan(duty, 14.0, Points(late, soon, 0.0))  # the indicator latches first


def test_states_of_level_equal_the_state_machine_told_step_by_step() -> None:
    rng = np.random.default_rng(5)
    share = 0.96 + np.cumsum(rng.normal(0, 0.02, 400))
    state = 0
    for row, value in enumerate(share):
        state = max(state, 2 if value >= 1.0 else 1 if value >= 0.95 else 0)
        while state and value < (0.95, 1.0)[state - 1] - 0.03:
            state -= 1
        assert level_state(share[: row + 1]) == ("serving", "due", "over")[state]


def without_restriction_since(readings: Readings, days: float) -> Readings:
    values = restriction_of(readings).copy()
    values[since(readings, days)] = np.nan
    return with_restriction(readings, values)


def emptied_since(readings: Readings, days: float) -> Readings:
    """The monitor goes on sending, and no quantity at all is in its readings."""
    late = since(readings, days)
    columns = ("air_mass_flow_kg_s", "engine_speed_rad_s")
    emptied = {name: np.where(late, np.nan, getattr(readings, name)) for name in columns}
    return dataclasses.replace(without_restriction_since(readings, days), **emptied)


@pytest.mark.parametrize("broken", [without_restriction_since, emptied_since])
def test_a_monitor_that_sends_without_restriction_for_a_day_is_no_sound_element(broken: object) -> None:
    sound = assess(work(12))
    found = assess(broken(work(20), 12))  # type: ignore[operator]
    assert sound.state in ("serving", "plan")
    assert (found.state, causes(found)) == ("suspect", ["no_restriction"])
    assert found.advice.code == "advice_no_restriction"
    evidence = found.study.suspicions[0].evidence
    assert evidence.code == "no_restriction"
    assert evidence.values["at_s"] == sound.study.measured_s
    assert evidence.values["hours"] == 8 * 10  # eight days, each from 05:50 to 14:10


def test_what_was_measured_last_is_no_empty_reading() -> None:
    without, emptied = (assess(f(work(20), 12)) for f in (without_restriction_since, emptied_since))
    assert without.study.measured_s == without.study.last_s
    assert emptied.study.measured_s == assess(work(12)).study.last_s


def test_a_shift_without_restriction_and_a_later_reading_of_it_are_no_fault() -> None:
    assert causes(assess(without_restriction_since(work(20), 19))) == []
    back = restriction_of(without_restriction_since(work(20), 12)).copy()
    back[-1] = 0.0
    assert "no_restriction" not in causes(assess(with_restriction(work(20), back)))


def test_an_element_over_its_limit_stays_so_while_it_is_not_read() -> None:
    found = assess(without_restriction_since(work(20, rise_pa=8000.0), 18))
    assert (found.state, causes(found)) == ("over", ["no_restriction"])


def test_a_monitor_that_never_sent_restriction_is_said_to_have_not() -> None:
    found = assess(without_restriction_since(work(3), 0))
    assert (found.state, found.study.suspicions[0].evidence.code) == ("suspect", "never_restriction")


@pytest.mark.parametrize(
    ("moved_pa", "lasted_s", "is_told"),
    [(200.0, GALE_S / 2, False), (200.0, GALE_S, True), (GALE_PA, 0.0, True), (-200.0, GALE_S / 2, False)],
)
def test_a_zero_that_a_gale_explains_has_moved_once_it_outlasts_the_gale(
    moved_pa: float, lasted_s: float, is_told: bool
) -> None:
    """A strong gale ends at 24.4 m/s (Beaufort 9): half of the density of air times its square is 357 Pa."""
    assert pytest.approx(0.5 * 1.2 * 24.4**2, rel=0.01) == GALE_PA
    levels_pa = np.array([*20 * [0.0], moved_pa, moved_pa])
    level_s = START_S + np.array([*DAY_S * np.arange(20.0), 20 * DAY_S, 20 * DAY_S + lasted_s])
    zero = Zero(levels_pa, levels_pa, np.zeros(22), np.arange(22), level_s, None)
    assert bool(zeros_moved([zero], TERMINAL_PA)) is is_told
