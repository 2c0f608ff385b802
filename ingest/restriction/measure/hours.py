"""
Readings of one housing to one summary per UTC hour.

Promises: a summary depends on the readings of its own hour alone, not on their order of arrival and not on
what is learned later. So a late reading changes one summary. Fast: a block of hours at a
time, 3 million readings (a machine-year at 10 s) in less than two seconds.
Leaves to others: which readings are believed, and what the numbers mean (`reference`, `assess`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np

from cleanside.gateway.spot_checks import RUNNING_RAD_S
from cleanside.ingest.restriction.measure.summary import (
    BIN_TABLE,
    EVIDENCE,
    FLOW_KINDS,
    HOUR_S,
    HOUR_TABLE,
    STANDARD_K,
    STANDARD_PA,
    SUMMARY_VERSION,
    BoolArray,
    FloatArray,
    IntArray,
    PackedHour,
    Readings,
    Summaries,
    Table,
    packed_devices,
)
from cleanside.ingest.restriction.measure.unanswered import unanswered
from cleanside.ingest.restriction.measure.wrong_input import WrongInput

CHARGING_12_V = (13.2, 16.5)  # an alternator holds 13.8 to 14.5 V, a resting battery 12.8 V (common practice)
CHARGING_24_V = (26.4, 33.0)  # twice that (arithmetic)
#: 2.01 to 2.15 V a cell: no charge, and hardly a load; an engine that runs on its battery alone draws it
#: below (common practice, no source)
AT_REST_12_V, AT_REST_24_V = (12.05, 12.9), (24.1, 25.8)
NOISE_PA = 75.0  # chosen: one and a half steps of a 0.05 kPa sensor; restriction below it proves nothing
FLOW_BIN_RATIO = 1.15  # chosen: 13 bins from idle to rated; the mean flow of a bin corrects what is left
#: of the charge at full load; the middle of what boosts of 0.9 to 1.6 bar leave (common practice)
UNLOADED_CHARGE = 0.45
#: places of these kinds in a stored summary
ENGINE_SPEED, SPEED_DENSITY, MASS_FLOW, SPEED_LOAD = map(
    FLOW_KINDS.index, ("engine_speed", "speed_density", "air_mass_flow", "speed_load")
)
SUPPLY_SHOWS, SPEED_SHOWS, FLOW_SHOWS = map(
    EVIDENCE.index, ("supply_voltage", "engine_speed", "air_mass_flow")
)
#: 15 kg/h; a diesel engine of 1.5 litres draws twice that at idle (displacement times speed, Heywood 1988
#: section 2.10), a meter in still air shows a few (common practice, no source)
RUNNING_KG_S = 0.0042
#: of the time between its first and last reading an hour has to be seen, else it was thinned (chosen: a lost
#: reading here and there is none)
UNTHINNED_SHARE = 0.8
#: without a reading, and at least `MOST_STEPS` steps: the reading after it is the first since the key was on
#: (chosen: a lost reading or two are no stop, and breaks are longer)
LEAST_STOP_S = 600.0
MOST_STEPS = 3.0  # usual steps that a reading stands for (chosen: after a longer gap nothing was seen)
#: of the readings lie above what is kept of a bin, and of an hour's flow (chosen: the work, not odd readings)
TENTH, TWENTIETH = 10, 20
PAIR_S = 60.0  # two devices' readings further apart in time may see another flow; chosen
LEAST_PAIRS = 5  # of readings of two devices in an hour (chosen: the median of fewer is noise)
BLOCK_READINGS = 100_000  # measured: larger blocks leave the processor's cache
#: quantiles are kept to 0.016 Pa (chosen: 24 bits from there reach 229 kPa)
PA_STEP, LOWEST_PA = 1 / 64, -32768.0


def summarise_hours(readings: Readings) -> Summaries:
    """
    One summary per UTC hour that has a reading, in time order.

    Readings may come in any order; equal sets of readings give equal summaries. Readings without a
    restriction still count for the time seen, the voltage and the speed. Raises ValueError for a time
    that is not finite.
    """
    if not np.all(np.isfinite(readings.at_s)):
        raise WrongInput("time_not_finite")
    columns = _in_time_order(readings)
    blocks = [_summarised(block) for block in _blocks(columns)]
    if not blocks:
        return Summaries(np.empty(0, HOUR_TABLE), np.empty(0, BIN_TABLE), np.empty(0, np.int64))
    tables, bins, counts = zip(*blocks, strict=True)
    hours = np.concatenate(tables)
    return Summaries(hours, np.concatenate(bins), np.concatenate(counts), _device_parts(readings, hours))


def _device_parts(readings: Readings, hours: Table) -> list[bytes] | None:
    """Of each hour which devices saw it, and what each of several saw alone; None: not known."""
    if readings.device is None:
        return None
    devices = np.unique(readings.device)
    if len(devices) == 1:
        return [packed_devices([(int(devices[0]), PackedHour(b"", b""))])] * len(hours)
    parts: dict[int, list[tuple[int, PackedHour]]] = {hour_s: [] for hour_s in hours["hour_s"].tolist()}
    given = [field.name for field in fields(readings) if getattr(readings, field.name) is not None]
    for device in devices.tolist():
        mine = readings.device == device
        alone = {name: np.asarray(getattr(readings, name))[mine] for name in given if name != "device"}
        summaries = summarise_hours(Readings(**alone))
        for hour_s, packed in zip(summaries.hours["hour_s"].tolist(), summaries.packed(), strict=True):
            parts[hour_s].append((int(device), packed))
    return [packed_devices(parts[hour_s]) for hour_s in hours["hour_s"].tolist()]


@dataclass(frozen=True)
class _Columns:
    """Columns in time order; an absent column is None."""

    known: dict[str, FloatArray]

    def get(self, name: str) -> FloatArray | None:
        return self.known.get(name)

    def filled(self, name: str, value: float = np.nan) -> FloatArray:
        """The column with `value` for absent readings; where the column is absent, `value` throughout."""
        column = self.known.get(name)
        if column is None:
            return np.full(len(self.known["at_s"]), value)
        return column if np.isnan(value) else np.where(np.isnan(column), value, column)


def _in_time_order(readings: Readings) -> _Columns:
    """All columns sorted by time; equal times are ordered by their values, so that arrival cannot matter."""
    columns = {
        field.name: np.asarray(getattr(readings, field.name), dtype=np.float64)
        for field in fields(readings)
        if getattr(readings, field.name) is not None
    }
    at_s = columns["at_s"]
    if np.all(at_s[1:] > at_s[:-1]):
        return _Columns(columns)
    order = np.lexsort(list(reversed(columns.values())))
    return _Columns({name: column[order] for name, column in columns.items()})


def _blocks(columns: _Columns) -> Iterator[_Columns]:
    """The columns in pieces of whole hours, of about BLOCK_READINGS: what fits the processor's cache."""
    at_s = columns.known["at_s"]
    hour = np.floor(at_s / HOUR_S)
    first = 0
    while first < len(at_s):
        last = min(first + BLOCK_READINGS, len(at_s)) - 1
        end = int(np.searchsorted(hour, hour[last], side="right"))
        yield _Columns({name: column[first:end] for name, column in columns.known.items()})
        first = end


