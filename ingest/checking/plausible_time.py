"""
Which times are plausible: the one model for every doubt about an instant.

Promises: pure; a doubt names a code, and a repair where one is evident. Two kinds of doubt:
by itself: later than the server's clock; at or shortly after the start of a clock that was never set; GPS
weeks counted from the wrong rollover; before the device's floor;
by its neighbours: far outside the two readings next to it by number, which agree with each other; from a
clock that started at the gateway's build date and runs on, where the stream steps back to that date.
Leaves to others: quarantining (`ingest.checking.doubts`), which readings are neighbours
(`ingest.checking.neighbours`).

Instants are whole microseconds since 1970 UTC (`*_us`).
"""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from cleanside.gateway.wire import Doubt, instant_text

MICRO = 1_000_000
HOUR_US = 3_600 * MICRO
DAY_US = 24 * HOUR_US
FUTURE_TOLERANCE_US = 300 * MICRO  # the contract: later than the server's clock + 5 min
EARLIEST_US = 0  # no time before 1970 is believed: no such monitor measured then; chosen

CLOCK_UNSET = "clock_unset"
TIME_OUTLIER = "time_outlier"

ROLLOVER_WEEKS = 1024  # the week number has 10 bits; gps.gov, GPS week number rollover
ROLLOVER_US = ROLLOVER_WEEKS * 7 * DAY_US  # 619 315 200 s
ROLLOVERS = 3  # 59 years back, to before any receiver; chosen

#: Readings from so long before a device was registered are believed unless an admin sets another floor: a
#: backlog from before the first enrolment. A rollover may lead back into the same time. A year; chosen.
HISTORY_US = 366 * DAY_US
#: How long a clock without a battery may run on: it starts again with the device, and a machine stops for
#: service earlier than that (500 h, three weeks of day and night, is common practice); chosen.
LONGEST_RUN_US = 100 * DAY_US

#: Starts of clocks that were never set: an empty date of common languages (from memory), Unix (POSIX), the
#: FAT file system, GPS (IS-GPS-200), clock chips (common practice).
UNSET_DAYS = ("0001-01-01", "1970-01-01", "1980-01-01", "1980-01-06", "2000-01-01")
#: The GPS epoch one and two rollovers later: a receiver that assumes them starts there (gps.gov).
ROLLED_DAYS = ("1999-08-22", "2019-04-07")

UNSET_OVER_US = 1_563_235_200 * MICRO  # 2019-07-16: no unset clock starts later

#: Doubts about a time that a person may settle by confirming it. A time in the future is not among them.
SETTLED_BY_A_PERSON = frozenset(
    {CLOCK_UNSET, "gps_week_rollover", "time_before_service", "time_before_floor", TIME_OUTLIER}
)

#: A reading is out of line beyond this distance from its neighbours, plus their stated uncertainty. A change
#: between summer and winter time is an hour, less the interval of readings: half of it leaves room; chosen.
OUT_OF_LINE_US = HOUR_US // 2


class Service(NamedTuple):
    """What the server knows of a device and its gateway that matters for time. None: not known."""

    #: before this instant the device was not in service
    in_service_us: int | None = None
    #: when the device was registered
    registered_us: int | None = None
    #: set by an admin: the device has history from this instant on, though it was registered later
    history_from_us: int | None = None
    #: date on which the gateway's program was built; a clock that shows it was never set
    built: str | None = None

    @property
    def floor_us(self) -> int | None:
        """No time before this instant is believed; None: not known, as the device is not registered."""
        if self.in_service_us is not None:
            return self.in_service_us
        if self.history_from_us is not None:
            return self.history_from_us
        return None if self.registered_us is None else self.registered_us - HISTORY_US


# ---------------------------------------------------------------- by itself


def in_question(
    at_us: npt.NDArray[np.int64], *, now_us: int, service: Service
) -> npt.NDArray[np.bool_] | None:
    """
    Which instants `doubt_of_time` has to check, shape (n,); None: none of them, as nearly always.

    An instant that is left out has no doubt. One that is in may have none either.
    """
    # The operations themselves: their methods take as long again on a batch.
    if not len(at_us) or is_plain(
        int(np.minimum.reduce(at_us)), int(np.maximum.reduce(at_us)), now_us, service
    ):
        return None
    odd = (at_us > now_us + FUTURE_TOLERANCE_US) | (at_us < _look_before_us(now_us, service))
    for start_us in _starts(service.built, now_us):
        odd |= (at_us >= start_us) & (at_us < start_us + LONGEST_RUN_US)
    return odd


def is_plain(first_us: int, last_us: int, now_us: int, service: Service) -> bool:
    """True where no instant of a span has a doubt. first_us, last_us : the lowest and the highest."""
    built_us = day_us(service.built)
    is_apart = built_us is None or last_us < built_us or first_us >= built_us + DAY_US
    is_likely = first_us >= UNSET_OVER_US and last_us <= now_us + FUTURE_TOLERANCE_US
    return is_apart and is_likely and first_us >= _look_before_us(now_us, service)


