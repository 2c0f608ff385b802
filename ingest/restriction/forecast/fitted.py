"""
A fitted forecaster as a plain dict, and back: the reader need not fit it again.

Promises: passes through JSON unchanged, and forecasts the same to the last bit as the one it was made from.
Leaves to others: fitting (`forecast`), keeping (`fleet`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from cleanside.ingest.restriction.forecast.blend import Blend
from cleanside.ingest.restriction.forecast.forecast import Forecaster, Learned, Variant
from cleanside.ingest.restriction.forecast.kinds import Membership
from cleanside.ingest.restriction.forecast.pace import GroupCurve, PaceModel
from cleanside.ingest.restriction.forecast.paths import CleanScale
from cleanside.ingest.restriction.forecast.prior import MeanCurve, Usual
from cleanside.ingest.restriction.forecast.spread import Spread
from cleanside.ingest.restriction.forecast.usual import Lengths
from cleanside.ingest.restriction.measure.summary import FloatArray

#: a version: increased whenever a fit of the same lives gives other numbers, or they mean something else
FITTED_VERSION = 13


def record_of(forecaster: Forecaster) -> dict[str, Any]:
    """A plain dict for JSON, with its version; some kB a kind."""
    learned = forecaster.learned
    return {
        "version": FITTED_VERSION,
        "usual_life_h": forecaster.usual_life_h,
        "learned": None if learned is None else _learned_record(learned),
    }


def forecaster_of(record: Mapping[str, Any] | None) -> Forecaster | None:
    """The inverse of `record_of`; None where there is no record, or its version is another one."""
    if record is None or record["version"] != FITTED_VERSION:
        return None
    learned = None if record["learned"] is None else _learned(record["learned"])
    return Forecaster(learned, record["usual_life_h"])


def _learned_record(learned: Learned) -> dict[str, Any]:
    return {
        "variants": [
            {
                "model": _model_record(variant.model),
                "scale": None if variant.scale is None else vars(variant.scale),
                "weight": variant.weight,
            }
            for variant in learned.variants
        ],
        "frame": _model_record(learned.frame),
        "spread": {
            "below": learned.spread.below.tolist(),
            "above": learned.spread.above.tolist(),
            "factors": dict(learned.spread.factors),
        },
        "membership": {
            "spread": {group: values.tolist() for group, values in learned.membership.spread.items()},
            "share": dict(learned.membership.share),
        },
        "lengths": {
            "kinds": {kind: _usual_record(usual) for kind, usual in learned.lengths.kinds.items()},
            "any_kind": _usual_record(learned.lengths.any_kind),
            "any_width": _usual_record(learned.lengths.any_width),
            "machine_pace": dict(learned.lengths.machine_pace),
            "shares": dict(learned.lengths.shares),
            "told": learned.lengths.told,
            "labelled": learned.lengths.labelled,
        },
        "ended_share": learned.ended_share,
        "ended": dict(learned.ended),
        "blend": {**vars(learned.blend), "weight": learned.blend.weight.tolist()},
    }


def _learned(record: Mapping[str, Any]) -> Learned:
    spread, membership = record["spread"], record["membership"]
    return Learned(
        variants=tuple(
            Variant(
                _model(variant["model"]),
                None if variant["scale"] is None else CleanScale(**variant["scale"]),
                variant["weight"],
            )
            for variant in record["variants"]
        ),
        frame=_model(record["frame"]),
        spread=Spread(_array(spread["below"]), _array(spread["above"]), spread["factors"]),
        membership=Membership(
            {group: _array(values) for group, values in membership["spread"].items()}, membership["share"]
        ),
        lengths=Lengths(
            kinds={kind: _usual(usual) for kind, usual in record["lengths"]["kinds"].items()},
            any_kind=_usual(record["lengths"]["any_kind"]),
            any_width=_usual(record["lengths"]["any_width"]),
            machine_pace=record["lengths"]["machine_pace"],
            shares=record["lengths"]["shares"],
            told=record["lengths"]["told"],
            labelled=record["lengths"]["labelled"],
        ),
        ended_share=record["ended_share"],
        ended=record["ended"],
        blend=Blend(**{**record["blend"], "weight": _array(record["blend"]["weight"])}),
    )


def _usual_record(usual: Usual) -> dict[str, Any]:
    return {
        "life_h": usual.life_h,
        "spread": usual.spread,
        "curves": usual.curves.tolist(),
        "shape_spread": usual.shape_spread,
        "has_tails": usual.has_tails,
        "mean_curve": None
        if usual.mean_curve is None
        else {
            "progress": usual.mean_curve.progress.tolist(),
            "error": usual.mean_curve.error.tolist(),
            "spread": usual.mean_curve.spread,
        },
    }


def _usual(record: Mapping[str, Any]) -> Usual:
    mean = record["mean_curve"]
    return Usual(
        record["life_h"],
        record["spread"],
        _array(record["curves"]),
        record["shape_spread"],
        None if mean is None else MeanCurve(_array(mean["progress"]), _array(mean["error"]), mean["spread"]),
        record["has_tails"],
    )


def _model_record(model: PaceModel) -> dict[str, Any]:
    return {
        "grid": model.grid.tolist(),
        "clean": model.clean,
        "curves": {
            group: {
                "typical_h": curve.typical_h,
                "left_h": curve.left_h.tolist(),
                "age_h": curve.age_h.tolist(),
                "lives": curve.lives,
            }
            for group, curve in model.curves.items()
        },
        "coefficients": model.coefficients.tolist(),
    }


def _model(record: Mapping[str, Any]) -> PaceModel:
    curves = {
        group: GroupCurve(curve["typical_h"], _array(curve["left_h"]), _array(curve["age_h"]), curve["lives"])
        for group, curve in record["curves"].items()
    }
    return PaceModel(_array(record["grid"]), record["clean"], curves, _array(record["coefficients"]))


def _array(values: Any) -> FloatArray:
    return np.array(values, dtype=np.float64)