def _restriction(columns: _Columns) -> FloatArray:
    """Restriction as given, else ambient minus intake pressure. [Pa]"""
    given = columns.filled("restriction_pa")
    intake = columns.get("intake_pressure_pa")
    if intake is None:
        return given
    return np.where(np.isnan(given), columns.filled("ambient_pressure_pa") - intake, given)


def _running(columns: _Columns, restriction_pa: FloatArray) -> tuple[BoolArray, IntArray]:
    """Whether the engine runs, and the index in EVIDENCE of what shows it, per reading."""
    speed, volts = columns.get("engine_speed_rad_s"), columns.get("supply_voltage_v")
    running = restriction_pa > NOISE_PA
    evidence = np.where(np.isnan(restriction_pa), 0, 1)
    if volts is not None:
        # At rest the engine stands still, whatever restriction reads: a sensor whose zero moved does not
        # read 0.
        running &= ~(_within(volts, AT_REST_12_V) | _within(volts, AT_REST_24_V))
        running |= _within(volts, CHARGING_12_V) | _within(volts, CHARGING_24_V)
        evidence[~np.isnan(volts)] = SUPPLY_SHOWS
    mass = columns.get("air_mass_flow_kg_s")
    if mass is not None:
        has_flow = ~np.isnan(mass)
        running = np.where(has_flow, mass > RUNNING_KG_S, running)
        evidence[has_flow] = FLOW_SHOWS
    if speed is not None:
        has_speed = ~np.isnan(speed)
        running = np.where(has_speed, speed > RUNNING_RAD_S, running)
        evidence[has_speed] = SPEED_SHOWS
    return running, evidence