def _look_before_us(now_us: int, service: Service) -> int:
    """Times before this are checked: the floor; without one, the latest time that a rollover may shift."""
    floor_us = service.floor_us
    if floor_us is not None:
        return max(floor_us, EARLIEST_US)
    return now_us + FUTURE_TOLERANCE_US - ROLLOVER_US + 1


def doubt_of_time(at_us: int, *, now_us: int, service: Service) -> Doubt | None:
    """The doubt about one instant by itself; None if it is believed."""
    if at_us > now_us + FUTURE_TOLERANCE_US:
        return Doubt("time_in_future", {"ahead_s": (at_us - now_us) // MICRO})
    floor_us = service.floor_us
    built_us = start_of_built_us(service.built, now_us)
    if _is_start(at_us, UNSET_DAYS, floor_us) or (
        built_us is not None and built_us <= at_us < built_us + DAY_US
    ):
        return unset_doubt(at_us)
    if (likely := _rolled_over(at_us, now_us, floor_us)) is not None:
        return _rollover_doubt(at_us, likely)
    if _is_start(at_us, ROLLED_DAYS, floor_us):
        return unset_doubt(at_us)
    return _floor_doubt(at_us, service)


class UnsetClock:
    """
    A clock that was never set and starts at a build date, followed reading by reading. Pure.

    It runs on from the build date for as long as a device may run, and shows times before the last one of the
    stream. A stored reading ends it.
    """

    def __init__(self, built_us: int, reached_us: int | None) -> None:
        """reached_us : time of the last stored reading; None: there is none, so no time steps back."""
        self._built_us = built_us
        self._reached_us = reached_us
        self._shown_us: int | None = None

    @property
    def is_running(self) -> bool:
        """True once it was seen to start, until a stored reading ends it."""
        return self._shown_us is not None

    def starts_at(self, at_us: int) -> bool:
        """True on the day on which it starts."""
        return self._built_us <= at_us < self._built_us + DAY_US

    def may_show(self, at_us: int) -> bool:
        """True on the days after that, while the device may still run."""
        return self._built_us + DAY_US <= at_us < self._built_us + LONGEST_RUN_US

    def runs_on(self, at_us: int) -> bool:
        """True if it shows this time: not before its last one, and before the last one of the stream."""
        if self._shown_us is None or self._reached_us is None or not self.may_show(at_us):
            return False
        return self._shown_us - OUT_OF_LINE_US <= at_us < self._reached_us - OUT_OF_LINE_US

    def showed(self, at_us: int) -> None:
        """A reading of it."""
        self._shown_us = at_us

    def reached(self, at_us: int) -> None:
        """A stored reading of another clock."""
        self._shown_us, self._reached_us = None, at_us


def unset_doubt(at_us: int) -> Doubt:
    """The doubt about an instant at the start of a clock that was never set, or shortly after it."""
    return Doubt(CLOCK_UNSET, {"at": instant_text(at_us)})


def _is_start(at_us: int, days: tuple[str, ...], floor_us: int | None) -> bool:
    starts = [start for day in days if (start := day_us(day)) is not None]
    # At times when the device may really have measured, a start counts for its first day only.
    run_us = DAY_US if floor_us is not None and at_us >= floor_us else LONGEST_RUN_US
    return any(start <= at_us < start + run_us for start in starts)


def start_of_built_us(built: str | None, now_us: int) -> int | None:
    """The start of a gateway's clock, if it counts: on its build date a machine built that day may run."""
    built_us = day_us(built)
    return built_us if built_us is not None and now_us >= built_us + 2 * DAY_US else None


def _starts(built: str | None, now_us: int) -> list[int]:
    days = (*UNSET_DAYS, *ROLLED_DAYS)
    starts = [*(day_us(day) for day in days), start_of_built_us(built, now_us)]
    return [start for start in starts if start is not None]


def _rolled_over(at_us: int, now_us: int, floor_us: int | None) -> int | None:
    """The true instant if `at_us` is a multiple of 1024 weeks before a likely time; else None."""
    if floor_us is not None and at_us >= floor_us:
        return None
    earliest_us = now_us - HISTORY_US if floor_us is None else floor_us
    for times in range(1, ROLLOVERS + 1):
        likely = at_us + times * ROLLOVER_US
        if earliest_us <= likely <= now_us + FUTURE_TOLERANCE_US:
            return likely
    return None


def _rollover_doubt(at_us: int, likely_us: int) -> Doubt:
    weeks = (likely_us - at_us) // ROLLOVER_US * ROLLOVER_WEEKS
    likely = instant_text(likely_us)
    about = {"at": instant_text(at_us), "weeks": weeks, "likely": likely}
    return Doubt("gps_week_rollover", about, {"at": likely, "shift_s": (likely_us - at_us) // MICRO})


def _floor_doubt(at_us: int, service: Service) -> Doubt | None:
    """The doubt about an instant before the device's own time."""
    at = instant_text(at_us)
    if service.in_service_us is not None and at_us < service.in_service_us:
        since = instant_text(service.in_service_us)
        return Doubt("time_before_service", {"at": at, "in_service_at": since})
    floor_us = max(EARLIEST_US if service.floor_us is None else service.floor_us, EARLIEST_US)
    if at_us >= floor_us:
        return None
    about = {"at": at, "floor": instant_text(floor_us), "may_be_history": floor_us > EARLIEST_US}
    return Doubt("time_before_floor", about)


# ---------------------------------------------------------------- by its neighbours


def steps_back(at_us: npt.NDArray[np.int64], before_us: int | None = None) -> bool:
    """
    True if a time lies more than `OUT_OF_LINE_US` before the one below it in number.

    at_us : in order of number, shape (n,). before_us : the time below the first; None: there is none.
    """
    if before_us is not None and is_back(int(at_us[0]), before_us):
        return True
    return len(at_us) > 1 and int(np.minimum.reduce(at_us[1:] - at_us[:-1])) < -OUT_OF_LINE_US


def is_back(us: int, before_us: int) -> bool:
    """True if a time lies more than `OUT_OF_LINE_US` before another."""
    return us < before_us - OUT_OF_LINE_US


def falls_back(at_us: npt.NDArray[np.int64]) -> list[bool]:
    """`steps_back` of each of several batches by itself, shape (g, n), n >= 1."""
    if at_us.shape[1] < 2:
        return [False] * len(at_us)
    back: list[bool] = (np.minimum.reduce(at_us[:, 1:] - at_us[:, :-1], axis=1) < -OUT_OF_LINE_US).tolist()
    return back


def out_of_line(
    at_us: npt.NDArray[np.int64], uncertainty_s: npt.NDArray[np.float64]
) -> npt.NDArray[np.bool_]:
    """
    Which readings are outside the two next to them, where these agree with each other; shape (n,).

    at_us, uncertainty_s : in order of number, shape (n,); NaN: unknown. The first and the last have one
    neighbour only, and no verdict. Neighbours agree where they are in order, each also with the one beyond:
    of two alternating clocks neither is the odd one. A verdict depends on two readings on either side alone.
    """
    odd = np.zeros(len(at_us), dtype=np.bool_)
    if len(at_us) < 3 or not steps_back(at_us):
        return odd
    half = np.nan_to_num(uncertainty_s, nan=0.0) * MICRO
    margin = OUT_OF_LINE_US + half[1:] + half[:-1]  # between each and the next
    in_order = at_us[:-1] <= at_us[1:] + margin
    before, own, after = at_us[:-2], at_us[1:-1], at_us[2:]
    below = (own < before - margin[:-1]) & (own < after - margin[1:])
    above = (own > before + margin[:-1]) & (own > after + margin[1:])
    across = OUT_OF_LINE_US + half[:-2] + half[2:]
    agree = before <= after + across
    agree[1:] &= in_order[:-2]  # the one below with the one beyond it
    agree[:-1] &= in_order[2:]  # the one above with the one beyond it
    odd[1:-1] = (below | above) & agree
    return odd


def clock_steps(at_us: npt.NDArray[np.int64], uncertainty_s: npt.NDArray[np.float64]) -> npt.NDArray[np.intp]:
    """
    Where a time steps back and stays there: the indexes of the first readings after such steps, shape (k,).

    at_us, uncertainty_s : in order of number, shape (n,); NaN: unknown. Two readings on either side have to
    agree: one that alone is off is out of line, and of two alternating clocks none has stepped. A step
    forward looks like a pause, and is seen where the time steps back again.
    """
    if len(at_us) < 4 or not steps_back(at_us):
        return np.empty(0, np.intp)
    half = np.nan_to_num(uncertainty_s, nan=0.0) * MICRO
    margin = OUT_OF_LINE_US + half[1:] + half[:-1]  # between each and the next
    across = OUT_OF_LINE_US + half[:-2] + half[2:]  # between each and the next but one
    in_order = at_us[:-1] <= at_us[1:] + margin
    fell_across = at_us[2:] < at_us[:-2] - across
    stepped = ~in_order[1:-1] & in_order[:-2] & in_order[2:] & fell_across[:-1] & fell_across[1:]
    return np.flatnonzero(stepped) + 2


def outlier_doubt(at_us: int) -> Doubt:
    """The doubt about a time that is out of line."""
    return Doubt(TIME_OUTLIER, {"at": instant_text(at_us)})


# ---------------------------------------------------------------- helpers


@lru_cache(maxsize=256)
def day_us(text: str | None) -> int | None:
    """The start of a day written like 2026-02-20 [us]; None where it is no such day."""
    try:
        return None if text is None else (date.fromisoformat(text) - date(1970, 1, 1)).days * DAY_US
    except ValueError:
        return None  # the gateway may write its build date as it likes
