"""
Readings of one housing to one summary per UTC hour.

Promises: a summary depends on the readings of its own hour and on nothing else; not on their order of
arrival, not on what is learned later. So a late reading changes one summary. Fast: all hours at once,
3 million readings in about a second.
Leaves to others: which readings are believed, and what the numbers mean (`reference`, `assess`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields

import numpy as np
import numpy.typing as npt

from .summary import (
    EVIDENCE,
    FLOW_KINDS,
    HOUR_S,
    STANDARD_K,
    STANDARD_PA,
    FloatArray,
    FlowBin,
    HourSummary,
    IntArray,
    Readings,
)

RUNNING_RAD_S = 30.0  # 286 r/min: above cranking, below idle (common practice, no source)
CHARGING_12_V = (13.2, 16.5)  # an alternator holds 13.8 to 14.5 V, a resting battery 12.8 V (common practice)
CHARGING_24_V = (26.4, 33.0)  # twice that
NOISE_PA = 75.0  # one and a half steps of a 0.05 kPa sensor; below it restriction alone proves nothing
FLOW_BIN_RATIO = 1.15  # chosen: 13 bins from idle to rated; the mean flow of a bin corrects what is left
PA_STEP, LOWEST_PA = 1 / 64, -32768.0  # quantiles are kept to 0.016 Pa: 24 bits from there reach 229 kPa


def summarise_hour(readings: Readings) -> HourSummary:
    """
    The summary of the one UTC hour that all readings lie in.

    Raises ValueError if there is no reading, or they lie in more than one hour.
    """
    summaries = summarise_hours(readings)
    if len(summaries) != 1:
        raise ValueError(f"readings of {len(summaries)} UTC hours; give those of one, or use summarise_hours")
    return summaries[0]


def summarise_hours(readings: Readings) -> list[HourSummary]:
    """
    One summary per UTC hour that has a reading, in time order.

    Readings may come in any order; equal sets of readings give equal summaries. Readings without a
    restriction still count for the time seen, the voltage and the speed. Raises ValueError for a time
    that is not finite.
    """
    if len(readings.at_s) == 0:
        return []
    if not np.all(np.isfinite(readings.at_s)):
        raise ValueError("at_s holds a time that is not finite; place readings in time before summarising")
    columns = _in_time_order(readings)
    at_s = columns["at_s"]
    hour = np.floor(at_s / HOUR_S).astype(np.int64)
    starts = np.flatnonzero(np.concatenate(([True], hour[1:] != hour[:-1])))
    return list(_summaries(columns, hour, starts))


def _in_time_order(readings: Readings) -> dict[str, FloatArray]:
    """All columns sorted by time; equal times are ordered by their values, so that arrival cannot matter."""
    n = len(readings.at_s)
    columns = {
        field.name: (
            np.full(n, np.nan)
            if getattr(readings, field.name) is None
            else np.asarray(getattr(readings, field.name), dtype=np.float64)
        )
        for field in fields(readings)
    }
    at_s = columns["at_s"]
    if np.all(at_s[1:] > at_s[:-1]):
        return columns
    keys = [columns[field.name] for field in reversed(fields(readings))]
    order = np.lexsort(keys)
    return {name: column[order] for name, column in columns.items()}


def _restriction(columns: Mapping[str, FloatArray]) -> FloatArray:
    """Restriction as given, else ambient minus intake pressure. [Pa]"""
    given = columns["restriction_pa"]
    difference = columns["ambient_pressure_pa"] - columns["intake_pressure_pa"]
    return np.where(np.isnan(given), difference, given)


def _running(
    columns: Mapping[str, FloatArray], restriction_pa: FloatArray
) -> tuple[npt.NDArray[np.bool_], IntArray]:
    """Is the engine running, and the index in EVIDENCE of what says so, per reading."""
    speed, volts = columns["engine_speed_rad_s"], columns["supply_voltage_v"]
    loaded = restriction_pa > NOISE_PA
    charging = ((volts >= CHARGING_12_V[0]) & (volts <= CHARGING_12_V[1])) | (
        (volts >= CHARGING_24_V[0]) & (volts <= CHARGING_24_V[1])
    )
    has_speed, has_volts = ~np.isnan(speed), ~np.isnan(volts)
    running = np.where(has_speed, speed > RUNNING_RAD_S, charging | loaded)
    evidence = np.where(has_speed, 3, np.where(has_volts, 2, np.where(np.isnan(restriction_pa), 0, 1)))
    return running, evidence.astype(np.int64)


def _flow(columns: Mapping[str, FloatArray]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The flow proxies, worst first: speed [rad/s], speed-density [rad/s, standard air], mass flow [kg/s]."""
    speed = columns["engine_speed_rad_s"]
    ambient = np.where(np.isnan(columns["ambient_pressure_pa"]), STANDARD_PA, columns["ambient_pressure_pa"])
    kelvin = np.where(np.isnan(columns["intake_temperature_k"]), STANDARD_K, columns["intake_temperature_k"])
    manifold = (ambient + columns["boost_pressure_pa"]) / STANDARD_PA
    return speed, speed * manifold * STANDARD_K / kelvin, columns["air_mass_flow_kg_s"]


