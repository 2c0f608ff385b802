"""
What the plot of a machine shows, from what is known of it: by date, or by operating hours.

Promises: pure. Leaves to others: drawing it (`plot`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from statistics import median
from typing import Any, Literal, NamedTuple

from cleanside.ingest.console.formats import DAY_S, Formats
from cleanside.ingest.console.plot import AxisMark, CameOnAxis, Plot, PlottedOutlook
from cleanside.ingest.console.wording import Sayer

By = Literal["date", "hours"]
_AHEAD_SHARE, _LEAST_AHEAD_S = 0.35, 10 * DAY_S  # of the past that is drawn ahead, and the least (chosen)
_GAP_S, _GAP_H = 4 * DAY_S, 40.0  # over a longer one no line is drawn (chosen)
_AFTER_H = 1e-6
_TICKS_H = (10, 20, 50, 100, 200, 500, 1_000)


class Seen(NamedTuple):
    """One operating hour."""

    at_s: float
    hours: float  # operating hours since the first one that is drawn, this one among them
    own_h: float  # of this hour
    level: float  # in the unit of the gauge


class Series:
    """The hours of a machine, on both axes."""

    def __init__(self, known: Mapping[str, Any], formats: Formats, unit: str) -> None:
        self.formats, self.unit = formats, unit
        self.seen = list(self._read(known["series"]))

    def _read(self, points: Sequence[Mapping[str, Any]]) -> Iterator[Seen]:
        hours = 0.0
        for point in points:
            hours += point["operating_hours"]
            level = self.formats.in_unit(point["restriction_pa"], self.unit)
            if level is not None:
                at_s = self.formats.moment(point["hour"]).timestamp()
                yield Seen(at_s, hours, point["operating_hours"], level)

    def hours_at(self, at_s: float) -> float:
        """Operating hours at an instant; what began in an hour lies after it."""
        return max((seen.hours for seen in self.seen if seen.at_s <= at_s), default=0.0) + _AFTER_H


def plot_of(
    known: Mapping[str, Any], lives: Sequence[Mapping[str, Any]], say: Sayer, unit: str, by: By
) -> Plot | None:
    """The plot of a machine; None: nothing was read. known : an answer of `get_restriction`."""
    formats = say.formats
    series = Series(known, formats, unit)
    if not series.seen:
        return None
    axis = _ByDate(known, series) if by == "date" else _ByHours(known, series)
    limit = known["terminal_restriction"]
    limit_level = formats.in_unit(limit and limit["restriction_pa"], unit)
    name = known["display_name"] or known["machine"]
    return Plot(
        points=axis.points,
        longest_gap=axis.longest_gap,
        now=AxisMark(x=axis.now, text=say.plain("machine.today")),
        until=axis.until,
        changes=[
            AxisMark(x=axis.at(life["start_at"]), text=formats.date(life["start_at"]))
            for life in lives
            if life["began_by"] and axis.at(life["start_at"]) >= axis.points[0][0]
        ],
        ticks=axis.ticks(),
        limit=None
        if limit_level is None
        else AxisMark(
            x=limit_level,
            text=say.plain(
                "machine.limit_doubted" if known["limit_in_doubt"] else "machine.limit_is",
                limit=str(formats.restriction(limit["restriction_pa"], unit)),
            ),
        ),
        outlook=axis.outlook(say),
        came=axis.came(),
        number=lambda level: formats.number(level, 1 if level % 1 else 0),
        title=say.plain("machine.plot_title", unit=unit),
        spoken=say.plain("machine.plot_spoken", name=name),
    )


class _ByDate:
    """The axis of x in seconds since 1970."""

    longest_gap: float = _GAP_S

    def __init__(self, known: Mapping[str, Any], series: Series) -> None:
        self._known, self._formats = known, series.formats
        self.points = [(seen.at_s, seen.level) for seen in series.seen]
        self.now = self._formats.now_s
        past_s = self.now - self.points[0][0]
        ahead_s = max(_LEAST_AHEAD_S, past_s * _AHEAD_SHARE)
        late_s = self._due("p90") if known["due_at"] else self.now
        self.until = self.now + min(ahead_s, max(late_s - self.now + DAY_S, _LEAST_AHEAD_S))

    def at(self, at: str) -> float:
        """Where an instant lies."""
        return self._formats.moment(at).timestamp()

    def _due(self, point: str) -> float:
        at = self._known["due_at"][point]
        return float("inf") if at is None else self.at(at)

    def outlook(self, say: Sayer) -> PlottedOutlook | None:
        """Early, likely, late; None: not stated, or reached."""
        due = self._known["due_at"]
        if due is None or self._known["state"] == "over":
            return None
        dates = {point: self._formats.date(due[point]) if due[point] else "" for point in due}
        lines = [say.plain("machine.at_limit"), dates["p50"], f"{dates['p10']} – {dates['p90']}"]
        early, likely, late = (self._due(point) for point in ("p10", "p50", "p90"))
        lines += _beyond(say, likely, self.until)
        return PlottedOutlook(early=early, likely=likely, late=late, lines=lines)

    def ticks(self) -> list[AxisMark]:
        """Months, or Mondays where they are few."""
        day = self._formats.start_of_day(self.points[0][0])
        is_short = self.until - self.points[0][0] < 75 * DAY_S
        found = []
        while day.timestamp() < self.until:
            if (day.weekday() == 0 if is_short else day.day == 1) and day.timestamp() >= self.points[0][0]:
                found.append(AxisMark(x=day.timestamp(), text=self._formats.date(day.timestamp())))
            day += timedelta(days=1)
        return found

    def came(self) -> list[CameOnAxis]:
        """How the readings came."""
        return [
            CameOnAxis(from_x=self.at(span["from"]), until_x=self.at(span["until"]), came=span["came"])
            for span in self._known["coverage"] or ()
        ]


class _ByHours:
    """The axis of x in operating hours, from the first that is drawn."""

    longest_gap: float = _GAP_H

    def __init__(self, known: Mapping[str, Any], series: Series) -> None:
        self._known, self._series = known, series
        self.points = [(seen.hours, seen.level) for seen in series.seen]
        self.now = self.points[-1][0]
        left = known["hours_left"]
        late_h = left["p90"] if left else 0.0
        self.until = self.now + min(max(20.0, self.now * _AHEAD_SHARE), max(20.0, late_h * 1.05))

    def at(self, at: str) -> float:
        """Where an instant lies."""
        return self._series.hours_at(self._series.formats.moment(at).timestamp())

    def outlook(self, say: Sayer) -> PlottedOutlook | None:
        """Early, likely, late; None: not stated, or reached."""
        left, formats = self._known["hours_left"], self._series.formats
        if left is None or self._known["state"] == "over":
            return None
        hours = {point: str(formats.hours(left[point])) for point in left}
        lines = [say.plain("machine.at_limit_in"), hours["p50"], f"{hours['p10']} – {hours['p90']}"]
        early, likely, late = (self.now + left[point] for point in ("p10", "p50", "p90"))
        lines += _beyond(say, likely, self.until)
        return PlottedOutlook(early=early, likely=likely, late=late, lines=lines)

    def ticks(self) -> list[AxisMark]:
        """Round numbers of hours, at most a dozen."""
        step = next((step for step in _TICKS_H if self.until / step <= 12), _TICKS_H[-1])
        formats, every = self._series.formats, range(0, int(self.until) + 1, step)
        return [AxisMark(x=float(at), text=str(formats.of_unit(at, "h"))) for at in every]

    def came(self) -> list[CameOnAxis]:
        """How the readings came is a matter of dates."""
        return []


def _beyond(say: Sayer, likely: float, until: float) -> list[str]:
    """That the likely place is not on the paper; empty: it is."""
    return [say.plain("machine.beyond_edge")] if likely > until else []


class Week(NamedTuple):
    """One week of the table: what the plot shows, as numbers."""

    from_s: float
    lowest: float
    middle: float
    highest: float
    hours: float


def weeks_of(known: Mapping[str, Any], formats: Formats, unit: str) -> list[Week]:
    """The same as the plot by weeks, oldest first, in the viewer's zone."""
    weeks: dict[float, list[Seen]] = {}
    for seen in Series(known, formats, unit).seen:
        day = formats.start_of_day(seen.at_s)
        weeks.setdefault((day - timedelta(days=day.weekday())).timestamp(), []).append(seen)
    return [
        Week(
            from_s,
            min(seen.level for seen in inside),
            median(seen.level for seen in inside),
            max(seen.level for seen in inside),
            sum(seen.own_h for seen in inside),
        )
        for from_s, inside in weeks.items()
    ]
