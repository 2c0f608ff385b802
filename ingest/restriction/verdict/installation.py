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
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from cleanside.ingest.restriction.measure.atmosphere import standard_pressure_pa
from cleanside.ingest.restriction.measure.hours import IDLE_RAD_S, RUNNING_RAD_S
from cleanside.ingest.restriction.measure.summary import FloatArray, IntArray, Readings
from cleanside.ingest.restriction.verdict.statement import Statement, say

PASSED, FAILED, NOT_YET_SEEN = "passed", "failed", "not yet seen"
NOT_MEASURED = "not measured"  # the monitor has no sensor for it: nothing to wait for

LATEST_S = 600.0  # the last ten minutes with power count, so that a corrected fault passes (chosen)
AT_LEAST = 3  # least readings for a verdict (chosen: one odd one must not decide)

# What a vehicle supply shows, from just above cranking to charging (common practice, no source).
SYSTEM_V = {12: (11.0, 15.5), 24: (22.0, 31.0)}
STEADY_V = 0.08  # of the voltage, 5 to 95 % range while the engine runs; a loose contact shows more (chosen)
FEED_STAYS_S = 1800.0  # readings go on for so long at rest: the feed is not switched (chosen)
CLOCK_S = 60.0  # far below an operating hour, which is what the analysis counts (chosen)
#: Range in which engines work: 5 000 m in a standard atmosphere is 54 kPa, 400 m below the sea 106 kPa
#: (ISO 2533), each with the weather of `AMBIENT_MISFIT_PA`.
AMBIENT_PA = (48_000.0, 112_000.0)
HAND_AMBIENT_PA = 1_000.0  # a barometer and the monitor side by side (chosen: both are better than that)
#: Engine speed of a set with one governed speed: 5 to 95 % range, of the speed (chosen: governors hold 5 %).
STEADY_SPEED = 0.05
STEADY_SPEED_S = 300.0  # running at one speed for so long and never at idle: it has no idle (chosen)
AMBIENT_MISFIT_PA = 6_000.0  # twice what weather does at one place (common practice)
ZERO_PA = 100.0  # two steps of a 0.05 kPa monitor (SAE J1939 SPN 107: 0.05 kPa a bit)
HIGH_OVER_IDLE = 1.6  # high idle is at least so many times idle (common practice: 2)
ANSWER_PA = 50.0  # one step of a 0.05 kPa monitor
#: Clean restriction is at most 15 of 25 inches of water at the terminal value's own condition, i.e. 0.6 of
#: it: testing and adjusting manual of an industrial diesel of the 3406E family. The lower bound is chosen:
#: below it no element stands in the stream.
CLEAN_SHARE = (0.01, 0.6)
#: Service manuals state 20 to 30 inH2O (such as TM 5-3810-307-24-1-2); wider, chosen.
TERMINAL_PA = (2_000.0, 12_000.0)


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check."""

    check: str
    verdict: str  # PASSED, FAILED or NOT_YET_SEEN
    seen: Statement  # the evidence for the verdict
    next_step: Statement | None  # None where it passed


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """What is known beside the readings. None = not known."""

    #: readings of the installation that are stored on the server and acknowledged
    acknowledged: int
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


def accept(readings: Readings, around: Surroundings) -> tuple[Check, ...]:
    """
    All checks, in the order in which a technician meets them.

    readings : since the fitting, any order; columns in SI as in `Readings`.
    """
    order = np.argsort(readings.at_s, kind="stable").astype(np.int64)
    table = _Table(readings, order)
    checks = (
        _supply(table),
        _key_off(table, around),
        _clock(around),
        _link(around),
        _ambient(table),
        _zero(table),
        _answers(table),
        _terminal(around),
        _clean(table, around),
    )
    return tuple(_with_hand(check, table, around) for check in checks)


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

    def latest(self, wanted: npt.NDArray[np.bool_]) -> IntArray:
        """Rows among those wanted that lie within `LATEST_S` of the last of them, or the last few."""
        rows = np.flatnonzero(wanted).astype(np.int64)
        if not len(rows):
            return rows
        recent = rows[self.at_s[rows] >= self.at_s[rows[-1]] - LATEST_S]
        return recent if len(recent) >= AT_LEAST else rows[-AT_LEAST:]


def _open(check: str, seen: Statement, next_step: Statement) -> Check:
    return Check(check=check, verdict=NOT_YET_SEEN, seen=seen, next_step=next_step)


def _passed(check: str, seen: Statement) -> Check:
    return Check(check=check, verdict=PASSED, seen=seen, next_step=None)


def _failed(check: str, seen: Statement, next_step: Statement | None) -> Check:
    return Check(check=check, verdict=FAILED, seen=seen, next_step=next_step)


def _supply(table: _Table) -> Check:
    name = "supply voltage"
    measured = ~np.isnan(table.supply_v)
    # While the engine runs, the alternator keeps the voltage up; without a speed every reading counts.
    rows = table.latest(measured & table.running if np.any(measured & table.running) else measured)
    if len(rows) < AT_LEAST:
        return _open(name, say("supply_not_reported"), say("do_report_supply"))
    volts = table.supply_v[rows]
    middle = float(np.median(volts))
    low, high = (float(edge) for edge in np.quantile(volts, [0.05, 0.95]))
    seen = {"middle_v": middle, "low_v": low, "high_v": high}
    system = next((s for s, (least, most) in SYSTEM_V.items() if least <= middle <= most), None)
    if system is None:
        return _failed(name, say("supply", **seen), say("do_check_feed"))
    if high - low > STEADY_V * middle:
        return _failed(name, say("supply", **seen), say("do_check_contact", system_v=system))
    return _passed(name, say("supply_of_system", system_v=system, **seen))


def _key_off(table: _Table, around: Surroundings) -> Check:
    name = "key-off"
    stayed_s = _longest_at_rest_s(table)
    if around.power_cycles == 0 and stayed_s >= FEED_STAYS_S:
        return _failed(name, say("read_on_at_rest", stayed_min=stayed_s / 60), say("do_switch_feed"))
    if around.power_cycles == 0:
        return _open(name, say("power_has_not_gone"), say("do_key_off"))
    return _passed(name, say("power_cycled", times=around.power_cycles))


def _longest_at_rest_s(table: _Table) -> float:
    """The longest unbroken stretch of readings with the engine at rest. [s]"""
    longest = since = 0.0
    before: float | None = None
    for at, rest in zip(table.at_s.tolist(), table.at_rest.tolist(), strict=True):
        if not rest:
            before = None
            continue
        if before is None or at - before > FEED_STAYS_S / 2:  # a pause of the readings: power was off
            since = at
        before = at
        longest = max(longest, at - since)
    return longest


def _clock(around: Surroundings) -> Check:
    name = "clock"
    if around.acknowledged == 0:
        return _open(name, say("nothing_arrived"), say("do_wait"))
    if around.clock_uncertainty_s is None:
        return _clock_by_delay(name, around.delay_s)
    seen = say("time_known", uncertainty_s=around.clock_uncertainty_s, anchor=around.anchor or None)
    if around.clock_uncertainty_s > CLOCK_S:
        return _failed(name, seen, say("do_give_sky"))
    return _passed(name, seen)


def _clock_by_delay(name: str, delay_s: float | None) -> Check:
    """
    Readings posted without a gateway: one that arrives right after it was measured shows that the clock is
    right.
    """
    if delay_s is not None and delay_s < -CLOCK_S:
        return _failed(name, say("read_before_its_time", ahead_s=-delay_s), say("do_set_clock"))
    if delay_s is not None and delay_s <= CLOCK_S:
        return _passed(name, say("read_soon", delay_s=delay_s))
    return _open(name, say("time_not_known"), say("do_show_time"))


def _link(around: Surroundings) -> Check:
    name = "link"
    if around.acknowledged == 0:
        return _open(name, say("nothing_arrived"), say("do_look_at_gateway"))
    if around.missing:
        seen = say("acknowledged_with_gaps", readings=around.acknowledged, missing=around.missing)
        return _failed(name, seen, say("do_wait_for_missing"))
    return _passed(name, say("acknowledged", readings=around.acknowledged))


def _ambient(table: _Table) -> Check:
    name = "ambient pressure"
    rows = table.latest(~np.isnan(table.ambient_pa))
    if len(rows) < AT_LEAST:
        if len(table.at_s) >= AT_LEAST and not len(rows):
            seen = say("ambient_not_measured")
            return Check(check=name, verdict=NOT_MEASURED, seen=seen, next_step=None)
        return _open(name, say("ambient_not_reported"), say("do_wait"))
    ambient_pa = float(np.median(table.ambient_pa[rows]))
    low, high = AMBIENT_PA
    if not low <= ambient_pa <= high:
        do = say("do_check_ambient_unit", low_kpa=low / 1000, high_kpa=high / 1000)
        return _failed(name, say("ambient_impossible", ambient_pa=ambient_pa), do)
    heights = table.altitude_m[~np.isnan(table.altitude_m)]
    if not len(heights):
        seen = say("ambient_without_altitude", ambient_pa=ambient_pa)
        return _open(name, seen, say("do_compare_barometer"))
    altitude_m = float(np.median(heights[-len(rows) :]))
    standard_pa = float(standard_pressure_pa(altitude_m))
    seen = say("ambient", ambient_pa=ambient_pa, altitude_m=altitude_m, standard_pa=standard_pa)
    if abs(ambient_pa - standard_pa) > AMBIENT_MISFIT_PA:
        return _failed(name, seen, say("do_check_ambient"))
    return _passed(name, seen)


def _zero(table: _Table) -> Check:
    name = "zero with the engine off"
    rows = table.latest(table.at_rest & ~np.isnan(table.restriction_pa))
    if len(rows) < AT_LEAST:
        return _open(name, say("rest_not_seen"), say("do_stand"))
    zero_pa = float(np.median(table.restriction_pa[rows]))
    seen = say("at_rest", zero_pa=zero_pa)
    if abs(zero_pa) > ZERO_PA:
        return _failed(name, seen, say("do_check_zero"))
    return _passed(name, seen)


def _answers(table: _Table) -> Check:
    name = "restriction answers the engine"
    measured = table.running & ~np.isnan(table.restriction_pa)
    idle = measured & (table.speed_rad_s <= IDLE_RAD_S)
    high = measured & (table.speed_rad_s >= HIGH_OVER_IDLE * IDLE_RAD_S)
    idle_rows, high_rows = table.latest(idle).astype(np.intp), table.latest(high)
    if len(idle_rows) < AT_LEAST and _has_one_speed(table):
        return _answers_at_one_speed(table, name)
    if len(idle_rows) < AT_LEAST or len(high_rows) < AT_LEAST:
        return _not_run(name, "idle" if len(idle_rows) < AT_LEAST else "high idle")
    low_pa = float(np.median(table.restriction_pa[idle_rows]))
    high_pa = float(np.median(table.restriction_pa[high_rows]))
    seen = say("idle_and_high_idle", low_pa=low_pa, high_pa=high_pa)
    if high_pa - low_pa < ANSWER_PA:
        return _failed(name, seen, say("do_look_at_tube"))
    return _passed(name, seen)


def _not_run(name: str, wanted: str) -> Check:
    seen = say("idle_not_seen" if wanted == "idle" else "high_idle_not_seen")
    return _open(name, seen, say("do_run", wanted=wanted, one_speed_min=STEADY_SPEED_S / 60))


def _has_one_speed(table: _Table) -> bool:
    """True for a set that runs at one governed speed, far above idle, as a genset does."""
    running = np.flatnonzero(table.running)
    if len(running) < AT_LEAST or table.at_s[running[-1]] - table.at_s[running[0]] < STEADY_SPEED_S:
        return False
    low, middle, high = np.quantile(table.speed_rad_s[running], [0.05, 0.5, 0.95])
    return bool(low > IDLE_RAD_S and high - low <= STEADY_SPEED * middle)


def _answers_at_one_speed(table: _Table, name: str) -> Check:
    """Such a set is never at idle: at rest and running are compared."""
    measured = ~np.isnan(table.restriction_pa)
    rest_rows, run_rows = table.latest(table.at_rest & measured), table.latest(table.running & measured)
    if len(rest_rows) < AT_LEAST or len(run_rows) < AT_LEAST:
        return _open(name, say("one_speed_rest_not_seen"), say("do_stand"))
    rest_pa = float(np.median(table.restriction_pa[rest_rows]))
    run_pa = float(np.median(table.restriction_pa[run_rows]))
    seen = say("rest_and_one_speed", rest_pa=rest_pa, run_pa=run_pa)
    if run_pa - rest_pa < ANSWER_PA:
        return _failed(name, seen, say("do_look_at_tube"))
    return _passed(name, seen)


def _terminal(around: Surroundings) -> Check:
    name = "terminal restriction"
    if around.terminal_pa is None:
        return _open(name, say("limit_not_entered"), say("do_enter_limit"))
    seen = {"as_read": around.terminal_as_read, "limit_pa": around.terminal_pa}
    low, high = TERMINAL_PA
    if not low <= around.terminal_pa <= high:
        do = say("do_check_limit", low_kpa=low / 1000, high_kpa=high / 1000)
        return _failed(name, say("limit", **seen), do)
    if not around.terminal_confirmed:
        return _open(name, say("limit_not_confirmed", **seen), say("do_confirm_limit"))
    return _passed(name, say("limit_confirmed", **seen))


def _clean(table: _Table, around: Surroundings) -> Check:
    name = "clean level"
    measured = table.running & ~np.isnan(table.restriction_pa)
    if around.terminal_pa is None or np.count_nonzero(measured) < AT_LEAST:
        return _open(name, say("not_run_or_no_limit"), say("do_high_idle"))
    # Full flow stands in the upper end: the engine was brought to high idle once at least.
    level_pa = float(np.quantile(table.restriction_pa[measured], 0.95))
    share = level_pa / around.terminal_pa
    low, high = CLEAN_SHARE
    seen = say("clean_level", level_pa=level_pa, share=share)
    if share < low:
        return _failed(name, seen, say("do_check_element"))
    if share > high:
        return _failed(name, seen, say("do_check_new_element"))
    return _passed(name, seen)


# ---------------------------------------------------------------- compared by hand


@dataclass(frozen=True, kw_only=True)
class HandRule:
    """What a person may compare by hand where the readings cannot show it."""

    check: str  # the check it stands for
    quantity: str | None  # of the value; "time" is in s; None: there is no value
    #: value in SI, median of the monitor's ambient pressure or NaN -> True if it passes
    holds: Callable[[float, float], bool]
    asks: str


#: subject -> rule. A value entered by hand counts only as long as the readings leave the check open.
BY_HAND: Mapping[str, HandRule] = {
    "ambient_pressure": HandRule(
        check="ambient pressure",
        quantity="ambient_pressure",
        holds=lambda value, monitor_pa: abs(value - monitor_pa) <= HAND_AMBIENT_PA,
        asks="what a barometer at the machine shows, at its own height",
    ),
    "clock": HandRule(
        check="clock",
        quantity="time",
        holds=lambda value, _: abs(value) <= CLOCK_S,
        asks="how far the clock that stamps the readings is from a clock you trust",
    ),
    "supply_voltage": HandRule(
        check="supply voltage",
        quantity="supply_voltage",
        holds=lambda value, _: any(low <= value <= high for low, high in SYSTEM_V.values()),
        asks="what a meter shows at the monitor's feed with the engine running; qualified people only",
    ),
    "key_off": HandRule(
        check="key-off",
        quantity=None,
        holds=lambda _value, _monitor: True,
        asks="seen: the monitor goes off with the key and comes back with it",
    ),
    "zero": HandRule(
        check="zero with the engine off",
        quantity="restriction",
        holds=lambda value, _: abs(value) <= ZERO_PA,
        asks="what the monitor shows with the engine off",
    ),
    "answer": HandRule(
        check="restriction answers the engine",
        quantity="restriction",
        holds=lambda value, _: value >= ANSWER_PA,
        asks="by how much restriction rises from idle to high idle, or from rest to governed speed",
    ),
}


def _with_hand(check: Check, table: _Table, around: Surroundings) -> Check:
    """The check; where the readings leave it open, a comparison by hand settles it."""
    subject = next((name for name, rule in BY_HAND.items() if rule.check == check.check), None)
    if check.verdict != NOT_YET_SEEN or subject is None or subject not in around.by_hand:
        return check
    known = table.ambient_pa[~np.isnan(table.ambient_pa)]
    ambient_pa = float(np.median(known)) if len(known) else np.nan
    value = around.by_hand[subject]
    if BY_HAND[subject].holds(np.nan if value is None else value, ambient_pa):
        return _passed(check.check, say("fits_by_hand", seen=check.seen))
    return _failed(check.check, say("does_not_fit_by_hand", seen=check.seen), check.next_step)