def _within(values: FloatArray, bounds: tuple[float, float]) -> BoolArray:
    return np.asarray((values >= bounds[0]) & (values <= bounds[1]))


def _flow(columns: _Columns) -> list[tuple[int, FloatArray]]:
    """
    The flow proxies that there are, worst first, each with its place in FLOW_KINDS.

    Speed [rad/s], speed-load [rad/s at full load], speed-density [rad/s, standard air], mass flow [kg/s].
    """
    proxies: list[tuple[int, FloatArray]] = []
    speed, boost = columns.get("engine_speed_rad_s"), columns.get("boost_pressure_pa")
    load = columns.get("engine_load_ratio")
    if speed is not None:
        proxies.append((ENGINE_SPEED, speed))
        if load is not None:
            proxies.append((SPEED_LOAD, speed * response_to_load(load)))
        if boost is not None:
            manifold = (columns.filled("ambient_pressure_pa", STANDARD_PA) + boost) / STANDARD_PA
            proxies.append(
                (
                    SPEED_DENSITY,
                    speed * manifold * STANDARD_K / columns.filled("intake_temperature_k", STANDARD_K),
                )
            )
    mass = columns.get("air_mass_flow_kg_s")
    return proxies if mass is None else [*proxies, (MASS_FLOW, mass)]


def response_to_load(load_ratio: FloatArray) -> FloatArray:
    """
    Flow of a turbocharged engine as a share of that at full load and the same speed, shape as given. [1]

    load_ratio : 0 to 1; what lies outside counts as the nearer bound.
    The charge grows with the load: boost of 0.9 to 1.6 bar at full load (common practice) leaves 0.38 to 0.53
    of the charge without load. The reaction of each machine is in its exponent.
    """
    return np.asarray(UNLOADED_CHARGE + (1.0 - UNLOADED_CHARGE) * np.clip(load_ratio, 0.0, 1.0))


def _summarised(columns: _Columns) -> tuple[Table, Table, IntArray]:
    """Hours, bins and number of bins an hour of readings in time order, at least one."""
    at_s, restriction = columns.known["at_s"], _restriction(columns)
    hour = np.floor(at_s / HOUR_S).astype(np.int64)
    starts = np.flatnonzero(np.concatenate(([True], hour[1:] != hour[:-1])))
    ends = np.append(starts[1:], len(at_s))
    slot = np.repeat(np.arange(len(starts)), ends - starts)
    no_answer = unanswered(at_s, restriction, columns.get("engine_speed_rad_s"), slot, len(starts))
    running, evidence = _running(columns, restriction)
    restriction = np.where(no_answer.dropped, np.nan, restriction)
    step_s, seen_s, operating_s = _times(at_s, running, slot, starts, columns.get("device"))
    shows_off = ~running & (evidence >= SUPPLY_SHOWS)
    off = (shows_off | _at_key_on(at_s, evidence, step_s, slot, starts)) & ~np.isnan(restriction)
    kind, flow, use = _flow_of_hours(_flow(columns), restriction, running, slot, len(starts))
    work = [columns.filled(name)[use] for name in ("engine_speed_rad_s", "engine_load_ratio")]
    bins, bin_slot = _binned(flow[use], restriction[use], slot[use], *work)
    table = np.zeros(len(starts), dtype=HOUR_TABLE)
    table["version"] = SUMMARY_VERSION
    table["hour_s"] = hour[starts] * int(HOUR_S)
    table["readings"] = ends - starts
    table["first_s"], table["last_s"] = at_s[starts], at_s[ends - 1]
    table["seen_share"] = np.minimum(1.0, seen_s / HOUR_S)
    table["thinned"] = seen_s < UNTHINNED_SHARE * (at_s[ends - 1] - at_s[starts])
    table["step_s"] = step_s
    table["operating_s"] = operating_s
    table["evidence"] = _most_common(evidence, slot, len(starts), len(EVIDENCE))
    table["flow_kind"] = kind
    table["off_count"], table["off_mean_pa"] = _count_and_mean(restriction, off, starts)
    table["last_running"] = running[ends - 1]
    table["high_flow"] = _high_flow(flow[use], slot[use], len(starts))
    table["highest_pa"] = np.nan
    np.fmax.at(table["highest_pa"], bin_slot, bins["highest_pa"])
    _fill_surroundings(table, columns, slot, starts)
    table["unanswered_s"], table["unanswered_pa"] = no_answer.since_s, no_answer.level_pa
    table["devices_differ_pa"] = _devices_differ(columns, restriction, running, slot, len(starts))
    return table, bins, np.bincount(bin_slot, minlength=len(starts))


