"""
What a sensor reads at rest, over time.

Promises: a fault is not learned from, and a step of the zero stays a step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from cleanside.ingest.restriction.measure.held import in_ratios
from cleanside.ingest.restriction.measure.hours import NOISE_PA, SUPPLY_SHOWS
from cleanside.ingest.restriction.measure.ranks import MAD_TO_SPREAD, counted_up_to, middle
from cleanside.ingest.restriction.measure.steady import trailing_median
from cleanside.ingest.restriction.measure.summary import (
    HOUR_S,
    BoolArray,
    FloatArray,
    HourSummary,
    IntArray,
    Summaries,
)
from cleanside.ingest.restriction.measure.tuning import HELD

#: chosen: the median of ZERO_LEVELS takes the noise; more would blur the hour of a step
LEAST_ZERO_READINGS = 1
#: the zero of an hour is the median of that many off-levels around it (chosen: a step stays a step)
ZERO_LEVELS = 9
ZERO_FIRST_PA = 150.0  # chosen: three steps of a 0.05 kPa sensor; a fitted sensor hardly reads more at rest
# Above what a step of 0.05 kPa leaves. A level further off does not change the usual zero, until so many in a
# row agree: then that level is the new usual zero (chosen: months of key-ons, so that it is mended first).
ZERO_NEAR_PA, ZERO_PATIENCE = 60.0, 400
ZERO_MEMORY = 40.0  # levels over which the usual zero follows a sensor's honest drift (chosen: some weeks)
#: levels processed at once, as long as all are near; and one by one (chosen by timing)
ZERO_RUN, ZERO_STEPS = 2_000, 64
_FADE = (1.0 - 1.0 / ZERO_MEMORY) ** np.arange(ZERO_RUN + 1)  # arithmetic
# The newest levels are no median of ZERO_LEVELS yet. So many on end that agree, off by more than a step of
# the sensor and by less than a plugged tap holds, are a step; one at the usual zero again ends one (chosen).
ZERO_STEP_LEVELS, ZERO_STEP_MOST_PA = 2, 1_000.0
ZERO_AGREE = 0.5  # of the levels around agree with a zero, and not with a slow gauge (arithmetic: half)
ZERO_SLOW_LEVELS = 5  # at key-on and as the engine stops, before a gauge is known to be slow (chosen)
# Where restriction alone says whether the engine runs, first readings after a stop are its zero if they read
# nothing as a rule. On made fleets (plateau, quarry, moor, seeds 101 and 105) 0.72 to 1.00 of those before
# the start did, and 0.91 to 1.00 agreed with the one before; of those of a running engine 0.00 to 0.43 read
# nothing, and up to 0.86 agreed. Where it always idles first, on one machine of 85, 0.73 and 0.95.
KEYED_LEVELS, KEYED_NOTHING, KEYED_AGREE, KEYED_AGREE_PA = 10, 0.6, 0.8, 100.0
#: the drift is between the first and the last of so many parts of the off-levels (chosen: quarters); of fewer
#: levels there is none
ZERO_PARTS = 4
ZERO_EDGE = 20  # off-levels at either end whose medians give the drift, at most (chosen: weeks of key-ons)
#: Standard deviation of a sound sensor's zero between key-ons, and how many steps that weighs: a quarter of
#: ZERO_NEAR_PA. A sensor that wanders by more, as its bay warms, must move further to have moved (chosen).
ZERO_SPREAD_PA, ZERO_SPREAD_STEPS = 15.0, 10.0


@dataclass(frozen=True)
class Zero:
    """What the sensor reads at rest, over time."""

    by_hour_pa: FloatArray  # for each hour of the summaries; 0 where it is not known
    levels_pa: FloatArray  # engine-off levels in time order, smoothed
    usual_pa: FloatArray  # the usual zero before each; faults are not learned from
    level_hour: IntArray  # the hour (place in the summaries) at which each was complete
    level_s: FloatArray  # start of that hour [s since 1970-01-01 UTC]
    drift_pa: float | None  # late levels minus early ones; None below four levels
    wanders: float = 1.0  # how far the newest smoothed level wanders beside a usual sensor's, at least 1

    @property
    def known(self) -> bool:
        """True if the engine was ever seen off with the sensor powered."""
        return len(self.levels_pa) > 0

    def usual_by_hour_pa(self, hours: int) -> FloatArray:
        """The usual zero at each hour of the summaries, shape (hours,); 0 where it is not known."""
        if not self.known:
            return np.zeros(hours)
        newest = counted_up_to(self.level_hour, hours) - 1
        return np.asarray(self.usual_pa[np.maximum(newest, 0)])

    @property
    def now_pa(self) -> float:
        """The newest; 0 where it is not known."""
        return float(self.levels_pa[-1]) if self.known else 0.0


def learn_zero(summaries: Sequence[HourSummary]) -> Zero:
    """
    The zero of each hour: the median of the engine-off levels around it, so one odd hour cannot move it.

    It follows a sensor whose zero moves, so that the restriction of the hours after does not fall or rise
    with it.
    """
    table = Summaries.of(summaries)
    return table.once("zero", lambda: _learn_zero(table))


def _learn_zero(table: Summaries) -> Zero:
    levels, at = _off_levels(table)
    if len(levels) == 0:
        return Zero(np.zeros(len(table.hours)), levels, levels, at, levels, None)
    edge = max(1, min(ZERO_EDGE, len(levels) // ZERO_PARTS))
    drift = middle(levels[-edge:]) - middle(levels[:edge]) if len(levels) >= ZERO_PARTS else None
    smooth = _median_around(levels, ZERO_LEVELS)
    wanders = _wanders(trailing_median(levels, ZERO_LEVELS // 2 + 1))
    usual = _usual(smooth)
    smooth = _with_newest_step(levels, smooth, float(usual[-1]))
    smooth = _without_scatter(levels, smooth, usual, ZERO_NEAR_PA * wanders)
    newest = counted_up_to(at, len(table.hours)) - 1
    return Zero(smooth[np.maximum(newest, 0)], smooth, usual, at, table.column("hour_s")[at], drift, wanders)


def _wanders(levels_pa: FloatArray) -> float:
    """How far levels that share no reading differ, beside what a usual sensor's do; at least 1."""
    steps = np.abs(levels_pa[ZERO_LEVELS:] - levels_pa[:-ZERO_LEVELS])
    own = MAD_TO_SPREAD * middle(steps) / np.sqrt(2.0) if len(steps) else 0.0
    pooled = len(steps) * own**2 + ZERO_SPREAD_STEPS * ZERO_SPREAD_PA**2
    spread = float(np.sqrt(pooled / (len(steps) + ZERO_SPREAD_STEPS)))
    return in_ratios(max(spread / ZERO_SPREAD_PA, 1.0), HELD.step_ratio)


