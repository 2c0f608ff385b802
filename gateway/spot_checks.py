"""
The checks of an installation that can be judged at the machine: one piece of code for both sides.

Each check is passed, failed with what to do, or not yet seen with what would show it. Nothing passes without
evidence. What is said is a code with figures; each side has its own sentences.
Promises: pure, plain numbers, the standard library alone: a small processor on the machine runs it as
the server does. Leaves to others: choosing the rows (`gateway.beside.watch` on the machine,
`ingest.restriction.verdict.installation` at the server), sentences, checks that need the change limit.

Electrical and pressure limits below are common practice unless a source stands beside them.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any, Final

PASSED: Final = "passed"
FAILED: Final = "failed"
NOT_YET_SEEN: Final = "not yet seen"

#: names of the checks, in the order in which a technician meets them
SUPPLY: Final = "supply voltage"
KEY_OFF: Final = "key-off"
CLOCK: Final = "clock"
LINK: Final = "link"
ZERO: Final = "zero with the engine off"
ANSWER: Final = "restriction answers the engine"

RUNNING_RAD_S = 30.0  # 286 r/min: above cranking, below idle (common practice, no source)
IDLE_RAD_S = 105.0  # 1000 r/min; an idling diesel turns at 600 to 900 r/min (common practice)
HIGH_OVER_IDLE = 1.6  # high idle is at least so many times idle (common practice: 2)

LATEST_S = 600.0  # the last ten minutes with power count: what was put right meanwhile is right (chosen)
AT_LEAST = 3  # readings before anything is said (chosen: one odd one must not decide)

# What a vehicle supply shows, from just above cranking to charging (common practice, no source).
SYSTEM_V: Mapping[int, tuple[float, float]] = {12: (11.0, 15.5), 24: (22.0, 31.0)}
STEADY_V = 0.08  # of the voltage, 5 to 95 % range while the engine runs; a loose contact shows more (chosen)
FEED_STAYS_S = 1800.0  # engine at rest and readings go on for so long: not the switched feed (chosen)
CLOCK_S = 60.0  # far below an operating hour, which is what the analysis counts (chosen)
ZERO_PA = 100.0  # two steps of a 0.05 kPa monitor (SAE J1939 SPN 107: 0.05 kPa a bit)
ANSWER_PA = 50.0  # one step of a 0.05 kPa monitor
#: Engine speed of a set with one governed speed: 5 to 95 % range, of the speed (chosen: governors hold 5 %).
STEADY_SPEED = 0.05
STEADY_SPEED_S = 300.0  # running at one speed for so long and never at idle: it has no idle (chosen)


@dataclass(frozen=True)
class Statement:
    """One thing that is said. A table of the side that shows it makes the sentence."""

    code: str
    #: what it is about, by name; the unit is in the name, SI where it has one
    values: Mapping[str, Any] = field(default_factory=dict)


def say(code: str, /, **values: Any) -> Statement:
    """A statement: say("at_rest", zero_pa=12.0). Pure."""
    return Statement(code, values)


@dataclass(frozen=True, kw_only=True)
class Check:
    """One thing looked at."""

    check: str
    verdict: str  # PASSED, FAILED or NOT_YET_SEEN; the server also has one for what the monitor cannot show
    seen: Statement  # what the verdict rests on
    next_step: Statement | None  # None where it passed


def still_open(check: str, seen: Statement, next_step: Statement) -> Check:
    """A check that nothing has shown yet."""
    return Check(check=check, verdict=NOT_YET_SEEN, seen=seen, next_step=next_step)


def passed(check: str, seen: Statement) -> Check:
    """A check that holds."""
    return Check(check=check, verdict=PASSED, seen=seen, next_step=None)


def failed(check: str, seen: Statement, next_step: Statement | None) -> Check:
    """A check that does not hold."""
    return Check(check=check, verdict=FAILED, seen=seen, next_step=next_step)


# ---------------------------------------------------------------- which rows count


def first_of_latest(at_s: Sequence[float]) -> int:
    """
    Index of the first row that counts: within `LATEST_S` of the last, or of the last `AT_LEAST` rows.

    at_s : instants in order of time, shape (n,). [s] Returns 0 for no rows.
    """
    if not at_s:
        return 0
    recent = bisect_left(at_s, at_s[-1] - LATEST_S)
    return min(recent, max(0, len(at_s) - AT_LEAST))


def quantile(values: Sequence[float], share: float) -> float:
    """
    The value below which that share lies, straight between neighbours.

    values : shape (n,), n > 0, any order. share : 0 to 1. Raises ValueError for no values.
    Source: Hyndman and Fan, Sample quantiles in statistical packages, 1996, definition 7.
    """
    if not values:
        raise ValueError("there is no quantile of no values")
    ordered = sorted(values)
    place = share * (len(ordered) - 1)
    below = int(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (place - below) * (ordered[above] - ordered[below])


def is_one_speed(speed_rad_s: Sequence[float], *, span_s: float) -> bool:
    """
    True for a set that runs at one governed speed, far above idle, as a genset does.

    speed_rad_s : while running, any order. span_s : from the first of them to the last. [s]
    """
    if len(speed_rad_s) < AT_LEAST or span_s < STEADY_SPEED_S:
        return False
    low, middle, high = (quantile(speed_rad_s, share) for share in (0.05, 0.5, 0.95))
    return low > IDLE_RAD_S and high - low <= STEADY_SPEED * middle


class RestSpan:
    """The longest unbroken stretch of readings with the engine at rest; readings come in order of time."""

    def __init__(self) -> None:
        self.longest_s = 0.0
        self._since_s = 0.0
        self._before_s: float | None = None

    def add(self, at_s: float, *, at_rest: bool) -> None:
        """The next reading. at_rest : the engine is known to stand."""
        if not at_rest:
            self._before_s = None
            return
        if self._before_s is None or at_s - self._before_s > FEED_STAYS_S / 2:
            self._since_s = at_s  # a pause of the readings: power was off
        self._before_s = at_s
        self.longest_s = max(self.longest_s, at_s - self._since_s)


# ---------------------------------------------------------------- the checks


def supply(volts: Sequence[float], *, while_running: bool) -> Check:
    """
    volts : of the latest rows, with the engine running where its speed is known. [V]

    while_running : they are of a running engine; False: its speed is not known.
    """
    if len(volts) < AT_LEAST:
        return still_open(SUPPLY, say("supply_not_reported"), say("do_report_supply"))
    middle = float(median(volts))
    low, high = quantile(volts, 0.05), quantile(volts, 0.95)
    seen = {"middle_v": middle, "low_v": low, "high_v": high}
    plain, of_system = (
        ("supply_running", "supply_running_of_system") if while_running else ("supply", "supply_of_system")
    )
    system = next((s for s, (least, most) in SYSTEM_V.items() if least <= middle <= most), None)
    if system is None:
        return failed(SUPPLY, say(plain, **seen), say("do_check_feed"))
    if high - low > STEADY_V * middle:
        return failed(SUPPLY, say(plain, **seen), say("do_check_contact", system_v=system))
    return passed(SUPPLY, say(of_system, system_v=system, **seen))


def key_off(*, stayed_s: float, power_cycles: int) -> Check:
    """stayed_s : longest stretch at rest. [s] power_cycles : times that power went and came back."""
    if power_cycles:
        return passed(KEY_OFF, say("power_cycled", times=power_cycles))
    if stayed_s >= FEED_STAYS_S:
        return failed(KEY_OFF, say("read_on_at_rest", stayed_min=stayed_s / 60), say("do_switch_feed"))
    return still_open(KEY_OFF, say("power_has_not_gone"), say("do_key_off"))


def clock(*, uncertainty_s: float | None, anchor: str | None) -> Check:
    """uncertainty_s : of the newest reading's time; None: not known. anchor : gps, ntp ...; None: none."""
    if uncertainty_s is None:
        return still_open(CLOCK, say("time_not_known"), say("do_show_time"))
    seen = say("time_known", uncertainty_s=uncertainty_s, anchor=anchor or None)
    if uncertainty_s > CLOCK_S:
        return failed(CLOCK, seen, say("do_give_sky"))
    return passed(CLOCK, seen)


