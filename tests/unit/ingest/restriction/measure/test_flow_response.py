"""
The exponent of restriction against flow over some hours, from the summaries of a housing.

Reference: Darcy-Forchheimer, R = a Q + b Q^2; the local exponent at full flow is (a Q + 2 b Q^2) / R.
"""

from __future__ import annotations

import numpy as np
import pytest

from cleanside.ingest.restriction import (
    FleetKnowledge,
    HousingFacts,
    Readings,
    Summaries,
    study_housing,
    summarise_hours,
)
from cleanside.ingest.restriction.measure.exponent import LEAST_PAIRS
from cleanside.ingest.restriction.measure.flow_response import FlowResponse, KnownExponents, response_of
from cleanside.ingest.restriction.measure.summary import HOUR_S, FloatArray

STEP_S = 60.0
FULL_KG_S = 0.3
TERMINAL_PA = 6200.0


def worked(medium_pa: FloatArray, duct_pa: float) -> Summaries:
    """An hour of varied flow for each resistance of the medium at full flow; the key is off between them."""
    chance = np.random.default_rng(3)
    steps = int(0.9 * HOUR_S / STEP_S)
    at_s = (np.arange(len(medium_pa))[:, None] * HOUR_S + np.arange(steps) * STEP_S).ravel()
    share = chance.choice([0.5, 0.65, 0.8, 0.9, 1.0], size=len(at_s))
    restriction = duct_pa * share**2 + np.repeat(medium_pa, steps) * share
    return summarise_hours(
        Readings(
            at_s=at_s,
            restriction_pa=restriction + chance.normal(0, 10, len(at_s)),
            air_mass_flow_kg_s=share * FULL_KG_S,
            engine_speed_rad_s=np.full(len(at_s), 190.0),
        )
    )


@pytest.mark.parametrize(
    ("medium_pa", "expected"), [(4000.0, (1.15, 1.3)), (300.0, (1.7, 1.8)), (0.0, (1.95, 2.05))]
)
def test_the_exponent_lies_between_media_and_ducts(medium_pa: float, expected: tuple[float, float]) -> None:
    found = response_of(table := worked(np.full(30, medium_pa), 1000.0), table.column("hour_s")).over(0, 30)
    assert found is not None
    assert expected[0] < found.value < expected[1]
    assert found.spread < 0.05


def test_a_response_takes_from_the_one_before_what_rests_on_equal_steps() -> None:
    chance = np.random.default_rng(4)
    row, ln_flow = np.repeat(np.arange(40), 4), chance.choice([-0.4, 0.3, 0.5], 160)
    ln_drop = 1.6 * ln_flow + chance.normal(0, 0.05, 160)
    known = KnownExponents()
    first = FlowResponse(row, ln_flow, ln_drop, known)
    spans = [(0, 10), (10, 25), (25, 40)]
    found = [first.over(*span) for span in spans]
    later = ln_drop.copy()
    later[-1] += 0.5
    second = FlowResponse(row, ln_flow, later, known)
    again = [second.over(*span) for span in spans]
    assert [one is other for one, other in zip(found, again, strict=True)] == [True, True, False]
    assert again == [FlowResponse(row, ln_flow, later).over(*span) for span in spans]
    assert len(known.found) == len(spans)


def test_the_exponent_alone_is_that_beside_its_error() -> None:
    response = response_of(table := worked(np.full(30, 2000.0), 1000.0), table.column("hour_s"))
    found = response.over(3, 27)
    assert found is not None
    assert response.middle_over(3, 27) == found.value
    assert response.middle_over(3, 3) is None


def test_hours_that_are_not_in_the_series_are_left_out() -> None:
    table = worked(np.concatenate((np.full(20, 4000.0), np.full(20, 300.0))), 1000.0)
    response = response_of(table, table.column("hour_s")[20:])
    found = response.over(0, 20)
    assert found is not None
    assert found.value > 1.6


def test_few_steps_of_flow_show_no_exponent() -> None:
    table = worked(np.full(1, 4000.0), 1000.0)
    assert len(table.bins) < LEAST_PAIRS
    assert response_of(table, table.column("hour_s")).over(0, 1) is None


def test_next_to_nothing_has_no_exponent() -> None:
    """Its logarithm is that of noise."""
    table = worked(np.full(30, 20.0), 30.0)
    assert response_of(table, table.column("hour_s")).over(0, 30) is None


@pytest.mark.parametrize(("new_pa", "duct_pa", "is_told"), [(250.0, 850.0, True), (700.0, 400.0, False)])
def test_of_two_elements_at_one_level_the_torn_one_is_told(
    new_pa: float, duct_pa: float, is_told: bool
) -> None:
    """Both fall from 4.9 to 1.1 kPa, no clean one was seen. On one machine the duct is nearly all of it."""
    loaded_pa = np.linspace(3000.0, 4900.0 - duct_pa, 150)
    table = worked(np.concatenate((loaded_pa, np.full(40, new_pa))), duct_pa)
    facts = HousingFacts(terminal_pa=TERMINAL_PA, fleet=FleetKnowledge())
    causes = {suspicion.cause for suspicion in study_housing(table, facts).study.suspicions}
    assert ("below_clean" in causes) is is_told