def _at_key_on(
    at_s: FloatArray, evidence: IntArray, step_s: FloatArray, slot: IntArray, starts: IntArray
) -> BoolArray:
    """
    First readings after a stop, of hours in which restriction alone says whether the engine runs, shape (n,).

    Most are read before the engine starts. Whether those of this machine are, `zero` judges over many hours.
    """
    before_s = np.concatenate(([-np.inf], at_s[:-1]))
    before_s[starts] = np.floor(at_s[starts] / HOUR_S) * HOUR_S
    is_first = at_s - before_s >= np.maximum(LEAST_STOP_S, MOST_STEPS * step_s)[slot]
    return np.asarray(is_first & (np.maximum.reduceat(evidence, starts) < SUPPLY_SHOWS)[slot])


def _fill_surroundings(table: Table, columns: _Columns, slot: IntArray, starts: IntArray) -> None:
    """Measurements that do not come from the element: air, place, supply. NaN where not known."""
    kelvin, charge_air = columns.get("air_temperature_k"), columns.get("intake_temperature_k")
    if kelvin is not None and charge_air is not None:
        kelvin = np.where(np.isnan(kelvin), charge_air, kelvin)
    means = {
        "ambient_pressure_pa": columns.get("ambient_pressure_pa"),
        "altitude_m": columns.get("altitude_m"),
        "temperature_k": charge_air if kelvin is None else kelvin,
    }
    for name, values in means.items():
        table[name] = np.nan if values is None else _count_and_mean(values, ~np.isnan(values), starts)[1]
    lasts = {
        "last_supply_voltage_v": "supply_voltage_v",
        "last_engine_speed_rad_s": "engine_speed_rad_s",
        "latitude_deg": "latitude_deg",
        "longitude_deg": "longitude_deg",
    }
    for name, source in lasts.items():
        values = columns.get(source)
        table[name] = np.nan if values is None else _last_known(values, slot, len(starts))


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