def _summaries(columns: Mapping[str, FloatArray], hour: IntArray, starts: IntArray) -> Iterator[HourSummary]:
    at_s, restriction = columns["at_s"], _restriction(columns)
    n, hours = len(at_s), len(starts)
    ends = np.append(starts[1:], n)
    counts = ends - starts
    slot = np.repeat(np.arange(hours), counts)
    running, evidence = _running(columns, restriction)
    step_s = _median_step(at_s, starts, ends)
    weight_s = _time_each_reading_stands_for(at_s, step_s[slot], slot)
    seen_s = np.add.reduceat(weight_s, starts)
    operating_s = np.add.reduceat(np.where(running, weight_s, 0.0), starts)
    most = _most_common(evidence, slot, hours, len(EVIDENCE))
    off = ~running & (evidence >= 2) & ~np.isnan(restriction)
    off_count, off_mean = _count_and_mean(restriction, off, starts)
    kind, bins = _flow_bins(_flow(columns), restriction, running, slot, hours)
    means = {
        name: _count_and_mean(columns[name], ~np.isnan(columns[name]), starts)[1]
        for name in ("ambient_pressure_pa", "altitude_m")
    }
    kelvin = np.where(
        np.isnan(columns["air_temperature_k"]), columns["intake_temperature_k"], columns["air_temperature_k"]
    )
    temperature = _count_and_mean(kelvin, ~np.isnan(kelvin), starts)[1]
    last_volts = _last_known(columns["supply_voltage_v"], slot, hours)
    last_speed = _last_known(columns["engine_speed_rad_s"], slot, hours)
    span_s = at_s[ends - 1] - at_s[starts]
    for i in range(hours):
        mine = bins.get(i, ())
        yield HourSummary(
            hour_s=int(hour[starts[i]] * HOUR_S),
            readings=int(counts[i]),
            first_s=float(at_s[starts[i]]),
            last_s=float(at_s[ends[i] - 1]),
            seen_share=min(1.0, float(seen_s[i] / HOUR_S)),
            thinned=bool(seen_s[i] < 0.8 * span_s[i]),
            step_s=float(step_s[i]),
            operating_s=float(operating_s[i]),
            evidence=EVIDENCE[most[i]],
            flow_kind=FLOW_KINDS[kind[i]],
            bins=mine,
            highest_pa=max((b.highest_pa for b in mine), default=None),
            off_count=int(off_count[i]),
            off_mean_pa=_known(off_mean[i]),
            ambient_pressure_pa=_known(means["ambient_pressure_pa"][i]),
            temperature_k=_known(temperature[i]),
            altitude_m=_known(means["altitude_m"][i]),
            last_supply_voltage_v=_known(last_volts[i]),
            last_engine_speed_rad_s=_known(last_speed[i]),
            last_running=bool(running[ends[i] - 1]),
        )


def _median_step(at_s: FloatArray, starts: IntArray, ends: IntArray) -> FloatArray:
    """Median (upper of the middle two) time between readings, per hour; 0 for a single reading. [s]"""
    slot = np.repeat(np.arange(len(starts)), ends - starts)
    inner = np.ones(len(at_s), dtype=bool)
    inner[ends - 1] = False
    # Hour and milliseconds in one integer: sorting plain integers is 20 times faster than by two keys.
    steps_ms = np.round(np.diff(at_s, append=at_s[-1])[inner] * 1000.0).astype(np.int64)
    ordered = np.sort((slot[inner] << 22) | steps_ms)  # an hour has 3.6e6 ms, below 2^22
    counts = ends - starts - 1
    middle = np.cumsum(counts) - counts + counts // 2
    some = counts > 0
    result = np.zeros(len(starts))
    result[some] = (ordered[middle[some]] & ((1 << 22) - 1)) / 1000.0
    return result