def _off_levels(table: Summaries) -> tuple[FloatArray, IntArray]:
    """
    Engine-off levels in time order [Pa], each the mean of at least `LEAST_ZERO_READINGS` readings, and the
    hour at which each was complete.

    A slow monitor sees the engine off once or twice at each key-on: such hours are taken together.
    """
    off_pa, count = table.column("off_mean_pa"), table.hours["off_count"]
    hours = np.flatnonzero(~np.isnan(off_pa) & ~still_falls(table))
    hours = hours[_is_rest(off_pa[hours], table.hours["evidence"][hours] < SUPPLY_SHOWS)]
    if np.all(count[hours] >= LEAST_ZERO_READINGS):
        return off_pa[hours], hours
    levels: list[float] = []
    at: list[int] = []
    seen, total_pa = 0, 0.0
    for hour, many, mean_pa in zip(
        hours.tolist(), count[hours].tolist(), off_pa[hours].tolist(), strict=True
    ):
        seen, total_pa = seen + many, total_pa + many * mean_pa
        if seen >= LEAST_ZERO_READINGS:
            levels.append(total_pa / seen)
            at.append(hour)
            seen, total_pa = 0, 0.0
    return np.array(levels), np.array(at, dtype=np.int64)


def _is_rest(levels_pa: FloatArray, keyed: BoolArray) -> BoolArray:
    """
    Which levels count as those of an engine that stands, shape (n,).

    keyed : first readings after a stop, where nothing else says whether the engine ran. They count where they
    read nothing as a rule and agree from stop to stop, but for what a plugged tap holds. A row of newest ones
    that do not read nothing is left out of that rule: the zero may have moved.
    """
    counts, mine_pa = ~keyed, levels_pa[keyed]
    nothing = np.abs(mine_pa) <= NOISE_PA
    judged = int(np.flatnonzero(nothing)[-1]) + 1 if nothing.any() else 0
    if judged < KEYED_LEVELS or float(np.mean(nothing[:judged])) < KEYED_NOTHING:
        return counts
    if float(np.mean(np.abs(np.diff(mine_pa)) <= KEYED_AGREE_PA)) >= KEYED_AGREE:
        counts[keyed] = np.abs(mine_pa) <= ZERO_STEP_MOST_PA
    return counts


def still_falls(table: Summaries) -> BoolArray:
    """
    Hours in which a slow gauge still falls from what it read at work as the engine stops, shape (n,).

    What most gauges show then is their zero as well.
    """
    return table.once("still falls", lambda: _still_falls(table))


def _still_falls(table: Summaries) -> BoolArray:
    off_pa, hour_s, runs_on = table.column("off_mean_pa"), table.column("hour_s"), table.hours["last_running"]
    ran_on = np.zeros(len(table), dtype=bool)  # from the hour before
    ran_on[1:] = runs_on[:-1] & (hour_s[1:] - hour_s[:-1] <= HOUR_S)
    stopped = table.working & (ran_on | ~runs_on)  # at its end, or within
    levels_pa = [off_pa[~np.isnan(off_pa) & mine] for mine in (stopped, ~stopped)]
    if min(map(len, levels_pa)) < ZERO_SLOW_LEVELS:
        return np.zeros(len(table), dtype=bool)
    is_slow = middle(levels_pa[0]) - middle(levels_pa[1]) > ZERO_FIRST_PA  # a warm bay moves a zero by less
    return np.asarray(stopped & is_slow)


