"""Made fleets: every generator keeps the truth format, whatever its physics."""

from __future__ import annotations

import re
from functools import cache

import numpy as np
import pytest
from scipy.stats import binomtest

from cleanside.gateway.units import QUANTITIES, accepts, to_si
from tests.fleets.entering import SHARES
from tests.fleets.knowing import say_the_truth
from tests.fleets.making import FOR_TUNING, KEPT_OUT, make_fleet
from tests.fleets.score import EntryWas, score_fleet
from tests.fleets.truth import Cause, EntryIs, Fleet, Work

GENERATORS = (*FOR_TUNING, *KEPT_OUT)


@cache
def fleet_of(generator: str, seed: int = 3) -> Fleet:
    return make_fleet(generator, machines=9, days=50, seed=seed, interval_s=300.0)


@pytest.mark.parametrize("generator", GENERATORS)
def test_the_same_seed_makes_the_same_fleet(generator: str) -> None:
    first, again = fleet_of(generator), make_fleet(generator, machines=9, days=50, seed=3, interval_s=300.0)
    for one, other in zip(first.machines, again.machines, strict=True):
        # by text, because some values are NaN
        assert repr((one.changes, one.faults)) == repr((other.changes, other.faults))
        assert (one.lives, one.entries) == (other.lives, other.entries)
        for ours, theirs in zip(one.readings, other.readings, strict=True):
            assert all(np.array_equal(ours.values[q], theirs.values[q], equal_nan=True) for q in ours.values)


@pytest.mark.parametrize("generator", GENERATORS)
def test_the_api_accepts_the_names_of_machines_kinds_and_devices(generator: str) -> None:
    """The rule of the contract: 1 to 64 letters, digits and - . : _ only."""
    for machine in fleet_of(generator).machines:
        for name in (machine.name, machine.kind, *(readings.device for readings in machine.readings)):
            assert re.fullmatch(r"[A-Za-z0-9:._-]{1,64}", name)


@pytest.mark.parametrize("generator", GENERATORS)
def test_readings_are_in_time_order_and_never_arrive_before_they_are_measured(generator: str) -> None:
    for machine in fleet_of(generator).machines:
        for readings in machine.readings:
            assert np.all(np.diff(readings.at_s) > 0)
            assert np.all(np.diff(readings.received_s) >= 0)
            assert np.all(readings.received_s >= readings.at_s)


@pytest.mark.parametrize("generator", GENERATORS)
def test_what_is_sent_is_a_quantity_in_a_unit_and_within_bounds(generator: str) -> None:
    for machine in fleet_of(generator).machines:
        for readings in machine.readings:
            for name, values in readings.values.items():
                unit, quantity = readings.units[name], QUANTITIES[name]
                assert accepts(unit, name)
                known = values[np.isfinite(values)]
                assert to_si(float(known.min()), unit, name) >= quantity.lowest
                assert to_si(float(known.max()), unit, name) <= quantity.highest


@pytest.mark.parametrize("generator", GENERATORS)
def test_a_gauge_and_the_truth_agree_where_nothing_is_wrong(generator: str) -> None:
    """A machine at work shows at most its full flow, and most machines come near it within a day."""
    shares = []
    for machine in fleet_of(generator).machines:
        readings, evenings = machine.readings[0], machine.evenings
        if "restriction" not in readings.values:
            continue
        unit = readings.units["restriction"]
        pa = readings.values["restriction"] * to_si(1.0, unit, "restriction")
        for at_s, full_pa in zip(evenings.at_s, evenings.full_flow_pa, strict=True):
            rows = slice(*np.searchsorted(readings.at_s, (at_s - 86_400, at_s)))
            shown = pa[rows][np.isfinite(pa[rows])]  # where monitors were swapped, others sent it
            has_fault = machine.faults_at(at_s) or machine.faults_at(at_s - 86_400)
            if len(shown) > 60 and not has_fault:
                shares.append(np.quantile(shown, 0.98) / full_pa)
    assert 0.5 < np.median(shares) < 1.1


