"""What a person noted of a new element: how sure it makes the clean level, and what outweighs it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy import integrate, stats

from cleanside.ingest.restriction.elements.explain import CLEANED, LOW, NEW
from cleanside.ingest.restriction.elements.noted_clean import KnownClean, NotedClean, noted_clean, with_note
from cleanside.ingest.restriction.elements.openings import Expectation, Openings, find_openings
from cleanside.ingest.restriction.measure.reference import HourlyRestriction, Reference
from cleanside.ingest.restriction.measure.tuning import TUNING

LIMIT_PA = 6_200.0
KNOWN = KnownClean(np.log(1_900.0), 0.2**2)
OWN_PA = 2_700.0  # of this machine, where others of its kind read 1.9 kPa
SPREAD = 0.07
#: as a fleet teaches after some twenty lives
LEARNED = dataclasses.replace(TUNING, element_spread=0.1)


def test_without_a_note_nothing_changes() -> None:
    assert with_note(KNOWN, None, TUNING) == (KNOWN,)


@pytest.mark.parametrize("shown_pa", [1_700.0, 1_950.0, 2_400.0, 4_000.0])
def test_a_note_weighs_as_bayes_has_it(shown_pa: float) -> None:
    """Against the integral over what clean elements read (Bayes' rule; scipy's quadrature)."""
    own = np.hypot(SPREAD, TUNING.note_spread)
    noted = NotedClean(float(np.log(shown_pa)), SPREAD)
    right, wrong = with_note(KNOWN, noted, TUNING)

    def both(clean: float, power: int) -> float:
        prior = stats.norm.pdf(clean, KNOWN.clean, 0.2)
        return float(clean**power * prior * stats.norm.pdf(noted.level, clean, own))

    total, mean, square = (
        integrate.quad(both, KNOWN.clean - 3, KNOWN.clean + 3, args=(power,), points=[KNOWN.clean])[0]
        for power in range(3)
    )
    assert right.clean == pytest.approx(mean / total)
    assert right.var == pytest.approx(square / total - (mean / total) ** 2, abs=1e-6)
    odds = TUNING.note_right * total / ((1 - TUNING.note_right) / np.log(10.0))
    assert right.weight - wrong.weight == pytest.approx(np.log(odds))
    assert (right.by_note, wrong.by_note, wrong[:2]) == (True, False, KNOWN[:2])


def test_a_note_far_from_the_fleet_is_rather_wrong() -> None:
    weights = [
        [case.weight for case in with_note(KNOWN, NotedClean(float(np.log(pa)), SPREAD), TUNING)]
        for pa in (2_000.0, 600.0, 5_500.0)
    ]
    assert [right > wrong for right, wrong in weights] == [True, False, False]


REFERENCE = Reference(
    basis="flow",
    flow_kind="air_mass_flow",
    reference_flow=0.4,
    reference_entered=True,
    entered_unused=None,
    exponent=1.6,
    exponent_spread=0.02,
    exponent_fitted=True,
    zero_pa=0.0,
    zero_drift_pa=None,
    zero_known=True,
    density="not corrected",
    site_kg_m3=None,
    sure="high",
)


def test_where_full_flow_is_not_known_the_hours_read_less_than_the_gauge() -> None:
    """By the mean of a half-normal, s * sqrt(2 / pi) (any handbook of distributions)."""
    known = noted_clean(2_000.0, REFERENCE, TUNING)
    by_speed = dataclasses.replace(REFERENCE, flow_kind="engine_speed", reference_entered=False)
    unknown = noted_clean(2_000.0, by_speed, TUNING)
    assert known.level == pytest.approx(np.log(2_000.0))
    assert unknown.level == pytest.approx(np.log(2_000.0) - stats.halfnorm.mean(scale=TUNING.met_below))
    assert unknown.spread > known.spread == TUNING.gauge_spread


# ---------------------------------------------------------------- in the histories


def element(hours: int, *, clean_pa: float = OWN_PA, used: tuple[float, float] = (0.0, 0.8)) -> np.ndarray:
    """An element of this machine from one share used to another, with the wander of an hour."""
    share = np.linspace(*used, hours) ** 2
    wander = np.random.default_rng(hours).normal(0.0, 0.015, hours)
    return np.asarray((clean_pa + share * (LIMIT_PA - clean_pa)) * np.exp(wander))


def opened(*parts: np.ndarray, shown_pa: float | None) -> Openings:
    level = np.concatenate(parts)
    n = len(level)
    series = HourlyRestriction(
        hour_s=3_600.0 * np.arange(n, dtype=np.float64),
        operating_s=np.full(n, 3_500.0),
        restriction_pa=level,
        flow_ratio=np.ones(n),
    )
    noted = None if shown_pa is None else noted_clean(shown_pa, REFERENCE, TUNING)
    expected = Expectation(terminal_pa=LIMIT_PA, kind_clean_pa=None, by_fleet=(1_900.0, 0.2), noted=noted)
    return find_openings(series, np.ones(n, dtype=bool), (), expected, flow="flow", tuning=LEARNED)


IN_USE = element(150, used=(0.5, 0.9))
TORN = element(40, clean_pa=0.5 * OWN_PA, used=(0.0, 0.1))


def test_a_torn_element_that_reads_as_others_of_the_kind_do_is_told_by_the_note() -> None:
    """Half of a clean element of this machine: 1.4 kPa, at 1.9 kPa for its kind."""
    alone, with_it = opened(IN_USE, TORN, shown_pa=None), opened(IN_USE, TORN, shown_pa=OWN_PA)
    assert alone.steps[-1].chance(NEW, CLEANED) > 0.5 > alone.steps[-1].chance(LOW)
    assert with_it.steps[-1].chance(LOW) > 5 * alone.steps[-1].chance(LOW)
    assert (alone.warned, with_it.warned) == (False, True)
    assert alone.note_holds is None


def test_new_elements_outweigh_a_note_that_was_wrong() -> None:
    """The element was in use when it was noted: 1.5 times what new ones read, one after the other."""
    life = element(150, clean_pa=1_900.0, used=(0.0, 0.9))
    in_use = element(150, clean_pa=1_900.0, used=(0.6, 0.9))
    first, later = (opened(in_use, *[life] * many, shown_pa=1.5 * 1_900.0) for many in (0, 3))
    assert (first.note_holds or 0.0) > 0.5 > (later.note_holds or 0.0)
    assert [fall.likely for fall in later.falls] == ["change"] * 3
    assert not later.warned