def link(*, acknowledged: int, missing: int) -> Check:
    """acknowledged : readings that the server holds. missing : numbers that it lacks in between."""
    if acknowledged == 0:
        return still_open(LINK, say("nothing_arrived"), say("do_look_at_gateway"))
    if missing:
        seen = say("acknowledged_with_gaps", readings=acknowledged, missing=missing)
        return failed(LINK, seen, say("do_wait_for_missing"))
    return passed(LINK, say("acknowledged", readings=acknowledged))


def zero(rest_pa: Sequence[float]) -> Check:
    """rest_pa : restriction of the latest rows with the engine at rest. [Pa]"""
    if len(rest_pa) < AT_LEAST:
        return still_open(ZERO, say("rest_not_seen"), say("do_stand"))
    zero_pa = float(median(rest_pa))
    seen = say("at_rest", zero_pa=zero_pa)
    if abs(zero_pa) > ZERO_PA:
        return failed(ZERO, seen, say("do_check_zero"))
    return passed(ZERO, seen)


def answer(idle_pa: Sequence[float], high_pa: Sequence[float]) -> Check:
    """idle_pa, high_pa : restriction of the latest rows at idle and at high idle. [Pa]"""
    if len(idle_pa) < AT_LEAST or len(high_pa) < AT_LEAST:
        return _not_run("idle" if len(idle_pa) < AT_LEAST else "high idle")
    low, high = float(median(idle_pa)), float(median(high_pa))
    return _answered(high - low, say("idle_and_high_idle", low_pa=low, high_pa=high))


def answer_at_one_speed(rest_pa: Sequence[float], running_pa: Sequence[float]) -> Check:
    """A set with one governed speed is never at idle: the latest rows at rest and running. [Pa]"""
    if len(rest_pa) < AT_LEAST or len(running_pa) < AT_LEAST:
        return still_open(ANSWER, say("one_speed_rest_not_seen"), say("do_stand"))
    rest, running = float(median(rest_pa)), float(median(running_pa))
    return _answered(running - rest, say("rest_and_one_speed", rest_pa=rest, run_pa=running))


def _not_run(wanted: str) -> Check:
    seen = say("idle_not_seen" if wanted == "idle" else "high_idle_not_seen")
    return still_open(ANSWER, seen, say("do_run", wanted=wanted, one_speed_min=STEADY_SPEED_S / 60))


def _answered(rise_pa: float, seen: Statement) -> Check:
    if rise_pa < ANSWER_PA:
        return failed(ANSWER, seen, say("do_look_at_tube"))
    return passed(ANSWER, seen)
