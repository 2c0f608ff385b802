"""What the same lives teach is learned once for all tests of a file: a forecaster is frozen."""

from __future__ import annotations

import pickle
from collections.abc import Iterator, Sequence

import pytest

from cleanside.ingest.evaluation import backtest
from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.forecast.forecast import Forecaster, fit_forecaster


@pytest.fixture(scope="module", autouse=True)
def _same_lives_teach_once() -> Iterator[None]:
    taught: dict[bytes, Forecaster] = {}

    def teach(lives: Sequence[Life]) -> Forecaster:
        content = pickle.dumps(lives)
        if content not in taught:
            taught[content] = fit_forecaster(lives)
        return taught[content]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(backtest, "fit_forecaster", teach)
        yield
