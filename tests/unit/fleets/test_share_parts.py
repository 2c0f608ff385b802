"""The parts of the error of the share used, at a tiny size."""

from __future__ import annotations

import math

import pytest

from tests.benchmark.bench_share_parts import PARTS, Seen, lines, look, with_bound
from tests.fleets.making import make_fleet
from tests.fleets.truth import Proxy


def test_each_evening_has_its_error_with_true_parts_put_in() -> None:
    seen = list(look(make_fleet("plateau", machines=3, days=40, seed=14, interval_s=300.0), every_days=5))
    assert seen
    for one in seen:
        assert set(one.errors) <= set(PARTS)
        assert one.errors["as it is"] != one.errors["level"]


def made(machine: str, *, errors: dict[str, float] | None = None, ln_off: float = 0.0) -> Seen:
    return Seen(
        generator="plateau",
        proxy=Proxy.BOOST,
        machine=machine,
        knows=False,
        errors=errors or {},
        holds=True,
        ln_off=ln_off,
        true_pa=(5_000.0, 1_000.0, 6_000.0),
    )


def test_the_table_has_medians_by_flow_proxy_generator_and_what_is_known() -> None:
    seen = [made("a", errors={"as it is": off, "level": 1.0}) for off in (-4.0, 2.0, -8.0)]
    rows = [[cell.strip() for cell in row.strip("|").split("|")] for row in lines(seen)[2:]]
    assert [row[0] for row in rows] == ["boost", "boost, plateau", "boost, not known"]
    for row in rows:
        assert row[1:3] == ["3, 1", "4.0 (-4.0)"]
        assert float(row[-1]) == pytest.approx(1.0)


def test_the_bound_is_what_a_machine_differs_from_the_middle_of_all() -> None:
    """5 000 Pa times exp(0.1 - 0.05) less 5 000 Pa, of the 5 000 Pa from clean to the limit (arithmetic)."""
    seen = with_bound([made("a", ln_off=0.1), made("b", ln_off=0.05), made("c", ln_off=-0.01)])
    assert seen[0].errors["own full flow"] == pytest.approx(100 * (math.exp(0.05) - 1))


def test_a_machine_without_others_has_no_bound() -> None:
    [alone] = with_bound([made("a", ln_off=0.1)])
    assert "own full flow" not in alone.errors
