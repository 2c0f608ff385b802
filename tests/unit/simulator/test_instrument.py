"""The simulated monitor: seeded, convex, with the faults it says it has."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from cleanside.gateway.units import QUANTITIES, accepts, to_si
from cleanside.simulator.fleet import FLEET, MachineSpec
from cleanside.simulator.instrument import RESOLUTION_PA, UNITS, Instrument
from cleanside.simulator.schedule import Schedule, make_schedule

START = datetime(2026, 6, 1, tzinfo=UTC)  # a Monday
GRADER = MachineSpec(name="grader-90", kind="grader", rated_r_min=2000, life_hours=150, used_at_fitting=0.1)


def instrument(spec: MachineSpec, *, seed: int = 5) -> tuple[Schedule, Instrument]:
    schedule = make_schedule(spec, start_at=START, days=14, seed=seed)
    return schedule, Instrument(spec, schedule.cycles, cadence_s=30, seed=seed)


def test_the_same_seed_measures_the_same_and_another_does_not() -> None:
    _, one = instrument(GRADER)
    _, same = instrument(GRADER)
    _, other = instrument(GRADER, seed=6)
    first = one.measure(3).columns["restriction"]
    assert np.array_equal(first, same.measure(3).columns["restriction"])
    assert not np.array_equal(first, other.measure(3).columns["restriction"][: len(first)])


def test_every_quantity_is_sent_in_a_unit_that_measures_it_and_within_what_is_possible() -> None:
    for spec in FLEET:
        _, monitor = instrument(spec)
        for name, column in monitor.measure(0).columns.items():
            assert accepts(UNITS[name], name)
            si = [to_si(float(value), UNITS[name], name) for value in column]
            assert QUANTITIES[name].lowest <= min(si) <= max(si) <= QUANTITIES[name].highest


def test_loading_is_convex_and_reaches_terminal_at_the_end_of_the_life() -> None:
    schedule, monitor = instrument(GRADER)
    truth = np.concatenate([monitor.measure(i).true_reference_pa for i in range(len(schedule.cycles))])
    slopes = np.diff(truth[:: len(truth) // 20])
    assert np.all(np.diff(slopes) > 0)
    hours = np.array([GRADER.life_hours * (1 - GRADER.used_at_fitting)])
    at_end = monitor._reference_pa(hours, schedule.cycles[0])
    assert at_end[0] == to_si(25, "inH2O", "restriction")


def test_a_new_element_brings_the_truth_back_to_clean() -> None:
    spec = MachineSpec(
        name="loader-90", kind="loader", rated_r_min=2100, changed_on_day=7, used_at_fitting=0.6
    )
    _, monitor = instrument(spec)
    changed = monitor.changed_in_cycle()
    assert changed is not None
    assert monitor.measure(changed - 1).true_reference_pa[-1] > 1.5 * spec.clean_pa
    assert monitor.measure(changed).true_reference_pa[0] == spec.clean_pa


def test_restriction_carries_the_resolution_of_spn_107() -> None:
    """SAE J1939 SPN 107: 0.05 kPa a bit (from the public Digital Annex extract of October 2020)."""
    _, monitor = instrument(GRADER)
    steps = monitor.measure(1).columns["restriction"] * 1000 / RESOLUTION_PA
    assert np.allclose(steps, np.round(steps))


def test_a_schedule_keeps_power_cycles_apart_and_rests_on_sunday() -> None:
    schedule, _ = instrument(GRADER)
    for before, after in zip(schedule.cycles, schedule.cycles[1:], strict=False):
        assert before.on_at < before.off_at < after.on_at
    assert all(cycle.on_at.weekday() != 6 for cycle in schedule.cycles)
    assert sum(cycle.cut for cycle in schedule.cycles) == GRADER.cuts


def test_the_valley_has_no_link_and_the_plateau_has() -> None:
    spec = MachineSpec(name="hauler-90", kind="hauler", rated_r_min=1900, valley_days=((2, 5),))
    schedule = make_schedule(spec, start_at=START, days=14, seed=1)
    assert not schedule.has_link(START + timedelta(days=3))
    assert schedule.has_link(START + timedelta(days=6, hours=1))
