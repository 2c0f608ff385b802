"""
Scores for forecasts of the time left: of a middle value, of quantiles, of an interval, over a life.

Formulas: pinball loss and interval score after Gneiting and Raftery, "Strictly Proper Scoring Rules,
Prediction, and Estimation", JASA 102 (2007), eq. 43; relative accuracy and prognostic horizon after Saxena
et al., "Metrics for Offline Evaluation of Prognostic Performance", IJPHM 1 (2010).
All arrays have shape (n,) and one unit of time; results have that unit unless said.
"""

from __future__ import annotations

import numpy as np

from cleanside.ingest.restriction.forecast.prior import QUANTILES
from cleanside.ingest.restriction.measure.summary import FloatArray

INTERVAL_ALPHA = 0.2  # arithmetic: the 80 % interval lies between the 10 and 90 % points
HORIZON_ALPHA = 0.05  # band of +-5 % of the whole life, constant in time (chosen; the band: Saxena (2010))
#: rows with less of the life left are skipped (chosen: relative accuracy is undefined at the end)
RELATIVE_FROM = 0.05


def pinball_loss(truth: FloatArray, quantile: FloatArray, tau: float) -> FloatArray:
    """max(tau (y - q), (tau - 1)(y - q)); tau in (0, 1)."""
    away = np.asarray(truth, dtype=np.float64) - quantile
    return np.maximum(tau * away, (tau - 1.0) * away)


def interval_score(
    truth: FloatArray, low: FloatArray, high: FloatArray, alpha: float = INTERVAL_ALPHA
) -> FloatArray:
    """Width plus 2/alpha times the distance of the truth outside; alpha = share that should be outside."""
    outside = np.maximum(low - truth, 0.0) + np.maximum(np.asarray(truth, dtype=np.float64) - high, 0.0)
    return np.asarray(high - low + 2.0 / alpha * outside)


def relative_accuracy(truth: FloatArray, predicted: FloatArray) -> FloatArray:
    """1 - |r* - r| / r*, on the remaining life; 1 is perfect, may be negative, NaN where r* is 0. [1]"""
    truth = np.asarray(truth, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = 1.0 - np.abs(truth - predicted) / truth
    return np.where(truth > 0, value, np.nan)


def prognostic_horizon(
    truth: FloatArray, predicted: FloatArray, end: float, alpha: float = HORIZON_ALPHA
) -> float:
    """
    Time before the end from which on the prediction is inside truth +- alpha * end, and stays there.

    truth, predicted : in time order. end : the whole life. Returns 0 if it is outside at the last row.
    """
    outside = np.flatnonzero(np.abs(np.asarray(predicted) - truth) > alpha * end)
    first = int(outside[-1]) + 1 if len(outside) else 0
    return float(truth[first]) if first < len(truth) else 0.0


def life_scores(truth: FloatArray, points: FloatArray, end: float | None) -> dict[str, float | None]:
    """
    All scores of one life.

    points : shape (n, 3): 10, 50 and 90 % points. end : the whole life; None = unknown, then no horizon.
    """
    low, middle, high = points.T
    error = middle - truth
    far = (truth > 0) & (truth >= RELATIVE_FROM * (end if end is not None else float(truth.max())))
    loss = np.mean([pinball_loss(truth, points[:, i], tau).mean() for i, tau in enumerate(QUANTILES)])
    return {
        "rmse": float(np.sqrt(np.mean(error**2))),
        "mae": float(np.mean(np.abs(error))),
        "bias": float(np.mean(error)),
        "pinball": float(loss),
        "coverage": float(np.mean((low <= truth) & (truth <= high))),
        "width": float(np.mean(high - low)),
        "interval_score": float(np.mean(interval_score(truth, low, high))),
        "relative_accuracy": float(np.mean(relative_accuracy(truth[far], middle[far])))
        if far.any()
        else None,
        "prognostic_horizon": None if end is None else prognostic_horizon(truth, middle, end),
    }