def _times(
    at_s: FloatArray, running: BoolArray, slot: IntArray, starts: IntArray, device: FloatArray | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """
    Of each hour: median time between readings, time seen, and time that the engine ran. [s]

    Where several devices measure, each has steps of its own, of which the hour has the shortest: what lies
    between the readings of two says nothing of how long one stands. What two of them saw counts once.
    """
    ends = np.append(starts[1:], len(at_s))
    if device is None or np.all(device == device[0]):
        step_s = _median_step(at_s, starts, ends)
        weight_s = _time_each_reading_stands_for(at_s, step_s[slot], slot)
        ran_s = np.where(running, weight_s, 0.0)
        return step_s, np.add.reduceat(weight_s, starts), np.add.reduceat(ran_s, starts)
    shortest_s, until_s = np.full(len(starts), np.inf), np.empty(len(at_s))
    for one in np.unique(device).tolist():
        mine = np.flatnonzero(device == one)
        hours, first, count = np.unique(slot[mine], return_index=True, return_counts=True)
        own_s = _median_step(at_s[mine], first, first + count)
        weight_s = _time_each_reading_stands_for(at_s[mine], np.repeat(own_s, count), slot[mine])
        until_s[mine] = at_s[mine] + weight_s
        shortest_s[hours] = np.fmin(shortest_s[hours], np.where(own_s > 0, own_s, np.inf))
    seen_s = _time_covered(at_s, until_s, starts)
    operating_s = _time_covered(at_s, np.where(running, until_s, at_s), starts)
    return np.where(np.isinf(shortest_s), 0.0, shortest_s), seen_s, operating_s


def _time_covered(at_s: FloatArray, until_s: FloatArray, starts: IntArray) -> FloatArray:
    """Seconds of each hour that readings in time order stand for; what several stand for counts once. [s]"""
    before_s = np.concatenate(([-np.inf], np.maximum.accumulate(until_s)[:-1]))
    return np.add.reduceat(np.maximum(until_s - np.maximum(at_s, before_s), 0.0), starts)


def _time_each_reading_stands_for(at_s: FloatArray, step_s: FloatArray, slot: IntArray) -> FloatArray:
    """
    Seconds until the next reading, at most three of the hour's own steps; the last of an hour gets one step.

    Three: one lost reading in a row is bridged, a coverage gap is not.
    """
    ahead = np.diff(at_s, append=np.inf)
    last = np.append(slot[1:] != slot[:-1], True)
    to_hour_end = (np.floor(at_s / HOUR_S) + 1.0) * HOUR_S - at_s
    return np.minimum(np.where(last, step_s, np.minimum(ahead, MOST_STEPS * step_s)), to_hour_end)


def _most_common(code: IntArray, slot: IntArray, hours: int, codes: int) -> IntArray:
    """The commonest code of each hour; of equals the stronger (higher) one."""
    table = np.bincount(slot * codes + code, minlength=hours * codes).reshape(hours, codes)
    return np.asarray(codes - 1 - np.argmax(table[:, ::-1], axis=1), dtype=np.int64)


def _count_and_mean(values: FloatArray, use: BoolArray, starts: IntArray) -> tuple[IntArray, FloatArray]:
    """Count and mean of the used values per hour; NaN where there are none."""
    count = np.add.reduceat(use.astype(np.int64), starts)
    total = np.add.reduceat(np.where(use, values, 0.0), starts)
    return count, np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _last_known(values: FloatArray, slot: IntArray, hours: int) -> FloatArray:
    last = np.full(hours, np.nan)
    rows = np.flatnonzero(~np.isnan(values))
    last[slot[rows]] = values[rows]  # in time order, so the last one written stays
    return last


def _flow_of_hours(
    proxies: Sequence[tuple[int, FloatArray]],
    restriction_pa: FloatArray,
    running: BoolArray,
    slot: IntArray,
    hours: int,
) -> tuple[IntArray, FloatArray, BoolArray]:
    """
    Each hour's flow proxy (the best one that at least half of its running readings have), the flow at each
    reading by it (0 without one), and which readings count.
    """
    use = running & ~np.isnan(restriction_pa)
    total = np.bincount(slot[use], minlength=hours)
    kind = np.zeros(hours, dtype=np.int64)
    flow = np.zeros(len(slot))
    for code, proxy in proxies:
        has = use & (proxy > 0)
        enough = (2 * np.bincount(slot[has], minlength=hours) >= total) & (total > 0)
        kind[enough] = code
        flow = np.where(enough[slot], proxy, flow)
    return kind, flow, use & ((kind[slot] == 0) | (flow > 0))


def _binned(
    flow: FloatArray, restriction_pa: FloatArray, slot: IntArray, speed_rad_s: FloatArray, load: FloatArray
) -> tuple[Table, IntArray]:
    """
    Bins of all hours in order, and the hour of each.

    Bins lie at fixed powers of FLOW_BIN_RATIO, the same for all time and machines, so that a summary
    does not depend on what is learned. Sums run in time order and quantiles over whole steps of PA_STEP, so
    that an hour's figures are the same to the last bit whichever hours are summarised with it.
    """
    if len(slot) == 0:
        return np.empty(0, BIN_TABLE), np.empty(0, np.int64)
    band = np.zeros(len(slot), dtype=np.int64)
    positive = flow > 0
    band[positive] = np.floor(np.log(flow[positive]) / np.log(FLOW_BIN_RATIO)).astype(np.int64)
    lowest, bands = band.min(), int(np.ptp(band)) + 1
    cell = slot * bands + (band - lowest)
    count = np.bincount(cell)
    used = np.flatnonzero(count)
    count = count[used]
    bins = np.empty(len(used), dtype=BIN_TABLE)
    bins["flow"] = np.bincount(cell, flow)[used] / count
    bins["readings"] = count
    bins["mean_pa"] = np.bincount(cell, restriction_pa)[used] / count
    bins["speed_rad_s"] = _mean_of_known(cell, speed_rad_s)[used]
    bins["load"] = _mean_of_known(cell, np.clip(load, 0.0, 1.0))[used]
    steps = np.clip(np.round((restriction_pa - LOWEST_PA) / PA_STEP), 0, (1 << 24) - 1).astype(np.int64)
    ordered = np.sort((cell << 24) | steps)
    last = np.cumsum(count) - 1
    for name, at in (("p90_pa", last - (count - 1) // TENTH), ("highest_pa", last)):
        bins[name] = (ordered[at] & ((1 << 24) - 1)) * PA_STEP + LOWEST_PA
    return bins, used // bands


def _mean_of_known(cell: IntArray, values: FloatArray) -> FloatArray:
    """Mean of each cell over the values that are known, shape (cells,); NaN where there are none."""
    known = ~np.isnan(values)
    count = np.bincount(cell[known], minlength=cell.max() + 1)
    total = np.bincount(cell[known], values[known], minlength=cell.max() + 1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _high_flow(flow: FloatArray, slot: IntArray, hours: int) -> FloatArray:
    """The 95 % point of the flow of each hour, shape (hours,); NaN without a proxy."""
    has = flow > 0
    result = np.full(hours, np.nan)
    # Hour and flow in one integer: 32-bit floats above 0 are in the order of their bits (IEEE 754).
    bits = flow[has].astype(np.float32).view(np.int32).astype(np.int64)
    ordered = np.sort((slot[has] << 32) | bits)
    count = np.bincount(slot[has], minlength=hours)
    some = count > 0
    place = (np.cumsum(count) - 1 - (count - 1) // TWENTIETH)[some]
    result[some] = (ordered[place] & 0xFFFFFFFF).astype(np.int32).view(np.float32)
    return result


def _devices_differ(
    columns: _Columns, restriction_pa: FloatArray, running: BoolArray, slot: IntArray, hours: int
) -> FloatArray:
    """
    What the higher-numbered device reads above the lower, median over the hour's pairs, shape (hours,). [Pa]

    A pair: two readings that follow each other within PAIR_S, of two devices, one of which shows the engine
    at work. Where restriction alone shows it, a device whose tube is off never does. NaN below LEAST_PAIRS.
    """
    result = np.full(hours, np.nan)
    device = columns.get("device")
    if device is None:
        return result
    use = np.flatnonzero(~np.isnan(restriction_pa))
    step, works = np.diff(device[use]), running[use]
    near = (np.diff(columns.known["at_s"][use]) <= PAIR_S) & (works[1:] | works[:-1])
    pairs = np.flatnonzero((step != 0) & near & (slot[use][1:] == slot[use][:-1]))
    differ_pa = np.diff(restriction_pa[use])[pairs] * np.sign(step[pairs])
    order = np.lexsort((differ_pa, slot[use][pairs]))
    count = np.bincount(slot[use][pairs], minlength=hours)
    enough = count >= LEAST_PAIRS
    first = np.cumsum(count) - count
    ordered = differ_pa[order]
    result[enough] = (
        ordered[(first + (count - 1) // 2)[enough]] + ordered[(first + count // 2)[enough]]
    ) / 2.0
    return result