def _with_newest_step(levels_pa: FloatArray, smooth_pa: FloatArray, usual_pa: float) -> FloatArray:
    """
    The smoothed levels, shape as given, with a step that the newest levels show. [Pa]

    A zero moves at a service, as an element is changed: levels off by that would be told as a change.
    usual_pa : the usual zero before the newest.
    """
    n, half = len(levels_pa), ZERO_LEVELS // 2
    near_pa = ZERO_NEAR_PA * _wanders(levels_pa)
    is_usual = abs(float(levels_pa[-1]) - usual_pa) <= near_pa
    for row in range(max(half, n - half), n):
        before_pa, after = middle(levels_pa[row - half : row]), levels_pa[row:]
        moved, after_pa = np.abs(after - before_pa), middle(after)
        begins = abs(float(levels_pa[row - 1]) - after_pa) > near_pa
        if not begins or float(np.ptp(after)) > near_pa or float(moved.min()) <= near_pa:
            continue
        if is_usual or (len(after) >= ZERO_STEP_LEVELS and abs(after_pa - before_pa) <= ZERO_STEP_MOST_PA):
            earlier = [middle(levels_pa[max(0, r - half) : row]) for r in range(row - half, row)]
            return np.concatenate((smooth_pa[: row - half], earlier, np.full(len(after), after_pa)))
    return smooth_pa


def _without_scatter(
    levels_pa: FloatArray, smooth_pa: FloatArray, usual_pa: FloatArray, near_pa: float
) -> FloatArray:
    """
    The smoothed levels, shape as given, with the usual zero where those around are a slow gauge's. [Pa]

    As the engine stops it shows anything between its zero and its level at work, and now and then the zero.
    A zero that moved shows the new one: half of the levels around or two on end agree with it, and between
    them none is at the usual one.
    """
    half, n, result = ZERO_LEVELS // 2, len(levels_pa), smooth_pa.copy()
    is_usual = np.abs(levels_pa - usual_pa) <= near_pa
    seen = np.concatenate(([0], np.cumsum(is_usual)))
    place = np.arange(n)
    returns = seen[np.minimum(place + half + 1, n)] > seen[np.maximum(place - half, 0)]
    for row in np.flatnonzero((smooth_pa - usual_pa > 2 * near_pa) & returns).tolist():
        around = slice(max(0, row - half), row + half + 1)
        agree = np.abs(levels_pa[around] - smooth_pa[row]) <= near_pa
        first, last = np.flatnonzero(agree)[[0, -1]] if agree.any() else (0, 0)
        is_one = np.mean(agree) >= ZERO_AGREE or bool(np.any(agree[1:] & agree[:-1]))
        near = np.abs(levels_pa[around] - usual_pa[row]) <= near_pa
        if np.any(near) and (not is_one or np.any(near[first:last])):
            result[row] = usual_pa[row]
    return result


def _usual(levels_pa: FloatArray) -> FloatArray:
    """
    The usual zero before each level, shape as given. [Pa]

    A sensor at rest reads about 0, so the first level counts only if it is near 0. The usual zero then
    follows levels near it, and moves to another level only when that has stayed: a fault is not learned from.
    """
    parts: list[FloatArray] = []
    row, usual, away, memory = 0, 0.0, 0, 0.0
    while row < len(levels_pa):
        if memory == ZERO_MEMORY and away == 0:  # as a rule all are near: so many at once
            run = levels_pa[row : row + ZERO_RUN]
            drawn = _drawn(usual, run)
            far = np.flatnonzero(np.abs(run - drawn[:-1]) > ZERO_NEAR_PA)
            many = int(far[0]) if len(far) else len(run)
            parts.append(drawn[:many])
            row, usual = row + many, float(drawn[many])
        result: list[float] = []
        for level in levels_pa[row : row + ZERO_STEPS].tolist():
            result.append(usual)
            memory = min(memory + 1.0, ZERO_MEMORY)
            near_pa = ZERO_NEAR_PA if memory > 1.0 else ZERO_FIRST_PA
            if -near_pa <= level - usual <= near_pa:
                usual, away = usual + (level - usual) / memory, 0
            elif (away := away + 1) > ZERO_PATIENCE:
                usual, away = level, 0
        parts.append(np.array(result))
        row += len(result)
    return np.concatenate(parts)


def _drawn(usual: float, levels_pa: FloatArray) -> FloatArray:
    """The usual zero before each level and after the last, drawn by each as by one of ZERO_MEMORY."""
    fade = _FADE[: len(levels_pa) + 1]
    pulled = np.cumsum(np.concatenate(([0.0], levels_pa / fade[1:]))) / ZERO_MEMORY
    return np.asarray(fade * (usual + pulled))


def _median_around(values: FloatArray, width: int) -> FloatArray:
    """Median over `width` values around each, fewer at the ends; shape as given."""
    half, n = width // 2, len(values)
    result = median_filter(values, size=width, mode="nearest") if n > width else values.copy()
    for row in {*range(min(half, n)), *range(max(0, n - half), n)} if n > width else range(n):
        result[row] = middle(values[max(0, row - half) : row + half + 1])
    return np.asarray(result)