def _time_each_reading_stands_for(at_s: FloatArray, step_s: FloatArray, slot: IntArray) -> FloatArray:
    """
    Seconds until the next reading, at most three of the hour's own steps; the last of an hour gets one step.

    Three: one lost reading in a row is bridged, a coverage gap is not.
    """
    ahead = np.diff(at_s, append=np.inf)
    last = np.append(slot[1:] != slot[:-1], True)
    to_hour_end = (np.floor(at_s / HOUR_S) + 1.0) * HOUR_S - at_s
    return np.minimum(np.where(last, step_s, np.minimum(ahead, 3.0 * step_s)), to_hour_end)


def _most_common(code: IntArray, slot: IntArray, hours: int, codes: int) -> IntArray:
    """The commonest code of each hour; of equals the stronger (higher) one."""
    table = np.bincount(slot * codes + code, minlength=hours * codes).reshape(hours, codes)
    return np.asarray(codes - 1 - np.argmax(table[:, ::-1], axis=1), dtype=np.int64)


def _count_and_mean(
    values: FloatArray, use: npt.NDArray[np.bool_], starts: IntArray
) -> tuple[IntArray, FloatArray]:
    """Count and mean of the used values per hour; NaN where there are none."""
    count = np.add.reduceat(use.astype(np.int64), starts)
    total = np.add.reduceat(np.where(use, values, 0.0), starts)
    return count, np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _last_known(values: FloatArray, slot: IntArray, hours: int) -> FloatArray:
    last = np.full(hours, np.nan)
    known = np.flatnonzero(~np.isnan(values))
    last[slot[known]] = values[known]  # in time order, so the last one written stays
    return last


def _flow_bins(
    proxies: Sequence[FloatArray],
    restriction_pa: FloatArray,
    running: npt.NDArray[np.bool_],
    slot: IntArray,
    hours: int,
) -> tuple[IntArray, dict[int, tuple[FlowBin, ...]]]:
    """
    The hour's flow proxy (the best one that at least half of its running readings have), and its bins.

    Bins lie at fixed powers of FLOW_BIN_RATIO, the same for all time and machines, so that a summary
    does not depend on what is learned.
    """
    use = running & ~np.isnan(restriction_pa)
    total = np.bincount(slot[use], minlength=hours)
    kind = np.zeros(hours, dtype=np.int64)
    flow = np.zeros(len(slot))
    for code, proxy in enumerate(proxies, start=1):
        has = use & (proxy > 0)
        enough = (2 * np.bincount(slot[has], minlength=hours) >= total) & (total > 0)
        kind[enough] = code
        flow = np.where(enough[slot], proxy, flow)
    keep = use & ((kind[slot] == 0) | (flow > 0))
    return kind, _binned(flow[keep], restriction_pa[keep], slot[keep])


def _binned(flow: FloatArray, restriction_pa: FloatArray, slot: IntArray) -> dict[int, tuple[FlowBin, ...]]:
    """
    Bins of each hour. Sums run in time order and quantiles over whole steps of PA_STEP, so that an hour's
    figures are the same to the last bit whichever hours are summarised with it.
    """
    if len(slot) == 0:
        return {}
    band = np.zeros(len(slot), dtype=np.int64)
    positive = flow > 0
    band[positive] = np.floor(np.log(flow[positive]) / np.log(FLOW_BIN_RATIO)).astype(np.int64)
    lowest, bands = band.min(), int(np.ptp(band)) + 1
    cell = slot * bands + (band - lowest)
    count = np.bincount(cell)
    used = np.flatnonzero(count)
    count = count[used]
    mean_flow = np.bincount(cell, flow)[used] / count
    mean_pa = np.bincount(cell, restriction_pa)[used] / count
    steps = np.clip(np.round((restriction_pa - LOWEST_PA) / PA_STEP), 0, (1 << 24) - 1).astype(np.int64)
    ordered = np.sort((cell << 24) | steps)
    last = np.cumsum(count) - 1
    p90_pa, highest_pa = (
        (ordered[at] & ((1 << 24) - 1)) * PA_STEP + LOWEST_PA for at in (last - (count - 1) // 10, last)
    )
    result: dict[int, list[FlowBin]] = {}
    columns = (used // bands, mean_flow, count, mean_pa, p90_pa, highest_pa)
    for hour, *values in zip(*(column.tolist() for column in columns), strict=True):
        result.setdefault(hour, []).append(FlowBin(*values))
    return {hour: tuple(bins) for hour, bins in result.items()}


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
