"""
Scores against published closed forms.

CRPS, pinball loss and interval score: Gneiting and Raftery, JASA 102 (2007); the ensemble values by hand
from the definition. Relative accuracy and prognostic horizon: from the definitions in Saxena et al., IJPHM 1
(2010), worked by hand. Conformal ranks: ceil((n + 1)(1 - alpha)).
"""

import numpy as np
import pytest

from cleanside.ingest.restriction.evaluate.scores import (
    interval_score,
    life_scores,
    pinball_loss,
    prognostic_horizon,
    relative_accuracy,
)
from cleanside.ingest.restriction.forecast.spread import student_point


@pytest.mark.parametrize(
    ("quantile", "truth", "tau", "loss"),
    [(100, 120, 0.9, 18), (100, 80, 0.9, 2), (100, 120, 0.1, 2), (100, 100, 0.5, 0)],
)
def test_pinball_loss_has_its_closed_form(quantile, truth, tau, loss):
    assert float(pinball_loss(np.array(truth), np.array(quantile), tau)) == pytest.approx(loss)


@pytest.mark.parametrize(
    ("low", "high", "truth", "alpha", "score"),
    [(80, 120, 100, 0.1, 40), (80, 120, 130, 0.1, 240), (80, 120, 70, 0.1, 240), (80, 120, 130, 0.2, 140)],
)
def test_interval_score_has_its_closed_form(low, high, truth, alpha, score):
    assert float(interval_score(np.array(truth), np.array(low), np.array(high), alpha)) == pytest.approx(
        score
    )


def test_interval_score_is_the_sum_of_its_two_pinball_losses():
    """IS = (2/alpha) (L_{alpha/2}(l) + L_{1-alpha/2}(u)), an identity of the two definitions."""
    rng = np.random.default_rng(5)
    low, truth = rng.normal(0, 1, 100), rng.normal(0, 1, 100)
    high = low + rng.exponential(1, 100)
    both = pinball_loss(truth, low, 0.1) + pinball_loss(truth, high, 0.9)
    assert interval_score(truth, low, high, 0.2) == pytest.approx(both / 0.1)


TIMES = np.array([20.0, 40.0, 60.0, 80.0, 90.0])
TRUTH, PREDICTED = 100.0 - TIMES, np.array([90.0, 66.0, 36.0, 22.0, 9.0])


def test_relative_accuracy_is_on_the_remaining_life():
    assert relative_accuracy(TRUTH, PREDICTED) == pytest.approx([0.875, 0.9, 0.9, 0.9, 0.9])
    assert np.isnan(relative_accuracy(np.array([0.0]), np.array([1.0]))[0])


def test_the_prognostic_horizon_begins_where_the_prediction_enters_the_band_for_good():
    assert prognostic_horizon(TRUTH, PREDICTED, 100.0) == pytest.approx(40.0)
    assert prognostic_horizon(TRUTH, np.array([80.0, 60.0, 40.0, 20.0, 30.0]), 100.0) == 0.0


@pytest.mark.parametrize(("n", "t"), [(2, 3.078), (6, 1.476), (8, 1.415), (21, 1.325), (31, 1.310)])
def test_few_lives_stand_under_students_distribution(n, t):
    """90 % points of t with n - 1 degrees of freedom as tables print them; a new case adds sqrt(1 + 1/n)."""
    assert student_point(n) == pytest.approx(t * np.sqrt(1 + 1 / n), rel=5e-4)


def test_a_perfect_forecast_scores_perfectly():
    truth = np.linspace(100.0, 0.0, 51)
    scores = life_scores(truth, np.stack([truth, truth, truth], axis=1), 100.0)
    assert scores["rmse"] == scores["pinball"] == scores["width"] == 0.0
    assert scores["coverage"] == scores["relative_accuracy"] == 1.0
    assert scores["prognostic_horizon"] == 100.0


@pytest.mark.parametrize("end", [None, 3.0])
def test_a_life_scored_at_its_end_alone_has_no_relative_accuracy(end):
    scores = life_scores(np.array([0.0]), np.array([[0.5, 1.0, 2.0]]), end)
    assert scores["relative_accuracy"] is None
    assert scores["rmse"] == 1.0
