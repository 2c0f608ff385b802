"""How far the share used may be off, and what would show full flow."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from cleanside.ingest.restriction.measure.reference import Reference, learn_reference
from cleanside.ingest.restriction.verdict.share_width import share_width
from cleanside.ingest.restriction.verdict.statement import Statement

NOTHING = learn_reference([])
BY_FLOW = replace(NOTHING, basis="flow", exponent=1.5)


def by(flow_kind: str, *, entered: bool = False) -> Reference:
    return replace(BY_FLOW, flow_kind=flow_kind, reference_entered=entered)


def said(reference: Reference, *, level_pa: float | None = 5_000.0, spread: float = 0.1) -> list[Statement]:
    return list(
        share_width(
            level_pa=level_pa,
            clean_pa=1_000.0,
            terminal_pa=6_000.0,
            reference=reference,
            level_spread=spread,
        )
    )


@pytest.mark.parametrize(
    ("reference", "passes"), [(by("air_mass_flow"), 0.1), (by("engine_speed"), 0.2), (NOTHING, 0.2)]
)
def test_the_width_is_that_of_the_level_over_the_span_from_clean_to_the_limit(reference, passes):
    """80 % of a normal distribution lie within 1.2816 standard deviations (any table of it)."""
    [width, *_] = said(reference)
    assert width.code == "share_width"
    assert width.values["points"] == pytest.approx(100 * 1.2816 * math.hypot(0.1, passes), rel=1e-3)


@pytest.mark.parametrize(
    ("reference", "helps"),
    [
        (by("air_mass_flow"), ["enter_full_flow"]),
        (by("air_mass_flow", entered=True), []),
        (by("speed_density"), ["send_load"]),
        (by("engine_speed"), ["send_load"]),
        (by("engine_speed", entered=True), ["send_load"]),
        (replace(by("speed_load"), response_spread=0.03), []),
        (NOTHING, ["send_speed_and_load"]),
    ],
)
def test_what_would_show_full_flow_is_said_where_no_reading_does(reference, helps):
    assert [one.code for one in said(reference)][1:] == helps


def test_a_share_that_is_not_known_or_as_good_as_a_plan_needs_has_no_width():
    assert said(by("engine_speed"), level_pa=None) == []
    assert said(by("air_mass_flow"), level_pa=1_500.0, spread=0.01) == []
