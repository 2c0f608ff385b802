"""
Since when a housing is as it is: over its limit, or with figures that contradict each other.

Promises: pure; the hours of the machine, not the moment at which a server looked.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cleanside.ingest.analysis.assessment import Judge, View
from cleanside.ingest.restriction import Suspicion
from cleanside.ingest.restriction.measure.summary import FloatArray

LEVEL_HOURS = 6  # whose median is the level (chosen: most of a shift, as where entries are weighed)


def wrong_since_s(judge: Judge, view: View) -> float | None:
    """Since when a housing is over its limit, or not trusted; None: no hour shows it. [s since 1970 UTC]"""
    series = judge.series(view)
    if view.assessment.state == "over" and view.terminal is not None:
        return over_since_s(series.hour_s, series.restriction_pa, view.terminal.restriction_pa)
    study = view.assessment.study
    if study.suspicions and study.suspicions[0].cause == "terminal" and view.terminal is not None:
        return doubted_since_s(series.hour_s, None, began_s=view.terminal.valid_from_us / 1e6)
    told_s = told_since_s(study.suspicions)
    if told_s is not None:
        return told_s
    began_s = study.lives[-1].start_s if study.lives else None
    return doubted_since_s(series.hour_s, study.restriction_s, began_s=began_s)


def told_since_s(suspicions: Sequence[Suspicion]) -> float | None:
    """
    The instant that the gravest suspicion names itself: levels may be trusted on. None: it names none.

    Tubes that are exchanged are read with their sign turned, so that the newest level is a trusted one.
    """
    values = suspicions[0].evidence.values if suspicions else {}
    found = values.get("from_s", values.get("at_s"))
    return None if found is None else float(found)


def over_since_s(hour_s: FloatArray, restriction_pa: FloatArray, limit_pa: float) -> float | None:
    """
    When an element came over its limit, and stayed: by the median of a few hours. [s since 1970 UTC]

    hour_s, restriction_pa : by operating hour, at the reference flow, shape (n,). None: the newest is below.
    """
    first = len(hour_s)  # back from the newest: how long it stayed there is short beside the record
    while first and np.median(restriction_pa[max(0, first - LEVEL_HOURS) : first]) >= limit_pa:
        first -= 1
    return float(hour_s[first]) if first < len(hour_s) else None


def doubted_since_s(
    hour_s: FloatArray, trusted_s: float | None, *, began_s: float | None = None
) -> float | None:
    """
    The first hour whose readings are not trusted. [s since 1970 UTC] None: there is none.

    trusted_s : of the last level of the running element that is trusted; None: none was. began_s : since when
    that element is in; None: not known. Those before it were trusted.
    """
    if trusted_s is None:
        first = 0 if began_s is None else int(np.searchsorted(hour_s, began_s))
    else:
        first = int(np.searchsorted(hour_s, trusted_s, side="right"))
    return float(hour_s[first]) if first < len(hour_s) else None
