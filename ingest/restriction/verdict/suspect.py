"""
What does not fit together in the data of one housing: causes for mistrust, each with its evidence.

Strategy: each cause is a number for each hour (how far the flow's swing comes through, how far the zero has
moved ...), its trailing median over some hours, and two bounds: above the first the cause is reported, below
the second no longer. So a cause does not flap, and one odd hour does not report it.
Promises: computed over time-ordered summaries alone. A cause is a reason to look, with the data beside it.
Leaves to others: what to do about it (`plain_forms.ADVICE`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.measure.atmosphere import standard_pressure_pa
from cleanside.ingest.restriction.measure.devices import Carried
from cleanside.ingest.restriction.measure.known_hours import Beside, Rows, hour_by_hour
from cleanside.ingest.restriction.measure.nearby import Misfit
from cleanside.ingest.restriction.measure.reference import (
    DEFAULT_EXPONENT,
    EXPONENT_RANGE,
    HourlyRestriction,
    Reference,
    bin_flow,
    load_response,
)
from cleanside.ingest.restriction.measure.steady import LEAST_ROWS, carried_state, latched, trailing_median
from cleanside.ingest.restriction.measure.summary import (
    EVIDENCE,
    FLOW_KINDS,
    HOUR_S,
    BoolArray,
    FloatArray,
    IntArray,
    Summaries,
)
from cleanside.ingest.restriction.measure.swapped import SwappedSpan, hours_in
from cleanside.ingest.restriction.measure.zero import Zero, learn_zero, still_falls
from cleanside.ingest.restriction.verdict.statement import Statement, say

ROWS = 12  # hours whose median is judged (chosen: a long shift, six odd ones report nothing)

#: least ratio of two flows of an hour whose answers are compared (chosen: by the exponent 1.5 half as much
#: again, far above noise)
FLOW_STEP = 1.3
LEAST_BIN_READINGS = 3  # of a flow bin (chosen: the mean of fewer is noise)
#: of the swing that the engine's flow should cause (chosen: no exponent of media and ducts answers by less)
FLAT_BELOW, ANSWERS_ABOVE = 0.5, 0.6
UNANSWERED_ROWS = (
    3  # hours on end that hardly answer are flat: on made fleets (plateau, quarry, seeds 3 and 5)
)
#: none of 59 058 sound hours was one of so many
ANSWERED_ROWS = 2  # hours on end that answer, and the flow comes through again: made fleets (plateau, quarry,
#: seeds 3 to 6): no plugged tap and no pair of swapped ports showed two on the monitor at fault
#: without a flow proxy: of the usual spread within an hour (chosen: steady work spreads less too)
SPREAD_BELOW, SPREADS_ABOVE = 0.25, 0.5
SPREAD_HOUR_S = 1_800.0  # of work in an hour whose spread counts (chosen: a short move stays at idle)
COARSEST_PA = 250.0  # step of a gauge: 1 inH2O (chosen; finer ones are usual, SAE J1939 SPN 107 has 50 Pa)
LEAST_ANSWER = 0.4  # of an expected swing is the least that a slow gauge shows (chosen: minutes of lag)
USUAL_ROWS = 48  # working hours before a machine's own spread is known (chosen: a week)
RISES_TO = 0.25  # of the usual level is more than a tap that leaks lets through in an hour (chosen)
HELD_SHARE = 0.3  # of the level is all that a plugged tap moves by; a zero that moved leaves more (chosen)
HELD_ROWS = 3  # newest hours, of which one shows rest, low and high flow (chosen: the newest may be cut off)
HELD_WITHIN = 0.1  # of the level: so far may rest, low and high flow be apart to be alike (chosen)
SWAPPED_ROWS = 2  # newest hours at work that have to be mirrored: one may be odd (chosen)
QUIET_PA = 75.0  # chosen: one and a half steps of a 0.05 kPa sensor; less is no level to compare with

#: of terminal: 70 and 45 Pa of 6.2 kPa (chosen: a step of a 0.05 kPa sensor lies between),
ZERO_ENTER, ZERO_LEAVE = 0.0115, 0.007
ZERO_RANGE_PA = (60.0, 400.0)  # within these: another sensor of the same make differs by less (chosen)
#: The wind presses on intake or tube by at most its dynamic pressure: 0.6 kg/m³ times the square of 24.4 m/s,
#: where a strong gale ends (Beaufort 9, WMO No. 8, from memory). What is less has to outlast a blow (made
#: fleets, 17 of 28 machines: 4 h cost no find; 6 and 9 h one and four of 284 for 1 and 3 false ones less)
GALE_PA, GALE_S = 360.0, 4 * HOUR_S

#: weather at one place swings by 3 kPa (common practice)
AMBIENT_ENTER_PA, AMBIENT_LEAVE_PA = 6_000.0, 4_500.0
AMBIENT_ROWS = 24  # hours whose median is judged (chosen: a day and more of work)

#: Pa. Source: NIST SP 811 (2008) B.8; the inch and millimetre of water are the conventional ones.
GAUGE_UNITS: Mapping[str, float] = {
    "kPa": 1e3,
    "inH2O": 249.08891,
    "mbar": 1e2,
    "mmH2O": 9.80665,
    "cmH2O": 98.0665,
    "mmHg": 133.3224,
    "psi": 6894.757,
    "inHg": 3386.389,
}
SAME_LIMIT = 1e-3  # of it: the limit as it is (chosen: people enter three digits, units differ by more)
PLAUSIBLE_TERMINAL_PA = (2_000.0, 12_000.0)  # no diesel engine is outside (service manuals)
USUAL_TERMINAL_PA = (3_000.0, 8_000.0)  # engine makers state 3.7 to 7.6 kPa, 15 to 30 inH2O (service manuals)
#: a clean element beyond that share of a small terminal makes the terminal unlikely (common practice: new
#: elements read 0.2 to 0.5 of the limit, and small limits are less common),
TOO_CLEAN_SHARE = 0.4
DOUBTFUL_PA, DOUBTFUL_CLEAN_SHARE = 4_000.0, 0.6  # and beyond this, one of up to 4 kPa (chosen: likewise)
FAR_TOO_HIGH = 2.0  # the same where no unit explains it; an element that is overdue stays below (chosen),
#: or it began as one should: at 0.2 to 0.5 of the limit (common practice), not above this share
BEGAN_SHARE = 0.6
TOO_HIGH = 1.5  # chosen: an engine that works at that many times a terminal has another one


#: what lets dust into the engine before what misleads a reader
CAUSES = (
    *("below_clean", "fell_denied", "flat", "indicator_at_mark", "indicator_at_odds", "no_restriction"),
    *("monitors_swapped", "ports_swapped"),
    *("zero_moved", "devices_disagree", "ambient", "terminal", "not_judged"),
)


@dataclass(frozen=True, kw_only=True)
class Suspicion:
    """A cause for mistrust with what shows it."""

    cause: str  # one of CAUSES
    evidence: Statement


class AnswerLost(NamedTuple):
    """Minutes at the end of the newest hours in which restriction did not follow the engine."""

    suspicion: Suspicion
    level_pa: float  # at high idle
    from_s: float  # [s since 1970-01-01 UTC]
    until_s: float  # newest reading of that hour


@dataclass(frozen=True)
class HourDoubts:
    """Hours that are not fit to judge an element by, shape (hours,), and the causes that hold now."""

    flat: BoolArray  # or the readings came from another machine
    suspicions: tuple[Suspicion, ...]


def hour_doubts(
    carried: Carried,
    reference: Reference,
    zero: Zero,
    swapped: Sequence[SwappedSpan] = (),
    mirrored: BoolArray | None = None,
) -> HourDoubts:
    """
    Flat lines, monitors on another machine, swapped ports, devices that disagree: causes that show in the
    hours themselves.

    Of two devices that disagree the analysis follows one, so those hours stay fit to judge by; so do hours
    whose sign was turned. mirrored : these, shape (hours,); None = none.
    """
    flat, flat_now = _flat(carried.table, reference, zero)
    of_devices = [_flat(alone, reference, learn_zero(alone))[1] for alone in carried.alone.values()]
    said = [*flat_now, *(one for of_device in of_devices for one in of_device)][:1]
    elsewhere = hours_in(swapped, carried.table.hours["hour_s"])
    return HourDoubts(
        (flat & ~_quiet(carried.table, zero)) | elsewhere,
        (
            *said,
            *monitors_swapped(swapped),
            *([] if mirrored is None else ports_swapped(carried.table, mirrored)),
            *devices_disagree(carried),
        ),
    )


def ports_swapped(table: Summaries, mirrored: BoolArray) -> list[Suspicion]:
    """The newest hours at work read below zero as much as an element resists. mirrored : shape (hours,)."""
    works = np.flatnonzero(table.working)
    lately = mirrored[works]
    if not np.all(lately[-SWAPPED_ROWS:]) or len(lately) < SWAPPED_ROWS:
        return []
    sound = np.flatnonzero(~lately)
    first = works[sound[-1] + 1 if len(sound) else 0]
    from_s = float(table.hours["hour_s"][first])
    return [Suspicion(cause="ports_swapped", evidence=say("reads_below_zero", from_s=from_s))]


def monitors_swapped(swapped: Sequence[SwappedSpan]) -> list[Suspicion]:
    """The readings come from another machine now."""
    return [
        Suspicion(cause="monitors_swapped", evidence=say("sends_as_other", other=s.other, from_s=s.from_s))
        for s in swapped[-1:]
        if math.isinf(s.until_s)
    ]


def without_name(suspicion: Suspicion, may_name: Callable[[str], bool]) -> Suspicion:
    """The suspicion for who reads it: a machine that they may not learn of is "another machine"."""
    evidence = suspicion.evidence
    if evidence.code != "sends_as_other" or may_name(evidence.values["other"]):
        return suspicion
    return replace(suspicion, evidence=say("sends_as_another", from_s=evidence.values["from_s"]))


def _quiet(table: Summaries, zero: Zero) -> BoolArray:
    """Hours in which next to nothing was read: a tube off or no element, whatever the flow did."""
    return np.asarray(table.column("highest_pa") - zero.usual_by_hour_pa(len(table)) < 2 * QUIET_PA)


def _flat(table: Summaries, reference: Reference, zero: Zero) -> tuple[BoolArray, list[Suspicion]]:
    if reference.basis == "envelope":
        place, answer = _spread_within(table)
        bounds = (SPREAD_BELOW, SPREADS_ABOVE)
        code = "flat_spread"
        lost, since = np.zeros(len(place), dtype=bool), _since(_rests_and_works(table, zero, place))
    else:
        place, answer = _swing(table, reference, zero)
        answer = answer / _usual_answer(answer)
        bounds = (FLAT_BELOW, ANSWERS_ABOVE)
        code = "flat_swing"
        lost, since = _on_end(answer < bounds[0]) >= UNANSWERED_ROWS, _since_answered(answer > bounds[1])
    smooth = trailing_median(answer, ROWS)
    enter = lost | ((smooth < bounds[0]) & (since >= ROWS // 2))
    state = carried_state(place, enter, (smooth > bounds[1]) & ~lost | (since == 0), len(table))
    state |= _since_it_began(place, answer < bounds[1], state)
    if not np.any(state[-1:]):
        return state, []
    percent = 100 * min(float(smooth[-1]), float(np.median(answer[-UNANSWERED_ROWS:])))
    return state, [Suspicion(cause="flat", evidence=say(code, percent=max(0.0, percent)))]


def _usual_answer(answer: FloatArray) -> float:
    """Share of the expected swing that this gauge shows as a rule; a slow one shows a mean of minutes. [1]"""
    if len(answer) < USUAL_ROWS:
        return 1.0
    return min(max(float(np.median(answer)), LEAST_ANSWER), 1.0)


def _on_end(flags: BoolArray) -> IntArray:
    """How many true flags on end there are at each place, shape as given."""
    place = np.arange(len(flags))
    return np.asarray(place - np.maximum.accumulate(np.where(flags, -1, place)))


def _since_answered(answers: BoolArray) -> IntArray:
    """
    Hours since the last ANSWERED_ROWS on end in which the flow came through, shape as given; 0: these do.

    A median alone keeps the state for half of its hours. A set of constant speed shows the swing where it
    starts or stops alone, and those are days.
    """
    return _since(_on_end(answers) >= ANSWERED_ROWS)


def _since(answers: BoolArray) -> IntArray:
    """How many places ago a flag was last true, shape as given; at least ROWS: it never was."""
    place = np.arange(len(answers))
    return np.asarray(place - np.maximum.accumulate(np.where(answers, place, -ROWS)))


def _since_it_began(place: IntArray, flat: BoolArray, state: BoolArray) -> BoolArray:
    """Hours before a state, up to those whose median is judged, that show it already, shape of `state`."""
    earlier = np.zeros(len(state), dtype=bool)
    begun = np.flatnonzero(state[place] & ~np.concatenate(([False], state[place][:-1])))
    for row in begun.tolist():
        sound = np.flatnonzero(~flat[max(0, row - ROWS) : row])
        first = max(0, row - ROWS) + (int(sound[-1]) + 1 if len(sound) else 0)
        if first < row:
            earlier[place[first] : place[row]] = True
    return earlier


def held_alike(table: Summaries, reference: Reference, zero: Zero) -> list[Suspicion]:
    """
    Lately it reads alike at low flow, at high flow and at rest, well above the usual zero.

    A missing element or a tube off reads next to nothing at rest; a plugged tap holds what it had, and a
    sensor may stick. Said of the newest hour that shows all three, where `_flat` wants the median of ROWS.
    """
    if reference.basis != "flow":
        return []
    newest = range(len(table) - 1, max(len(table) - 1 - HELD_ROWS, -1), -1)
    levels = next((found for hour in newest if (found := _rest_low_high_pa(table, hour)) is not None), None)
    if levels is None:
        return []
    held_pa = float(np.median(levels))
    above_pa = held_pa - float(zero.usual_by_hour_pa(len(table))[-1])
    if above_pa < 2 * QUIET_PA or float(np.ptp(levels)) > HELD_WITHIN * above_pa:
        return []
    return [Suspicion(cause="flat", evidence=say("held_alike", held_pa=held_pa))]


def no_answer(table: Summaries, zero: Zero) -> AnswerLost | None:
    """
    At last restriction did not follow the engine, as the check of an installation sees it within minutes.

    None: it did, or the newest hours do not show it.
    """
    since_s = table.column("unanswered_s")
    newest = np.flatnonzero(~np.isnan(since_s[-HELD_ROWS:]) & table.working[-HELD_ROWS:])
    row = max(0, len(table) - HELD_ROWS) + int(newest[-1]) if len(newest) else -1
    if row < 0 or math.isinf(since_s[row]):
        return None
    level_pa = float(table.column("unanswered_pa")[row])
    zero_pa = zero.usual_by_hour_pa(len(table))
    above_pa = table.column("highest_pa")[row + 1 :] - zero_pa[row + 1 :]
    is_nothing = level_pa - float(zero_pa[row]) < 2 * QUIET_PA
    if is_nothing and np.any(above_pa >= 2 * QUIET_PA):  # a later hour shows an element again
        return None
    at_s = float(table.column("hour_s")[row] + since_s[row])
    cause, code = ("below_clean", "next_to_nothing") if is_nothing else ("flat", "no_answer")
    evidence = say(code, level_pa=level_pa, at_s=at_s)
    last_s = float(table.column("last_s")[row])
    return AnswerLost(Suspicion(cause=cause, evidence=evidence), level_pa, at_s, last_s)


def _rest_low_high_pa(table: Summaries, hour: int) -> FloatArray | None:
    """Restriction at rest, at the lowest and at the highest flow of an hour; None: one of them is missing."""
    flow, mean_pa = table.bin_column("flow"), table.bin_column("mean_pa")
    enough = table.bins["readings"] >= LEAST_BIN_READINGS
    bins = np.flatnonzero((table.bin_hour == hour) & enough & (flow > 0))
    off_pa = float(table.column("off_mean_pa")[hour])
    if len(bins) < 2 or flow[bins[-1]] < FLOW_STEP * flow[bins[0]] or math.isnan(off_pa):
        return None
    return np.array([off_pa, mean_pa[bins[0]], mean_pa[bins[-1]]])


def _swing(table: Summaries, reference: Reference, zero: Zero) -> tuple[IntArray, FloatArray]:
    """Hours whose flow varied, and the share of the expected swing that restriction showed. [1]"""
    zero_pa, usual_pa, falls = zero.by_hour_pa, zero.usual_by_hour_pa(len(table)), still_falls(table)
    exponent = reference.exponent if reference.exponent is not None else DEFAULT_EXPONENT
    if reference.by_means:  # it answers the steps of an hour by less than the element does
        exponent = EXPONENT_RANGE[0]
    code = FLOW_KINDS.index(reference.flow_kind)
    fitted, flow = load_response(table), bin_flow(table)
    rests_on = code, exponent, None if fitted is None else fitted.response

    def from_hour(first: int) -> Rows:
        rest, of_bins = table.since(first), flow[table.bin_starts[first] :]
        return _swings(rest, code, of_bins, exponent, zero_pa[first:], usual_pa[first:], falls[first:])

    made = hour_by_hour(table, "swing", Beside(rests_on, (zero_pa, usual_pa, falls)), from_hour)
    return made.place, made.values[0]


def _swings(
    table: Summaries,
    code: int,
    flow: FloatArray,
    exponent: float,
    zero_pa: FloatArray,
    usual_pa: FloatArray,
    falls: BoolArray,
) -> Rows:
    """
    As `_swing`, each hour by itself.

    code : place of the flow proxy in FLOW_KINDS. flow : of each bin, by load as this engine answers it.
    zero_pa, usual_pa : of each hour, now and as is usual.
    falls : hours in which a slow gauge still falls.
    """
    mean_pa = table.bin_column("mean_pa")
    mine = table.hours["flow_kind"] == code
    enough = np.flatnonzero(
        mine[table.bin_hour] & (table.bins["readings"] >= LEAST_BIN_READINGS) & (flow > 0)
    )
    hour = table.bin_hour[enough]
    first = np.flatnonzero(np.diff(hour, prepend=-1) != 0)
    last = np.append(first[1:], len(hour))[: len(first)] - 1
    low, high = enough[first], enough[last]
    wide = flow[high] >= FLOW_STEP * flow[low] if len(first) else np.empty(0, dtype=bool)
    rest_pa = table.column("off_mean_pa")[hour[first]]
    # an engine of one speed shows it by what is read at rest
    rests = ~wide & ~np.isnan(rest_pa) & ~falls[hour[first]]
    low_pa, low_flow = np.where(rests, rest_pa, mean_pa[low]), np.where(rests, 0.0, flow[low])
    shows = wide | rests
    low_pa, low_flow, high, place = low_pa[shows], low_flow[shows], high[shows], hour[first[shows]]
    # A plugged tap holds its pressure at key-on too, which is no zero: then against the usual one.
    above = mean_pa[high] - zero_pa[place]
    above_usual = mean_pa[high] - usual_pa[place]
    level = np.maximum(np.where(above < HELD_SHARE * above_usual, above_usual, above), QUIET_PA)
    expected = 1.0 - (low_flow / flow[high]) ** exponent
    return Rows(place, ((mean_pa[high] - low_pa) / level / expected,))


def _spread_within(table: Summaries) -> tuple[IntArray, FloatArray]:
    """
    Working hours, and their spread (90 % point over mean) against the machine's usual one. [1]

    An hour with little work says nothing, nor one whose usual spread is less than a step of the gauge: it
    counts as the one before.
    """
    place = np.flatnonzero(table.bin_count == 1)
    first = table.bin_starts[place]
    mean_pa = np.maximum(table.bin_column("mean_pa")[first], QUIET_PA)
    spread = np.maximum(table.bin_column("p90_pa")[first] - table.bin_column("mean_pa")[first], 0.0) / mean_pa
    says = table.column("operating_s")[place] >= SPREAD_HOUR_S
    if np.sum(says) < USUAL_ROWS:
        return place, np.ones(len(place))
    usual = float(np.median(spread[says]))
    steady = usual * float(np.median(mean_pa)) < QUIET_PA  # a machine of steady load never spread much
    if steady:
        return place, np.ones(len(place))
    says &= usual * mean_pa >= _step_of_gauge_pa(table.column("highest_pa")[place])
    newest = np.maximum.accumulate(np.where(says, np.arange(len(place)), -1))
    return place, np.where(newest >= 0, spread[newest] / usual, 1.0)


def _step_of_gauge_pa(highest_pa: FloatArray) -> float:
    """The least difference between two single readings, which a gauge that shows steps has. [Pa]"""
    apart_pa = np.diff(np.unique(np.round(highest_pa[~np.isnan(highest_pa)])))
    return min(float(np.min(apart_pa, initial=np.inf)), COARSEST_PA)


def _rests_and_works(table: Summaries, zero: Zero, place: IntArray) -> BoolArray:
    """
    Which of some working hours show that restriction follows the engine as it starts or stops.

    Steady work spreads no more than a plugged tap does, but behind a tap the pressure stays as the engine
    stops, and comes back over hours. Without voltage or speed a reading of nothing with the key on is rest.
    """
    first = table.bin_starts[place]
    mean_pa = table.bin_column("mean_pa")[first] - zero.usual_by_hour_pa(len(table))[place]
    rest_pa = table.column("off_mean_pa")[place] - zero.usual_by_hour_pa(len(table))[place]
    stood_s = table.column("seen_share")[place] * HOUR_S - table.column("operating_s")[place]
    by_restriction = table.hours["evidence"][place] <= EVIDENCE.index("restriction")
    stood_pa = np.where(stood_s >= table.column("step_s")[place], 0.0, np.nan)
    rest_pa = np.where(by_restriction, stood_pa, rest_pa)
    usual_pa = float(np.median(mean_pa)) if len(place) else 0.0
    is_level = mean_pa >= np.maximum(RISES_TO * usual_pa, 2 * QUIET_PA)
    return np.asarray(is_level & (rest_pa <= HELD_SHARE * mean_pa))


def devices_disagree(carried: Carried) -> list[Suspicion]:
    """Two devices on one housing read too far apart now, beyond their zeros."""
    if not np.any(carried.differ[-1:]):
        return []
    known = carried.apart_pa[~np.isnan(carried.apart_pa) & carried.table.working]
    apart_pa = abs(float(np.median(known[-ROWS:])))
    evidence = say("devices_apart", apart_pa=apart_pa, is_clear=carried.is_clear)
    return [Suspicion(cause="devices_disagree", evidence=evidence)]


def zeros_moved(zeros: Sequence[Zero], terminal_pa: float | None) -> list[Suspicion]:
    """The reading at rest of any device has moved against its usual one of the weeks before."""
    return [said for zero in zeros for said in _zero_moved(zero, terminal_pa)][:1]


def _zero_moved(zero: Zero, terminal_pa: float | None) -> list[Suspicion]:
    if len(zero.levels_pa) < LEAST_ROWS:
        return []
    moved_pa = zero.levels_pa - zero.usual_pa
    scale = USUAL_TERMINAL_PA[1] if terminal_pa is None else terminal_pa
    low_pa, high_pa = ZERO_RANGE_PA
    enter, leave = (
        zero.wanders * min(max(share * scale, low_pa), high_pa) for share in (ZERO_ENTER, ZERO_LEAVE)
    )
    if enter == leave:  # both at a bound
        leave = enter * ZERO_LEAVE / ZERO_ENTER
    near = np.abs(moved_pa) < leave
    state = latched((np.abs(moved_pa) > enter) & _outlasts_wind(moved_pa, near, zero.level_s), near)
    if not state[-1]:
        return []
    return [Suspicion(cause="zero_moved", evidence=say("zero_moved", moved_pa=float(moved_pa[-1])))]


def _outlasts_wind(moved_pa: FloatArray, near: BoolArray, level_s: FloatArray) -> BoolArray:
    """
    Which levels at rest no wind explains: too far off, or off for longer than it blows, shape (n,).

    near : those that are near the usual zero. level_s : when each was read.
    """
    first = np.maximum.accumulate(np.where(near, np.arange(len(near)) + 1, 0))
    lasted_s = level_s - level_s[np.minimum(first, np.arange(len(near)))]
    return np.asarray((np.abs(moved_pa) >= GALE_PA) | (lasted_s >= GALE_S))


def ambient_misfit(table: Summaries, nearby: Misfit | None) -> list[Suspicion]:
    """Ambient pressure against the standard atmosphere at its altitude, and against machines nearby."""
    altitude_m, ambient_pa = table.column("altitude_m"), table.column("ambient_pressure_pa")
    measured = ~np.isnan(altitude_m) & ~np.isnan(ambient_pa)
    if measured.any():
        off = ambient_pa[measured] - standard_pressure_pa(altitude_m[measured])
        off_pa = trailing_median(off, AMBIENT_ROWS)
        enter = np.abs(off_pa) > AMBIENT_ENTER_PA
        enter[: LEAST_ROWS - 1] = False
        if latched(enter, np.abs(off_pa) < AMBIENT_LEAVE_PA)[-1]:
            evidence = say("air_off_standard", off_pa=float(off_pa[-1]))
            return [Suspicion(cause="ambient", evidence=evidence)]
    if nearby is not None:
        evidence = say("air_off_nearby", off_pa=nearby.off_pa, machines=nearby.machines, hours=nearby.hours)
        return [Suspicion(cause="ambient", evidence=evidence)]
    return []


def flow_of(series: HourlyRestriction, *, by_speed: bool) -> str:
    """What stands for the flow, as a key of `openings.BY`."""
    if np.all(np.isnan(series.flow_ratio)):
        return "none"
    return "speed" if by_speed else "flow"


def terminal_doubt(
    terminal_pa: float | None,
    *,
    entered: tuple[float, str] | None = None,
    clean_pa: float | None = None,
    level_pa: float | None = None,
    began_pa: float | None = None,
) -> list[Suspicion]:
    """
    Doubt about a terminal value: another unit would explain it, or the levels rule it out.

    terminal_pa : as understood; None = not entered. entered : value and unit as read; None = not known.
    clean_pa, level_pa : of the element, seen; None = not yet.
    began_pa : the lowest first level of any element of the machine; None = none was seen. Where one began
    below BEGAN_SHARE of the limit, an element far above it is overdue.
    A small value is doubted only where the unit could be a gauge's, or the levels seen speak against it: a
    bench filter of 600 Pa is none of these.
    """
    if terminal_pa is None or terminal_pa <= 0:
        return []
    readings = _as_read(terminal_pa, entered)
    meant = _meant_by(readings, terminal_pa)
    value, unit = (None, None) if entered is None else entered
    limit = {"limit_pa": terminal_pa, "value": value, "unit": unit}
    if meant is None:
        if level_pa is None or level_pa < FAR_TOO_HIGH * terminal_pa:
            return []
        if began_pa is not None and began_pa <= BEGAN_SHARE * terminal_pa:
            return []
        evidence = say("engine_beyond_limit", percent=100 * level_pa / terminal_pa, **limit)
        return [Suspicion(cause="terminal", evidence=evidence)]
    if not _levels_doubt(terminal_pa, entered, clean_pa, level_pa):
        return []
    more = {"meant_value": meant[0], "meant_unit": meant[1], "meant_pa": meant[0] * GAUGE_UNITS[meant[1]]}
    evidence = say("limit_in_another_unit", **limit, **more)
    return [Suspicion(cause="terminal", evidence=evidence)]


def may_be_in_another_unit(terminal_pa: float | None, entered: tuple[float, str] | None) -> bool:
    """The limit is small, and one that engine makers state in another unit: levels decide, not the limit."""
    if terminal_pa is None or not 0 < terminal_pa < DOUBTFUL_PA:
        return False
    return _meant_by(_as_read(terminal_pa, entered), terminal_pa) is not None


def _as_read(terminal_pa: float, entered: tuple[float, str] | None) -> list[tuple[float, str]]:
    return [entered] if entered is not None else [(terminal_pa / f, u) for u, f in _COMMON]


def _meant_by(readings: Sequence[tuple[float, str]], terminal_pa: float) -> tuple[float, str] | None:
    return next((m for value, unit in readings if (m := _meant(value, unit, terminal_pa)) is not None), None)


_COMMON = tuple((unit, GAUGE_UNITS[unit]) for unit in ("kPa", "inH2O", "mbar"))


def _meant(value: float, unit: str, terminal_pa: float) -> tuple[float, str] | None:
    """The commonest gauge unit under which the value is one that engine makers state; None: there is none."""
    for other, factor in GAUGE_UNITS.items():
        same = abs(value * factor - terminal_pa) < SAME_LIMIT * terminal_pa
        if other != unit and not same and USUAL_TERMINAL_PA[0] <= value * factor <= USUAL_TERMINAL_PA[1]:
            return value, other
    return None


def _levels_doubt(
    terminal_pa: float, entered: tuple[float, str] | None, clean_pa: float | None, level_pa: float | None
) -> bool:
    low, high = PLAUSIBLE_TERMINAL_PA
    if terminal_pa > high:
        return level_pa is None or level_pa < TOO_HIGH * USUAL_TERMINAL_PA[1]
    if terminal_pa >= DOUBTFUL_PA:
        return False
    if level_pa is not None and level_pa > TOO_HIGH * terminal_pa:
        return True
    if clean_pa is not None:
        return clean_pa > (TOO_CLEAN_SHARE if terminal_pa < low else DOUBTFUL_CLEAN_SHARE) * terminal_pa
    return terminal_pa < low and entered is not None and entered[1] != "Pa"


def gravest_first(found: Sequence[Suspicion]) -> tuple[Suspicion, ...]:
    """In the order of CAUSES."""
    return tuple(sorted(found, key=lambda suspicion: CAUSES.index(suspicion.cause)))
