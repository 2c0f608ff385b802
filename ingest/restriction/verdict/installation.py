"""
Acceptance of a new installation: what a technician needs to know before driving away.

Promises: pure; each check is passed, failed with the likely cause and what to do, or not yet seen with what
would show it. Nothing passes for want of evidence. A check that once failed and then held passes: what was
put right at the machine is right; what only held before is not.
Leaves to others: fetching the readings and what the link and the clock say (`ingest.api.routes.acceptance`).

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
from cleanside.ingest.restriction.measure.words import counted

PASSED, FAILED, NOT_YET_SEEN = "passed", "failed", "not yet seen"
NOT_MEASURED = "not measured"  # the monitor has no sensor for it: nothing to wait for

LATEST_S = 600.0  # the last ten minutes with power count: what was put right meanwhile is right (chosen)
AT_LEAST = 3  # readings before anything is said (chosen: one odd one must not decide)

# What a vehicle supply shows, from just above cranking to charging (common practice, no source).
SYSTEM_V = {12: (11.0, 15.5), 24: (22.0, 31.0)}
STEADY_V = 0.08  # of the voltage, 5 to 95 % range while the engine runs; a loose contact shows more (chosen)
FEED_STAYS_S = 1800.0  # engine at rest and readings go on for so long: not the switched feed (chosen)
CLOCK_S = 60.0  # far below an operating hour, which is what the analysis counts (chosen)
#: Where engines work at all: 5 000 m in a standard atmosphere is 54 kPa, 400 m below the sea 106 kPa
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


# As the caution `high_idle` in `ingest.cautions`, which this room may not read; a test compares them.
_BEFORE_HIGH_IDLE = (
    "before the engine is brought to high idle: parking brake on, bucket or blade lowered, wheels chocked, "
    "articulation lock in, nobody near, good ventilation; by the maker's manual"
)
_DOES_NOT_FOLLOW = (
    "it does not follow: engine off and secured, then look for a tube that is off, pinched or wet, a "
    "plugged tap, or a missing element; never run the engine with the element out"
)


@dataclass(frozen=True, kw_only=True)
class Check:
    """One thing looked at."""

    check: str
    verdict: str  # PASSED, FAILED or NOT_YET_SEEN
    seen: str  # what the verdict rests on, with units
    next_step: str  # "" where it passed


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """What is known beside the readings. None = nothing is known of it."""

    #: readings of the installation that the server holds and has acknowledged
    acknowledged: int
    #: numbers of its streams that are missing at the server
    missing: int
    #: how well the newest reading's time is known; None = the gateway did not say. [s]
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
        found = np.flatnonzero(wanted).astype(np.int64)
        if not len(found):
            return found
        recent = found[self.at_s[found] >= self.at_s[found[-1]] - LATEST_S]
        return recent if len(recent) >= AT_LEAST else found[-AT_LEAST:]


def _open(check: str, seen: str, next_step: str) -> Check:
    return Check(check=check, verdict=NOT_YET_SEEN, seen=seen, next_step=next_step)


def _passed(check: str, seen: str) -> Check:
    return Check(check=check, verdict=PASSED, seen=seen, next_step="")


def _failed(check: str, seen: str, next_step: str) -> Check:
    return Check(check=check, verdict=FAILED, seen=seen, next_step=next_step)


def _supply(table: _Table) -> Check:
    name = "supply voltage"
    known = ~np.isnan(table.supply_v)
    # While the engine runs the voltage is held; without a speed every reading counts.
    rows = table.latest(known & table.running if np.any(known & table.running) else known)
    if len(rows) < AT_LEAST:
        return _open(name, "no supply voltage reported", "let the monitor report its supply voltage")
    volts = table.supply_v[rows]
    middle = float(np.median(volts))
    low, high = np.quantile(volts, [0.05, 0.95])
    seen = f"{middle:.1f} V, from {low:.1f} to {high:.1f} V"
    system = next((s for s, (least, most) in SYSTEM_V.items() if least <= middle <= most), None)
    if system is None:
        return _failed(
            name,
            seen,
            "neither a 12 V nor a 24 V system: check feed, fuse and earth point by the machine maker's "
            "instructions; electrical work by qualified people",
        )
    if high - low > STEADY_V * middle:
        return _failed(
            name, seen, f"a {system} V system, but not steady: look for a loose contact or a poor earth point"
        )
    return _passed(name, f"{seen}, a {system} V system")


def _key_off(table: _Table, around: Surroundings) -> Check:
    name = "key-off"
    stayed_s = _longest_at_rest_s(table)
    if around.power_cycles == 0 and stayed_s >= FEED_STAYS_S:
        return _failed(
            name,
            f"readings went on for {stayed_s / 60:.0f} min with the engine at rest",
            "the monitor hangs on a permanent feed, or the key was left on: turn the key off; if readings go "
            "on, move the feed to one that is switched with the key",
        )
    if around.power_cycles == 0:
        return _open(name, "power has not gone yet", "turn the key off for a minute and on again")
    times = "once" if around.power_cycles == 1 else counted(around.power_cycles, "time")
    return _passed(name, f"power went with the key and came back {times}")


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
        return _open(name, "nothing has arrived", "wait for the first readings")
    if around.clock_uncertainty_s is None:
        return _clock_by_delay(name, around.delay_s)
    tied = f" by {around.anchor}" if around.anchor else ""
    seen = f"time known to {around.clock_uncertainty_s:.3g} s{tied}"
    if around.clock_uncertainty_s > CLOCK_S:
        return _failed(
            name,
            seen,
            "no trustworthy time yet: give it sky for GPS, or a link, and look at its status again",
        )
    return _passed(name, seen)


def _clock_by_delay(name: str, delay_s: float | None) -> Check:
    """Readings posted without a gateway: one that arrives as soon as it was taken shows the clock."""
    if delay_s is not None and delay_s < -CLOCK_S:
        return _failed(
            name,
            f"a reading came {-delay_s:.0f} s before the time it carries",
            "the clock that stamps the readings is ahead: set it, or let the gateway stamp them",
        )
    if delay_s is not None and delay_s <= CLOCK_S:
        return _passed(name, f"readings arrive {delay_s:.0f} s after the time they carry")
    return _open(
        name,
        "readings do not say how well their time is known, and none came as soon as it was taken",
        "post a reading as soon as it is taken, send at_uncertainty_s, or compare the clock by hand and "
        "enter that",
    )


def _link(around: Surroundings) -> Check:
    name = "link"
    if around.acknowledged == 0:
        return _open(
            name, "nothing has arrived", "look at the gateway's status on the machine: it says what stops it"
        )
    seen = f"{counted(around.acknowledged, 'reading')} acknowledged"
    if around.missing:
        return _failed(
            name,
            f"{seen}, {counted(around.missing, 'number')} missing",
            "wait for the gateway to send them again; if they stay missing look at its status",
        )
    return _passed(name, seen)


def _ambient(table: _Table) -> Check:
    name = "ambient pressure"
    rows = table.latest(~np.isnan(table.ambient_pa))
    if len(rows) < AT_LEAST:
        if len(table.at_s) >= AT_LEAST and not len(rows):
            return Check(
                check=name, verdict=NOT_MEASURED, seen="the monitor does not report it", next_step=""
            )
        return _open(name, "no ambient pressure reported", "wait for the first readings")
    ambient_pa = float(np.median(table.ambient_pa[rows]))
    low, high = AMBIENT_PA
    if not low <= ambient_pa <= high:
        return _failed(
            name,
            f"{ambient_pa / 1000:.1f} kPa, and no place of work has that",
            f"between {low / 1000:.0f} and {high / 1000:.0f} kPa anywhere: check the sensor, its opening and "
            "the unit that is sent",
        )
    heights = table.altitude_m[~np.isnan(table.altitude_m)]
    if not len(heights):
        return _open(
            name,
            f"{ambient_pa / 1000:.1f} kPa, altitude not reported",
            "compare it by hand with a barometer at the machine, and enter what that shows",
        )
    altitude_m = float(np.median(heights[-len(rows) :]))
    standard_pa = float(standard_pressure_pa(altitude_m))
    seen = (
        f"{ambient_pa / 1000:.1f} kPa at {altitude_m:.0f} m, standard atmosphere {standard_pa / 1000:.1f} kPa"
    )
    if abs(ambient_pa - standard_pa) > AMBIENT_MISFIT_PA:
        return _failed(name, seen, "check the ambient sensor, its opening, and the altitude reported")
    return _passed(name, seen)


def _zero(table: _Table) -> Check:
    name = "zero with the engine off"
    rows = table.latest(table.at_rest & ~np.isnan(table.restriction_pa))
    if len(rows) < AT_LEAST:
        return _open(
            name, "no reading with the engine known to be at rest", "key on, engine off, for half a minute"
        )
    zero_pa = float(np.median(table.restriction_pa[rows]))
    seen = f"{zero_pa / 1000:+.2f} kPa with the engine at rest"
    if abs(zero_pa) > ZERO_PA:
        return _failed(
            name, seen, "not zero: check that the ambient side is open and dry; then the sensor itself"
        )
    return _passed(name, seen)


def _answers(table: _Table) -> Check:
    name = "restriction answers the engine"
    known = table.running & ~np.isnan(table.restriction_pa)
    idle = known & (table.speed_rad_s <= IDLE_RAD_S)
    high = known & (table.speed_rad_s >= HIGH_OVER_IDLE * IDLE_RAD_S)
    idle_rows, high_rows = table.latest(idle).astype(np.intp), table.latest(high)
    if len(idle_rows) < AT_LEAST and _has_one_speed(table):
        return _answers_at_one_speed(table, name)
    if len(idle_rows) < AT_LEAST or len(high_rows) < AT_LEAST:
        wanted = "idle" if len(idle_rows) < AT_LEAST else "high idle"
        return _open(
            name,
            f"not yet seen at {wanted}",
            f"run the engine at {wanted} for half a minute, by the maker's manual; a set with one governed "
            f"speed needs {STEADY_SPEED_S / 60:.0f} min at that speed instead. "
            f"{_BEFORE_HIGH_IDLE.capitalize()}",
        )
    low_pa = float(np.median(table.restriction_pa[idle_rows]))
    high_pa = float(np.median(table.restriction_pa[high_rows]))
    seen = f"{low_pa / 1000:.2f} kPa at idle, {high_pa / 1000:.2f} kPa at high idle"
    if high_pa - low_pa < ANSWER_PA:
        return _failed(name, seen, _DOES_NOT_FOLLOW)
    return _passed(name, seen)


def _has_one_speed(table: _Table) -> bool:
    """True for a set that runs at one governed speed, far above idle, as a genset does."""
    running = np.flatnonzero(table.running)
    if len(running) < AT_LEAST or table.at_s[running[-1]] - table.at_s[running[0]] < STEADY_SPEED_S:
        return False
    low, middle, high = np.quantile(table.speed_rad_s[running], [0.05, 0.5, 0.95])
    return bool(low > IDLE_RAD_S and high - low <= STEADY_SPEED * middle)


def _answers_at_one_speed(table: _Table, name: str) -> Check:
    """Such a set is never at idle: at rest and running are compared."""
    known = ~np.isnan(table.restriction_pa)
    rest_rows, run_rows = table.latest(table.at_rest & known), table.latest(table.running & known)
    if len(rest_rows) < AT_LEAST or len(run_rows) < AT_LEAST:
        return _open(
            name,
            "it runs at one governed speed, and was not yet seen at rest",
            "key on, engine off, for half a minute",
        )
    rest_pa = float(np.median(table.restriction_pa[rest_rows]))
    run_pa = float(np.median(table.restriction_pa[run_rows]))
    seen = f"{rest_pa / 1000:.2f} kPa at rest, {run_pa / 1000:.2f} kPa at its governed speed"
    return _failed(name, seen, _DOES_NOT_FOLLOW) if run_pa - rest_pa < ANSWER_PA else _passed(name, seen)


def _terminal(around: Surroundings) -> Check:
    name = "terminal restriction"
    if around.terminal_pa is None:
        return _open(
            name, "not entered", "enter it from the engine maker's manual, in the unit printed there"
        )
    seen = f"{around.terminal_as_read}, that is {around.terminal_pa / 1000:.2f} kPa"
    low, high = TERMINAL_PA
    if not low <= around.terminal_pa <= high:
        return _failed(
            name,
            seen,
            f"engine makers state {low / 1000:.0f} to {high / 1000:.0f} kPa: check value and unit on the "
            "gauge or in the manual",
        )
    if not around.terminal_confirmed:
        return _open(
            name,
            f"{seen}; not confirmed",
            "read it a second time and confirm it in the unit of the gauge or manual",
        )
    return _passed(name, f"{seen}; confirmed")


def _clean(table: _Table, around: Surroundings) -> Check:
    name = "clean level"
    known = table.running & ~np.isnan(table.restriction_pa)
    if around.terminal_pa is None or np.count_nonzero(known) < AT_LEAST:
        return _open(
            name,
            "engine not seen running, or no terminal restriction",
            f"run the engine up to high idle; {_BEFORE_HIGH_IDLE}",
        )
    # Full flow stands in the upper end: the engine was brought to high idle once at least.
    level_pa = float(np.quantile(table.restriction_pa[known], 0.95))
    share = level_pa / around.terminal_pa
    low, high = CLEAN_SHARE
    seen = f"{level_pa / 1000:.2f} kPa at the highest flow seen, {100 * share:.0f} % of terminal"
    if share < low:
        return _failed(
            name,
            seen,
            "hardly any restriction: engine off and secured, then check that the element is in and seated "
            "and the tube is on",
        )
    if share > high:
        return _failed(
            name,
            seen,
            "high for a new element: element already loaded, intake covered, or the terminal value in the "
            "wrong unit",
        )
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
    """The check, settled by what a person compared where the readings leave it open."""
    subject = next((name for name, rule in BY_HAND.items() if rule.check == check.check), None)
    if check.verdict != NOT_YET_SEEN or subject is None or subject not in around.by_hand:
        return check
    known = table.ambient_pa[~np.isnan(table.ambient_pa)]
    ambient_pa = float(np.median(known)) if len(known) else np.nan
    value = around.by_hand[subject]
    if BY_HAND[subject].holds(np.nan if value is None else value, ambient_pa):
        return _passed(check.check, f"compared by hand; {check.seen}")
    return _failed(check.check, f"compared by hand, and it does not fit; {check.seen}", check.next_step)
