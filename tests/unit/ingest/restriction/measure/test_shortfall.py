"""How far work stays below full flow: learned from machines that know, used for those that do not."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.ingest.restriction import (
    HousingFacts,
    Labelled,
    Readings,
    Summaries,
    collect_shortfalls,
    learn_fleet,
    study_housing,
    summarise_hours,
)
from cleanside.ingest.restriction.measure.reference import at_reference_flow, learn_reference
from cleanside.ingest.restriction.measure.shortfall import Shortfall, Shortfalls
from cleanside.ingest.restriction.measure.tuning import FLOW
from tests.support.turbocharger import engine

START_S = 1_772_431_200.0
RATED_RAD_S = 220.0
FULL_PA = 3_000.0
NIGHT_S = 12 * 3_600.0
SETS = {
    "speed and load": ("engine_speed_rad_s", "engine_load_ratio"),
    "mass flow": ("air_mass_flow_kg_s", "engine_speed_rad_s"),
    "mass flow and load": ("air_mass_flow_kg_s", "engine_speed_rad_s", "engine_load_ratio"),
    "speed": ("engine_speed_rad_s",),
    "nothing": (),
}


def worked(sent: str, *, most: float, seed: int, hours: int = 80, changed_h: float = np.inf) -> Summaries:
    """
    A machine that meets at most so much of full load. Truth: a balance of powers; 1 kg/s is full flow.

    changed_h : after a night then an element of a third of the restriction is in.
    """
    rng = np.random.default_rng(seed)
    n = 60 * hours
    speed = rng.choice([0.7, 0.85, 1.0], n // 5).repeat(5)
    load = (most * rng.choice([0.2, 0.5, 0.8, 1.0], n // 5)).round(2).repeat(5)
    made = engine(2.3)
    pairs = list(zip(speed.tolist(), load.tolist(), strict=True))
    known = {pair: made.flow(*pair) for pair in set(pairs)}
    flow = np.array([known[pair] for pair in pairs])
    columns = {
        "engine_speed_rad_s": speed * RATED_RAD_S,
        "engine_load_ratio": load,
        "air_mass_flow_kg_s": flow * (1 + rng.normal(0, 0.01, n)),
    }
    is_changed = np.arange(n) >= 60 * changed_h
    drop = FULL_PA * (0.3 * flow**2 + 0.7 * flow**1.1) * np.where(is_changed, 0.35, 1.0)
    return summarise_hours(
        Readings(
            at_s=START_S + 60.0 * np.arange(n) + NIGHT_S * is_changed,
            restriction_pa=drop + rng.normal(0, 20, n),
            **{name: columns[name] for name in SETS[sent]},
        )
    )


@cache
def fleet(*, most: float) -> Shortfalls:
    """Three haulers whose load is reported."""
    return collect_shortfalls(
        Labelled(f"hauler-{i}", "hauler", worked("speed and load", most=most, seed=i), None, None)
        for i in range(3)
    )


def level_pa(summaries: Summaries, shortfalls: Shortfalls) -> float:
    reference = learn_reference(summaries, shortfalls=shortfalls, machine_kind="hauler")
    return float(np.quantile(at_reference_flow(summaries, reference).restriction_pa, 0.7))


@pytest.mark.parametrize("sent", ["mass flow", "speed", "nothing"])
def test_a_fleet_that_works_below_full_load_raises_the_level_of_a_machine_that_cannot_know(sent) -> None:
    """All work at 0.8 of full load and less: 0.83 of full flow."""
    taught = fleet(most=0.8)
    mine = worked(sent, most=0.8, seed=9)
    before, after = level_pa(mine, Shortfalls()), level_pa(mine, taught)
    assert before < 0.88 * FULL_PA
    assert abs(np.log(after / FULL_PA)) < 0.7 * abs(np.log(before / FULL_PA))


@pytest.mark.parametrize("sent", ["mass flow", "speed", "nothing"])
def test_a_fleet_that_meets_full_load_leaves_the_level(sent) -> None:
    mine = worked(sent, most=1.0, seed=9)
    assert level_pa(mine, fleet(most=1.0)) == pytest.approx(FULL_PA, rel=0.12)


@pytest.mark.parametrize("sent", ["speed and load", "mass flow and load"])
def test_a_machine_that_reports_its_load_needs_no_fleet(sent) -> None:
    """A measured flow goes with speed and load as the machine answers them, up to full load."""
    mine = worked(sent, most=0.8, seed=9)
    assert level_pa(mine, fleet(most=1.0)) == pytest.approx(FULL_PA, rel=0.12)
    assert level_pa(mine, fleet(most=0.6)) == level_pa(mine, Shortfalls())
    assert learn_reference(mine).full_flow_known


@pytest.mark.parametrize("sent", ["mass flow", "speed", "nothing"])
def test_raised_levels_weigh_a_change_as_before(sent: str) -> None:
    """People change by an indicator that shows what the machine meets, whatever full flow would show."""
    mine = worked(sent, most=0.8, seed=9, hours=150, changed_h=60)
    as_met, raised = (
        study_housing(mine, HousingFacts(terminal_pa=1.2 * FULL_PA, fleet=learn_fleet((), shortfalls=known)))
        for known in (fleet(most=1.0), fleet(most=0.7))
    )
    assert raised.study.restriction_pa is not None
    assert as_met.study.restriction_pa is not None
    assert raised.study.restriction_pa > 1.05 * as_met.study.restriction_pa
    assert len(as_met.study.changes_found_s) == 1
    assert raised.study.changes_found_s == as_met.study.changes_found_s
    assert raised.study.changes_sure_s == as_met.study.changes_sure_s


def test_a_flow_entered_in_the_measured_quantity_teaches() -> None:
    [learned] = collect_shortfalls(
        [Labelled("hauler-4", "hauler", worked("mass flow", most=0.8, seed=4), 1.0, "air_mass_flow")]
    ).known
    met = engine(2.3).flow(1.0, 0.8)
    assert learned.ln_flow == pytest.approx(-np.log(met), abs=0.02)
    assert learned.ln_level == pytest.approx(-np.log(0.3 * met**2 + 0.7 * met**1.1), abs=0.05)


def test_who_does_not_know_teaches_nothing() -> None:
    for sent in ("mass flow", "speed", "nothing"):
        housing = Labelled("hauler-5", "hauler", worked(sent, most=0.8, seed=5), 210.0, "engine_speed")
        assert collect_shortfalls([housing]) == Shortfalls()


SOME = st.lists(
    st.builds(
        Shortfall,
        machine=st.sampled_from("abcdef"),
        kind=st.sampled_from(["hauler", "loader"]),
        ln_flow=st.floats(-0.1, 0.4),
        ln_level=st.floats(-0.1, 0.4),
    ),
    max_size=8,
)


@given(known=SOME, seed=st.integers(0, 99))
def test_machines_in_any_order_teach_the_same(known: list[Shortfall], seed: int) -> None:
    mixed = [known[i] for i in np.random.default_rng(seed).permutation(len(known))]
    one, other = (Shortfalls(tuple(some)).expected("hauler") for some in (known, mixed))
    assert one.flow == pytest.approx(other.flow, abs=1e-12)
    assert one.level == pytest.approx(other.level, abs=1e-12)


def test_the_expected_shortfall_is_drawn_from_the_usual_to_the_fleet_and_from_it_to_the_kind() -> None:
    """By hand: the usual one counts as one machine, the fleet as six of a kind."""
    known = (Shortfall("a", "hauler", 0.1, 0.2), Shortfall("b", "loader", 0.3, 0.3))
    of_fleet = (FLOW.short_machines * FLOW.short_level[0] + 0.2 + 0.3) / (FLOW.short_machines + 2)
    assert Shortfalls(known).expected("hauler").level[0] == pytest.approx((6 * of_fleet + 0.2) / 7)
    assert Shortfalls(known).expected("grader").level[0] == pytest.approx(of_fleet)
    assert Shortfalls().expected("").flow[0] == FLOW.short_flow[0]
    spreads = [Shortfalls(known[:n]).expected("hauler").level[1] for n in (0, 1, 2)]
    assert spreads == sorted(spreads, reverse=True)


def test_a_snapshot_passes_through_json_unchanged() -> None:
    known = Shortfalls((Shortfall("a", "hauler", 0.1, 0.2),))
    assert Shortfalls.from_record(json.loads(json.dumps(known.as_record()))) == known
