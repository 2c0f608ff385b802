"""
Acceptance of a new installation: what a technician needs to know before driving away.

Promises: pure. Each check is passed; or failed, with the likely cause and what to do; or not yet seen, with
what would show it. Without evidence no check passes. The newest readings decide: a fault that was corrected
at the machine passes, and one that began later fails.
Leaves to others: fetching the readings and what the link and the clock say
(`ingest.analysis.acceptance_sheet`), the sentences (`plain_forms`).

Electrical and pressure limits below are common practice unless a source stands beside them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from cleanside.gateway import spot_checks
from cleanside.gateway.spot_checks import (
    ANSWER,
    ANSWER_PA,
    AT_LEAST,
    CLOCK,
    CLOCK_S,
    FAILED,
    HIGH_OVER_IDLE,
    IDLE_RAD_S,
    KEY_OFF,
    LINK,
    NOT_YET_SEEN,
    PASSED,
    RUNNING_RAD_S,
    STEADY_SPEED_S,
    SUPPLY,
    SYSTEM_V,
    ZERO,
    ZERO_PA,
    Check,
    RestSpan,
    Statement,
    failed,
    first_of_latest,
    passed,
    say,
    still_open,
)
from cleanside.ingest.restriction.measure.atmosphere import standard_pressure_pa
from cleanside.ingest.restriction.measure.summary import FloatArray, IntArray, Readings

HIGH_RAD_S = HIGH_OVER_IDLE * IDLE_RAD_S  # 1604 r/min: from here on an engine is at high idle

NOT_MEASURED = "not measured"  # the monitor has no sensor for it: nothing to wait for
AMBIENT = "ambient pressure"
TERMINAL = "terminal restriction"
CLEAN = "clean level"

#: Range in which engines work: 5 000 m in a standard atmosphere is 54 kPa, 400 m below the sea 106 kPa
#: (ISO 2533), each with the weather of `AMBIENT_MISFIT_PA`.
AMBIENT_PA = (48_000.0, 112_000.0)
HAND_AMBIENT_PA = 1_000.0  # a barometer and the monitor side by side (chosen: both are better than that)
#: what weather leaves of a pressure at sea level: standard 101.3 kPa (ISO 2533), and 5 kPa (common practice)
SEA_LEVEL_PA = (96_000.0, 106_000.0)
AMBIENT_MISFIT_PA = 6_000.0  # twice what weather does at one place (common practice)
#: Clean restriction is at most 15 of 25 inches of water at the terminal value's own condition, i.e. 0.6 of
#: it: testing and adjusting manual of an industrial diesel of the 3406E family. The lower bound is chosen:
#: below it no element stands in the stream.
CLEAN_SHARE = (0.01, 0.6)
HIGH_QUANTILE = 0.95  # of the latest readings at full flow is the clean level (chosen: noise lies above)
#: of what a clean element reads at that speed (chosen): an engine without load draws less air at the same
#: speed, so a sound element may read a third of what it reads at work; a missing one reads a fifth or less.
FAR_BELOW_CLEAN = 0.3
#: of the same: below it, an element that the analysis suspects to be missing or torn is not said to be right.
#: As `warn_near` of the analysis, which suspects no level that lies nearer (made fleet plateau)
LOW_FOR_CLEAN = 0.8
#: of the same: a new element of another make reads some tenths more (chosen); half as much again is asked
HIGH_FOR_CLEAN = 1.5
CLEAN_RUN_S = 60.0  # at rated speed: flow and a monitor's mean have settled by then (chosen)
#: Service manuals state 20 to 30 inH2O (such as TM 5-3810-307-24-1-2); wider, chosen.
TERMINAL_PA = (2_000.0, 12_000.0)


#: cause for mistrust -> what to do about a check that fails by it
EXPLAINED: Mapping[str, str] = {
    "flat": "do_look_at_tube",
    "ports_swapped": "do_exchange_tubes",
    "monitors_swapped": "do_compare_labels",
}


@dataclass(frozen=True, kw_only=True)
class CleanLevel:
    """What a clean element of this machine, or of its kind, reads at full flow."""

    restriction_pa: float
    #: engine speed of full flow, and the exponent of restriction over it; None: the flow goes by something
    #: else, and the level is compared as it is
    speed_rad_s: float | None = None
    exponent: float = 0.0

    def at_pa(self, speed_rad_s: float) -> float:
        """The level at an engine speed, no higher than at full flow. [Pa]"""
        if self.speed_rad_s is None:
            return self.restriction_pa
        return self.restriction_pa * min(1.0, float((speed_rad_s / self.speed_rad_s) ** self.exponent))


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """What is known beside the readings. None = not known."""

    #: readings of the installation that are stored on the server and acknowledged
    acknowledged: int
    #: what came last is quarantined, after every stored reading
    quarantined: bool = False
    #: its time is why
    time_doubted: bool = False
    #: numbers of its streams that are missing at the server
    missing: int
    #: how well the newest reading's time is known; None = the gateway did not report it. [s]
    clock_uncertainty_s: float | None
    #: what ties the newest boot to UTC: gps, ntp, server ...; None = nothing yet
    anchor: str | None
    #: times that power went and came back, as boots or key-off events show it
    power_cycles: int
    terminal_pa: float | None
    terminal_as_read: str | None  # such as "25 inH2O"
    #: a person has read the value off the gauge or manual a second time, and it was the same
    terminal_confirmed: bool
    #: shortest time from taking a reading to receiving it, of the latest ones. [s]
    delay_s: float | None = None
    #: subject (`BY_HAND`) -> what a person measured, in SI; None where there is no number to it
    by_hand: Mapping[str, float | None] = field(default_factory=dict)
    #: subject -> value and unit as the instrument showed them; left out where there is no number to it
    shown_by_hand: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    #: None: not known yet
    clean: CleanLevel | None = None
    #: the element has been at work: it may have any level from clean to the limit
    element_in_use: bool = False
    #: by its hours so far, no sound element stands in the stream, or a tube is off
    below_clean: bool = False
    #: the same is likely enough that a person is asked
    in_question: bool = False
    #: the cause for mistrust of those hours that explains a check that fails (`EXPLAINED`); None: none does
    explained_by: str | None = None
    #: a person entered work on the element, and the readings are those since then
    worked_on: bool = False


def accept(readings: Readings, around: Surroundings) -> tuple[Check, ...]:
    """
    All checks, in the order in which a technician meets them.

    readings : since the fitting, any order; columns in SI as in `Readings`.
    """
    order = np.argsort(readings.at_s, kind="stable").astype(np.int64)
    table = _Table(readings, order)
    checks = (
        _supply(table),
        spot_checks.key_off(stayed_s=_longest_at_rest_s(table), power_cycles=around.power_cycles),
        _clock(around),
        _link(around),
        _ambient(table),
        spot_checks.zero(table.restriction_of(table.latest(table.at_rest & table.known))),
        _answers(table),
        _terminal(around),
        _clean(table, around),
    )
    return tuple(_explained(_with_hand(check, table, around), around) for check in checks)


def _explained(check: Check, around: Surroundings) -> Check:
    """A check that fails for a cause that is known; it sends no person into the housing for another."""
    if around.explained_by is None or check.verdict != FAILED or check.check not in (ANSWER, CLEAN):
        return check
    return replace(check, next_step=say(EXPLAINED[around.explained_by]))


def verdict_of(checks: Sequence[Check]) -> str:
    """`failed` if any check failed, `not yet seen` if any is open, else `passed`."""
    verdicts = {check.verdict for check in checks}
    return next((v for v in (FAILED, NOT_YET_SEEN) if v in verdicts), PASSED)


class _Table:
    """Readings in time order, absent columns as NaN."""

    def __init__(self, readings: Readings, order: IntArray) -> None:
        def column(values: FloatArray | None) -> FloatArray:
            if values is None:
                return np.full(len(order), np.nan)
            return np.asarray(values, dtype=np.float64)[order]

        self.at_s = column(readings.at_s)
        self.ambient_pa = column(readings.ambient_pressure_pa)
        given, intake_pa = column(readings.restriction_pa), column(readings.intake_pressure_pa)
        self.restriction_pa = np.where(np.isnan(given), self.ambient_pa - intake_pa, given)
        self.speed_rad_s = column(readings.engine_speed_rad_s)
        self.supply_v = column(readings.supply_voltage_v)
        self.altitude_m = column(readings.altitude_m)
        #: NaN > x is False: a reading without engine speed is neither running nor at rest
        self.running = self.speed_rad_s > RUNNING_RAD_S
        self.at_rest = self.speed_rad_s <= RUNNING_RAD_S
        #: restriction is measured
        self.known = ~np.isnan(self.restriction_pa)

    def latest(self, wanted: npt.NDArray[np.bool_]) -> IntArray:
        """Rows among those wanted that count: see `first_of_latest`."""
        found = np.flatnonzero(wanted).astype(np.int64)
        return found[first_of_latest(self.at_s[found].tolist()) :]

    def restriction_of(self, rows: IntArray) -> list[float]:
        """Restriction of these rows, as plain numbers. [Pa]"""
        return [float(value) for value in self.restriction_pa[rows]]


def _supply(table: _Table) -> Check:
    """While the engine runs the voltage counts; without a speed every reading does."""
    known = ~np.isnan(table.supply_v)
    running = known & table.running
    while_running = bool(np.any(running))
    volts = table.supply_v[table.latest(running if while_running else known)]
    return spot_checks.supply([float(value) for value in volts], while_running=while_running)


def _longest_at_rest_s(table: _Table) -> float:
    span = RestSpan()
    for at_s, at_rest in zip(table.at_s.tolist(), table.at_rest.tolist(), strict=True):
        span.add(at_s, at_rest=at_rest)
    return span.longest_s


def _link(around: Surroundings) -> Check:
    if around.acknowledged == 0 and around.quarantined:
        return still_open(LINK, say("arrived_quarantined"), say("do_settle_quarantine"))
    return spot_checks.link(acknowledged=around.acknowledged, missing=around.missing)


def _clock(around: Surroundings) -> Check:
    if around.time_doubted:
        return failed(CLOCK, say("time_doubted"), say("do_correct_clock"))
    if around.acknowledged == 0 and around.quarantined:
        return still_open(CLOCK, say("arrived_quarantined"), say("do_settle_quarantine"))
    if around.acknowledged == 0:
        return still_open(CLOCK, say("nothing_arrived"), say("do_wait"))
    if around.clock_uncertainty_s is None:
        return _clock_by_delay(around.delay_s)
    return spot_checks.clock(uncertainty_s=around.clock_uncertainty_s, anchor=around.anchor)


def _clock_by_delay(delay_s: float | None) -> Check:
    """
    Readings posted without a gateway: one that arrives right after it was measured shows that the clock is
    right.
    """
    if delay_s is not None and delay_s < -CLOCK_S:
        return failed(CLOCK, say("read_before_its_time", ahead_s=-delay_s), say("do_set_clock"))
    if delay_s is not None and delay_s <= CLOCK_S:
        return passed(CLOCK, say("read_soon", delay_s=delay_s))
    return spot_checks.clock(uncertainty_s=None, anchor=None)


def _ambient(table: _Table) -> Check:
    rows = table.latest(~np.isnan(table.ambient_pa))
    if len(rows) < AT_LEAST:
        if len(table.at_s) >= AT_LEAST and not len(rows):
            seen = say("ambient_not_measured")
            return Check(check=AMBIENT, verdict=NOT_MEASURED, seen=seen, next_step=None)
        return still_open(AMBIENT, say("ambient_not_reported"), say("do_wait"))
    ambient_pa = float(np.median(table.ambient_pa[rows]))
    low, high = AMBIENT_PA
    if not low <= ambient_pa <= high:
        do = say("do_check_ambient_unit", low_kpa=low / 1000, high_kpa=high / 1000)
        return failed(AMBIENT, say("ambient_impossible", ambient_pa=ambient_pa), do)
    heights = table.altitude_m[~np.isnan(table.altitude_m)]
    if not len(heights):
        seen = say("ambient_without_altitude", ambient_pa=ambient_pa)
        return still_open(AMBIENT, seen, say("do_compare_barometer"))
    altitude_m = float(np.median(heights[-len(rows) :]))
    standard_pa = float(standard_pressure_pa(altitude_m))
    seen = say("ambient", ambient_pa=ambient_pa, altitude_m=altitude_m, standard_pa=standard_pa)
    if abs(ambient_pa - standard_pa) > AMBIENT_MISFIT_PA:
        return failed(AMBIENT, seen, say("do_check_ambient"))
    return passed(AMBIENT, seen)


def _answers(table: _Table) -> Check:
    known = table.running & table.known
    idle_rows = table.latest(known & (table.speed_rad_s <= IDLE_RAD_S))
    if len(idle_rows) < AT_LEAST and _has_one_speed(table):
        rest_rows = table.latest(table.at_rest & table.known)
        return spot_checks.answer_at_one_speed(
            table.restriction_of(rest_rows), table.restriction_of(table.latest(known))
        )
    high_rows = table.latest(known & (table.speed_rad_s >= HIGH_RAD_S))
    return spot_checks.answer(table.restriction_of(idle_rows), table.restriction_of(high_rows))


def _has_one_speed(table: _Table) -> bool:
    running = np.flatnonzero(table.running)
    if not len(running):
        return False
    span_s = float(table.at_s[running[-1]] - table.at_s[running[0]])
    return spot_checks.is_one_speed(table.speed_rad_s[running].tolist(), span_s=span_s)


def _terminal(around: Surroundings) -> Check:
    if around.terminal_pa is None:
        return still_open(TERMINAL, say("limit_not_entered"), say("do_enter_limit"))
    seen = {"as_read": around.terminal_as_read, "limit_pa": around.terminal_pa}
    low, high = TERMINAL_PA
    if not low <= around.terminal_pa <= high:
        do = say("do_check_limit", low_kpa=low / 1000, high_kpa=high / 1000)
        return failed(TERMINAL, say("limit", **seen), do)
    if not around.terminal_confirmed:
        return still_open(TERMINAL, say("limit_not_confirmed", **seen), say("do_confirm_limit"))
    return passed(TERMINAL, say("limit_confirmed", **seen))


def _clean(table: _Table, around: Surroundings) -> Check:
    """Judged at full flow alone: at idle any element, a plugged one too, reads like a clean one."""
    if around.terminal_pa is None:
        return still_open(CLEAN, say("limit_not_entered"), say("do_enter_limit"))
    rows = _at_full_flow(table)
    if len(rows) < AT_LEAST:
        return still_open(CLEAN, say("full_flow_not_seen"), _run_at_full_flow())
    level_pa = float(np.quantile(table.restriction_pa[rows], HIGH_QUANTILE))
    share = level_pa / around.terminal_pa
    low, high = CLEAN_SHARE
    speed_rad_s = float(np.median(table.speed_rad_s[rows]))
    clean_pa = None if around.clean is None else around.clean.at_pa(speed_rad_s)
    if clean_pa is not None and level_pa < FAR_BELOW_CLEAN * clean_pa:
        seen = say("far_below_clean", level_pa=level_pa, clean_pa=clean_pa, speed_rad_s=speed_rad_s)
        return failed(CLEAN, seen, say("do_check_element"))
    if around.below_clean and (clean_pa is None or level_pa < LOW_FOR_CLEAN * clean_pa):
        if clean_pa is None:
            seen = say("suspected_no_element", level_pa=level_pa, speed_rad_s=speed_rad_s)
        else:
            seen = say("suspected_below_clean", level_pa=level_pa, clean_pa=clean_pa, speed_rad_s=speed_rad_s)
        if around.worked_on:  # without load a sound element reads as low: its hours at work tell
            return still_open(CLEAN, seen, say("do_work_after_repair"))
        return failed(CLEAN, seen, say("do_check_element_first"))
    if around.in_question:
        seen = say("element_in_question", level_pa=level_pa, share=share, speed_rad_s=speed_rad_s)
        do = "do_work_after_repair" if around.worked_on else "do_check_element_first"
        return still_open(CLEAN, seen, say(do))
    code = "level_in_use" if around.element_in_use else "clean_level"
    seen = say(code, level_pa=level_pa, share=share, speed_rad_s=speed_rad_s)
    if share < low:
        return failed(CLEAN, seen, say("do_check_element"))
    if share > high and not around.element_in_use:
        return failed(CLEAN, seen, say("do_check_new_element"))
    if clean_pa is not None and level_pa > HIGH_FOR_CLEAN * clean_pa and not around.element_in_use:
        return passed(CLEAN, say("clean_level_high", clean_pa=clean_pa, **seen.values))
    return passed(CLEAN, seen)


def _at_full_flow(table: _Table) -> IntArray:
    """The latest rows at high idle, or at the speed of a set with one governed speed."""
    full = table.running if _has_one_speed(table) else table.speed_rad_s >= HIGH_RAD_S
    return table.latest(full & table.known)


def _run_at_full_flow() -> Statement:
    minutes = {"run_min": CLEAN_RUN_S / 60, "one_speed_min": STEADY_SPEED_S / 60}
    return say("do_high_idle", speed_rad_s=HIGH_RAD_S, **minutes)


# ---------------------------------------------------------------- compared by hand


@dataclass(frozen=True, kw_only=True)
class HandRule:
    """What a person may compare by hand where the readings cannot show it."""

    check: str  # the check it stands for
    quantity: str | None  # of the value; "time" is in s; None: there is no value
    #: value in SI, what it stands beside or NaN (the monitor's ambient pressure, the limit) -> it passes
    holds: Callable[[float, float], bool]
    asks: str


#: subject -> rule. A value entered by hand counts only as long as the readings leave the check open.
BY_HAND: Mapping[str, HandRule] = {
    "ambient_pressure": HandRule(
        check=AMBIENT,
        quantity="ambient_pressure",
        holds=lambda value, monitor_pa: abs(value - monitor_pa) <= HAND_AMBIENT_PA,
        asks="what a barometer at the machine shows, at its own height",
    ),
    "clock": HandRule(
        check=CLOCK,
        quantity="time",
        holds=lambda value, _: abs(value) <= CLOCK_S,
        asks="how far the clock that stamps the readings is from a clock you trust",
    ),
    "supply_voltage": HandRule(
        check=SUPPLY,
        quantity="supply_voltage",
        holds=lambda value, _: any(low <= value <= high for low, high in SYSTEM_V.values()),
        asks="what a meter shows at the monitor's feed with the engine running; qualified people only",
    ),
    "key_off": HandRule(
        check=KEY_OFF,
        quantity=None,
        holds=lambda _value, _monitor: True,
        asks="seen: the monitor goes off with the key and comes back with it",
    ),
    "zero": HandRule(
        check=ZERO,
        quantity="restriction",
        holds=lambda value, _: abs(value) <= ZERO_PA,
        asks="what the monitor shows with the engine off",
    ),
    "answer": HandRule(
        check=ANSWER,
        quantity="restriction",
        holds=lambda value, _: value >= ANSWER_PA,
        asks="by how much restriction rises from idle to high idle, or from rest to governed speed",
    ),
    "clean_element": HandRule(
        check=CLEAN,
        quantity="restriction",
        holds=lambda value, limit_pa: CLEAN_SHARE[0] <= value / limit_pa <= CLEAN_SHARE[1],
        asks="what a hand gauge shows at full flow with a new element in, looked at: whole and seated",
    ),
}


def _with_hand(check: Check, table: _Table, around: Surroundings) -> Check:
    """The check; where the readings leave it open, a comparison by hand settles it."""
    subject = next((name for name, rule in BY_HAND.items() if rule.check == check.check), None)
    if check.verdict != NOT_YET_SEEN or subject is None or subject not in around.by_hand:
        return check
    rule, value = BY_HAND[subject], around.by_hand[subject]
    if check.check == CLEAN and check.seen.code != "full_flow_not_seen":
        return check  # of the element that is in now the note says nothing
    known = table.ambient_pa[~np.isnan(table.ambient_pa)]
    ambient_pa = float(np.median(known)) if len(known) else np.nan
    beside_pa = ambient_pa if check.check == AMBIENT else around.terminal_pa or np.nan
    if rule.quantity is None:
        return passed(check.check, say("seen_by_hand", seen=check.seen))
    if value is None or (check.check == AMBIENT and not len(known)):
        return check  # nothing was compared: without a value, or with nothing of the monitor's beside it
    hand_value, hand_unit = around.shown_by_hand.get(subject, (value, ""))
    shown = {"hand_value": hand_value, "hand_unit": hand_unit, "seen": check.seen}
    if rule.holds(value, beside_pa):
        return passed(check.check, say("fits_by_hand", **shown))
    next_step = say("do_check_new_element") if check.check == CLEAN else check.next_step
    if check.check == AMBIENT and value > ambient_pa and SEA_LEVEL_PA[0] <= value <= SEA_LEVEL_PA[1]:
        next_step = say("do_compare_station_pressure")
    return failed(check.check, say("does_not_fit_by_hand", **shown), next_step)
