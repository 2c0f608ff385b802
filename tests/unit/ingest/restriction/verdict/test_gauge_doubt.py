"""A gauge that was read in another unit is asked about, with the unit that would fit."""

from __future__ import annotations

import pytest

from cleanside.gateway.units import to_si
from cleanside.ingest.restriction.verdict.gauge_doubt import (
    DoubtedLook,
    GaugeDoubt,
    gauge_doubt,
    in_unit_of_limit,
    is_doubtful,
    is_shown_again,
)

LIMIT_PA = 6_200.0


@pytest.mark.parametrize(
    ("value", "unit", "level_pa", "doubt"),
    [
        (14.0, "kPa", 350.0, GaugeDoubt("inH2O")),
        (14.0, "kPa", None, GaugeDoubt("inH2O")),
        (14.0, "inH2O", 3_300.0, None),
        (14.0, "inH2O", 350.0, GaugeDoubt("mbar")),  # below the limit, but ten times what the monitor says
        (22.0, "inH2O", 3_089.0, GaugeDoubt(None)),  # fits the limit, not this machine: 12.4 inH2O
        (35.0, "mbar", 3_300.0, None),
        (35.0, "inH2O", None, None),  # over the limit, as an element can be
        (0.3, "kPa", 3_300.0, None),  # read at idle
        (90.0, "psi", None, GaugeDoubt("mmH2O")),
    ],
)
def test_a_gauge_that_cannot_be_is_asked_about(
    value: float, unit: str, level_pa: float | None, doubt: GaugeDoubt | None
) -> None:
    restriction_pa = to_si(value, unit, "restriction")
    assert gauge_doubt(value, unit, restriction_pa, limit_pa=LIMIT_PA, level_pa=level_pa) == doubt


LEVEL_PA = 2_600.0  # 10.4 inH2O


@pytest.mark.parametrize(
    ("value", "unit", "limit_unit", "level_pa", "doubt"),
    [
        (2.4, "inH2O", "kPa", LEVEL_PA, GaugeDoubt("kPa")),
        (2.4, "kPa", "kPa", LEVEL_PA, None),  # as the limit, and what the monitor says
        (0.6, "kPa", "kPa", LEVEL_PA, None),  # read at light work: there is no other unit to think of
        (9.0, "mbar", "inH2O", LEVEL_PA, GaugeDoubt("inH2O")),
        (1.0, "inH2O", "kPa", LEVEL_PA, None),  # 1.0 kPa would be as little
        (3.0, "inH2O", "kPa", LEVEL_PA, None),  # 3.0 kPa would be more than full flow gives
        (6.0, "inH2O", "kPa", 2_900.0, None),  # more than half of the level
        (2.4, "inH2O", "kPa", None, None),  # nothing to compare it with
        (2.4, "inH2O", None, LEVEL_PA, None),  # no limit, so no unit of it
        (9.0, "kPa", "mbar", 900.0, GaugeDoubt("mbar")),  # too much: of all that fit, the unit of the limit
    ],
)
def test_a_gauge_that_shows_too_little_is_asked_about_where_the_unit_of_the_limit_would_fit(
    value: float, unit: str, limit_unit: str | None, level_pa: float | None, doubt: GaugeDoubt | None
) -> None:
    restriction_pa = to_si(value, unit, "restriction")
    about = {"limit_pa": LIMIT_PA, "level_pa": level_pa}
    assert gauge_doubt(value, unit, restriction_pa, limit_unit=limit_unit, **about) == doubt
    as_limit_pa = in_unit_of_limit(value, restriction_pa, limit_unit)
    assert is_doubtful(restriction_pa, as_limit_pa=as_limit_pa, **about) == (doubt is not None)


def test_two_names_of_one_unit_are_one() -> None:
    assert in_unit_of_limit(24.0, to_si(24.0, "hPa", "restriction"), "mbar") is None
    assert in_unit_of_limit(2.4, to_si(2.4, "inH2O", "restriction"), "kPa") == pytest.approx(2_400.0)


def test_a_second_look_within_a_day_that_shows_the_same_confirms_the_first() -> None:
    first = DoubtedLook(1_000.0, 600.0)
    assert is_shown_again(first, [first, DoubtedLook(1_600.0, 640.0)])
    for other in (
        first,  # itself
        DoubtedLook(1_030.0, 600.0),  # the same look once more
        DoubtedLook(1_600.0, 700.0),  # another number
        DoubtedLook(1_000.0 + 90_000.0, 600.0),  # another day
        DoubtedLook(1_600.0, 0.0),
    ):
        assert not is_shown_again(first, [other])
