"""The parts of the error of the share used, at a tiny size."""

from __future__ import annotations

import pytest

from tests.benchmark.bench_share_parts import PARTS, Seen, lines, look
from tests.fleets.making import make_fleet
from tests.fleets.truth import Proxy


def test_each_evening_has_its_error_with_true_parts_put_in() -> None:
    seen = list(look(make_fleet("plateau", machines=3, days=40, seed=14, interval_s=300.0), every_days=5))
    assert seen
    for one in seen:
        assert set(one.errors) <= set(PARTS)
        assert one.errors["as it is"] != one.errors["level"]


def test_the_table_has_medians_by_flow_proxy() -> None:
    errors = [{"as it is": off, "level": 1.0} for off in (-4.0, 2.0, -8.0)]
    seen = [Seen(proxy=Proxy.BOOST, machine="a", errors=e, holds=True) for e in errors]
    [_, _, row] = lines(seen)
    cells = [cell.strip() for cell in row.strip("|").split("|")]
    assert cells[:3] == ["boost", "3, 1", "4.0 (-4.0)"]
    assert float(cells[-1]) == pytest.approx(1.0)
