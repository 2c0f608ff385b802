"""Quantiles of mixtures: few in plain numbers, many in arrays. The normal distribution: any table of it."""

from __future__ import annotations

import numpy as np
import pytest

from cleanside.ingest.restriction.forecast.prior import FEW_PARTS, mixture_quantiles


def test_one_part_has_the_quantiles_of_a_normal_distribution() -> None:
    found = mixture_quantiles(*np.array([[[50.0]], [[10.0]], [[20.0]], [[3.0]]]))
    assert found[0] == pytest.approx([50 - 1.28155 * 10, 50, 50 + 1.28155 * 20], abs=1e-3)


def test_few_mixtures_have_the_quantiles_that_many_have() -> None:
    chance = np.random.default_rng(1)
    middle, below, above, weight = chance.uniform(1.0, 100.0, (4, FEW_PARTS, 2))
    of_many = mixture_quantiles(middle, below, above, weight)
    for row, found in enumerate(of_many):
        one = (values[row : row + 1] for values in (middle, below, above, weight))
        assert mixture_quantiles(*one)[0] == pytest.approx(found, abs=1e-4)


def test_no_mixture_has_no_quantiles() -> None:
    assert mixture_quantiles(*np.empty((4, 0, 2))).shape == (0, 3)
