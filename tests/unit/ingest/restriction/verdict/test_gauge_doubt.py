"""A gauge that was read in another unit is asked about, with the unit that would fit."""

from __future__ import annotations

import pytest

from cleanside.gateway.units import to_si
from cleanside.ingest.restriction.verdict.gauge_doubt import GaugeDoubt, gauge_doubt

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