@pytest.mark.parametrize("generator", GENERATORS)
def test_hours_left_end_at_zero_and_lives_begin_where_the_one_before_ended(generator: str) -> None:
    for machine in fleet_of(generator).machines:
        ends = [life.end_s for life in machine.lives]
        assert [life.start_s for life in machine.lives[1:]] == ends[:-1]
        assert ends[-1] == np.inf
        left = machine.evenings.days_left
        for life in machine.lives:
            rows = (machine.evenings.at_s > max(life.start_s, life.limit_s)) & (
                machine.evenings.at_s < life.end_s
            )
            assert np.all(left[rows] == 0) or not life.is_sound


@pytest.mark.parametrize("generator", GENERATORS)
def test_a_new_element_reads_lower_and_a_missing_one_lower_still(generator: str) -> None:
    for machine in fleet_of(generator).machines:
        for change in machine.changes:
            if change.work is Work.MISSING:
                assert change.after_pa < 0.8 * machine.lives[0].clean_pa
            elif change.work is Work.CLEANED:
                assert 0.3 - 1e-6 <= change.recovered <= 0.7 + 1e-6


@pytest.mark.parametrize("generator", GENERATORS)
def test_one_fault_at_a_time_on_a_machine(generator: str) -> None:
    for machine in fleet_of(generator).machines:
        for one, following in zip(machine.faults, machine.faults[1:], strict=False):
            assert one.repaired_s <= following.begin_s


@pytest.mark.parametrize("generator", GENERATORS)
def test_who_knows_the_truth_scores_perfectly(generator: str) -> None:
    """Else the score asks for what is not in the fleet."""
    fleet = fleet_of(generator)
    said = [one for machine in fleet.machines for one in say_the_truth(machine)]
    for score in score_fleet(fleet, said):
        assert all(new.is_found for new in score.new)
        assert all(asked for _, asked, _ in score.cleaned)
        assert all(cause.in_time and cause.is_kept for cause in score.causes)
        assert (score.false_changes, score.false_suspicions, score.suspect_days) == (0, 0, 0)
        assert not any([*score.near, *score.faulty])
        assert all([*score.latched_day, *score.latched_week])
        assert all((was is EntryWas.WRONG_MACHINE) == questioned for was, questioned in score.entries)
        assert sum(score.share_errors) == 0
        assert all(dated.points[0] <= dated.latch_days <= dated.points[2] for dated in score.dated)


def test_causes_are_dealt_equally_often() -> None:
    fleet = make_fleet("plateau", machines=16, days=110, seed=1, interval_s=600.0)
    made = [fault.cause for machine in fleet.machines for fault in machine.faults]
    for cause in set(Cause) - {Cause.PORTS_SWAPPED, Cause.TUBE_OFF, Cause.SWAPPED}:
        assert 4 <= made.count(cause) <= 7


@pytest.mark.parametrize("generator", GENERATORS)
def test_late_doubled_and_wrong_machine_entries_come_in_the_stated_shares(generator: str) -> None:
    """Each share among the three, by the binomial test at one in a thousand; a doubled one is two entries."""
    fleets = [make_fleet(generator, machines=28, days=110, seed=s, interval_s=600.0) for s in (11, 12)]
    made = [entry.kind for fleet in fleets for machine in fleet.machines for entry in machine.entries]
    odd = (EntryIs.LATE, EntryIs.DOUBLED, EntryIs.WRONG_MACHINE)
    counts = {kind: made.count(kind) // (2 if kind is EntryIs.DOUBLED else 1) for kind in odd}
    for kind in odd:
        share = SHARES[kind] / sum(SHARES[other] for other in odd)
        assert counts[kind] >= 3
        assert binomtest(counts[kind], sum(counts.values()), share).pvalue > 0.001
