"""
The large plot of a machine: restriction at full flow, limit, forecast, lives, and how the readings came.

Promises: pure; drawn for each class of width, so that labels keep their size. No line crosses a gap or a
change; a forecast is a span. Every figure stands in words or in the table beside it.
Leaves to others: what is known (`ingest.api.routes.restriction`), colours (`static/look.css`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from markupsafe import Markup

DAY_S = 86_400
#: class of the drawing in `look.css` -> its width [px]: that of the narrowest window which shows it
WIDTHS: Mapping[str, int] = {"plot-a": 288, "plot-b": 440, "plot-c": 728, "plot-d": 1136}
_TOP, _STRIP, _AXIS = 44, 30, 26  # heights over the plot, of the coverage strip, of the axis [px]
_PX_A_POINT = 3.0
_GAP_S = 4 * DAY_S  # longer without a reading than that is a gap: the line ends


@dataclass(frozen=True, kw_only=True)
class AxisMark:
    """A place on the axis of x, with its words."""

    x: float
    text: str


@dataclass(frozen=True, kw_only=True)
class CameOnAxis:
    """A span on the axis of x in which readings came in one way."""

    from_x: float
    until_x: float
    came: str


@dataclass(frozen=True, kw_only=True)
class PlottedOutlook:
    """Early, likely and late on the axis of x, and the words for it."""

    early: float
    likely: float
    late: float
    lines: Sequence[str]


@dataclass(frozen=True, kw_only=True)
class Plot:
    """What is drawn: x in seconds or operating hours, y in the unit of the gauge."""

    points: Sequence[tuple[float, float]]
    longest_gap: float  # on the axis of x, over which a line is drawn
    now: AxisMark
    until: float  # the end of the axis of x
    changes: Sequence[AxisMark]
    ticks: Sequence[AxisMark]
    limit: AxisMark | None  # x is the level here
    outlook: PlottedOutlook | None
    came: Sequence[CameOnAxis]
    number: Callable[[float], str]  # how a level is written on the axis
    title: str  # what y is, and its unit
    spoken: str  # the same for who does not see it


def draw(plot: Plot, name: str) -> Markup:
    """The plot for a class of width, as SVG."""
    sheet = _Sheet(plot, WIDTHS[name])
    head = Markup('<svg class="{}" viewBox="0 0 {} {}" role="img" aria-label="{}">').format(
        name, sheet.width, sheet.height, plot.spoken
    )
    return head + Markup("").join(sheet.parts()) + Markup("</svg>")


class _Sheet:
    """A plot on paper of one width."""

    def __init__(self, plot: Plot, width: int) -> None:
        self._plot = plot
        self.width = width
        self._left, self._right = 30, width - 6
        self._bottom = _TOP + (300 if width > 600 else 220)
        self.height = self._bottom + _AXIS + (_STRIP if plot.came else 0)
        self._from = plot.points[0][0] if plot.points else plot.now.x - 1
        highest = [y for _, y in plot.points] + ([plot.limit.x] if plot.limit else [])
        self._step, self._top_y = _axis(max(highest, default=1.0) * 1.08, 6 if width > 600 else 4)

    def parts(self) -> Iterator[Markup]:
        """Every part, in the order of ink."""
        yield from self._grid()
        yield from self._missing()
        yield from self._forecast()
        yield from self._limit()
        yield Markup('<path class="data" d="{}"/>').format(self._line())
        yield from self._limit_words()
        yield from self._changes()
        yield from self._now()
        yield from self._outlook_words()
        yield from self._strip()

    def _x(self, x: float) -> float:
        span = max(self._plot.until - self._from, 1e-9)
        share = min(max((x - self._from) / span, 0.0), 1.0)
        return self._left + share * (self._right - self._left)

    def _y(self, y: float) -> float:
        return self._bottom - min(max(y / self._top_y, 0.0), 1.0) * (self._bottom - _TOP)

    def _grid(self) -> Iterator[Markup]:
        yield Markup('<text x="0" y="12">{}</text>').format(self._plot.title)
        for number in range(round(self._top_y / self._step) + 1):
            y = self._y(number * self._step)
            label = self._plot.number(number * self._step)
            yield Markup('<path class="hair" d="M{} {:.1f}H{}"/>').format(self._left, y, self._right)
            yield Markup('<text class="end" x="{}" y="{:.1f}">{}</text>').format(self._left - 6, y + 4, label)
        after = -math.inf
        for tick in self._plot.ticks:
            x = self._x(tick.x)
            yield Markup('<path class="axis" d="M{:.1f} {}v5"/>').format(x, self._bottom)
            if x + 3 > after and x + 3 + _text_px(tick.text) <= self.width:
                after = x + 9 + _text_px(tick.text)
                yield Markup('<text x="{:.1f}" y="{}">{}</text>').format(x + 3, self._bottom + 17, tick.text)

    def _missing(self) -> Iterator[Markup]:
        for span in self._plot.came:
            if span.came in ("missing", "quarantined"):
                x, wide = self._span(span)
                yield Markup('<rect class="came-none" x="{:.1f}" y="{}" width="{:.1f}" height="{}"/>').format(
                    x, _TOP, wide, self._bottom - _TOP
                )

    def _span(self, span: CameOnAxis) -> tuple[float, float]:
        x = self._x(span.from_x)
        return x, max(self._x(span.until_x) - x, 2.0)

    def _forecast(self) -> Iterator[Markup]:
        outlook, limit = self._plot.outlook, self._plot.limit
        if outlook is None or limit is None or not self._plot.points:
            return
        begin = self._x(self._plot.now.x), self._y(self._plot.points[-1][1])
        limit_y, until = self._y(limit.x), self._plot.until
        early, likely, late = (
            self._towards(begin, x, limit_y) for x in (outlook.early, outlook.likely, outlook.late)
        )
        corner = [(float(self._right), limit_y)] if outlook.early <= until < outlook.late else []
        yield Markup('<path class="band" d="{}Z"/>').format(_path([begin, early, *corner, late]))
        yield Markup('<path class="likely" d="{}"/>').format(_path([begin, likely]))
        if outlook.early <= until:
            yield Markup('<path class="span" d="M{0:.1f} {1:.1f}v12M{0:.1f} {2:.1f}H{3:.1f}"/>').format(
                early[0], limit_y - 6, limit_y, late[0]
            )
        if outlook.likely <= until:
            yield Markup('<path class="spanmid" d="M{:.1f} {:.1f}v20"/>').format(likely[0], limit_y - 10)
        if outlook.late <= until:
            yield Markup('<path class="span" d="M{:.1f} {:.1f}v12"/>').format(late[0], limit_y - 6)

    def _towards(self, begin: tuple[float, float], x: float, limit_y: float) -> tuple[float, float]:
        """Where the way from now to the limit at x ends: there, or at the edge of the paper."""
        if x <= self._plot.until:
            return self._x(x), limit_y
        span = self._plot.until - self._plot.now.x
        share = 0.0 if math.isinf(x) else span / (x - self._plot.now.x)
        return float(self._right), begin[1] + share * (limit_y - begin[1])

    def _outlook_words(self) -> Iterator[Markup]:
        """Right of now, where no data lie; where the paper is too narrow for them, above the plot."""
        outlook, limit = self._plot.outlook, self._plot.limit
        if outlook is None or limit is None or not self._plot.points or not outlook.lines:
            return
        x, high = self._x(self._plot.now.x) + 6, 15 * len(outlook.lines)
        if x + max(map(_text_px, outlook.lines)) > self.width:
            yield from self._words_above(outlook.lines)
            return
        limit_y = self._y(limit.x)
        below_y = max(limit_y + 40, self._y(self._plot.points[-1][1]) + 34)
        above_y, lowest_y = limit_y - high - 4, self._bottom - high - 12
        # Under a level near zero there is no room: then over the limit, where no line is ahead of now.
        y = above_y if below_y > lowest_y and above_y >= _TOP + 8 else min(below_y, lowest_y)
        for number, line in enumerate(outlook.lines):
            yield Markup('<text class="{}" x="{:.1f}" y="{:.1f}">{}</text>').format(
                "strong" if number == 1 else "", x, y + 15 * number, line
            )

    def _words_above(self, lines: Sequence[str]) -> Iterator[Markup]:
        """The likely date; early and late too, where the line has room for them."""
        likely = " ".join(lines[:2])
        both = f"{likely}; {lines[2]}" if len(lines) > 2 else likely
        text = both if _text_px(both) <= self.width else likely
        yield Markup('<text x="0" y="27">{}</text>').format(text)

    def _limit(self) -> Iterator[Markup]:
        if self._plot.limit is None:
            return
        y = self._y(self._plot.limit.x)
        yield Markup('<path class="limit" d="M{0} {1:.1f}H{2}M{0} {3:.1f}H{2}"/>').format(
            self._left, y - 1.5, self._right, y + 1.5
        )

    def _limit_words(self) -> Iterator[Markup]:
        """Over the ink of a level that went beyond the limit, so that they are read."""
        if self._plot.limit is not None:
            yield Markup('<text class="strong" x="{}" y="{:.1f}">{}</text>').format(
                self._left + 4, self._y(self._plot.limit.x) - 7, self._plot.limit.text
            )

    def _line(self) -> str:
        """The points in steps of some pixels; a new line after a gap and at a change."""
        changes = sorted(mark.x for mark in self._plot.changes)
        path: list[str] = []
        last: float | None = None
        for x, y in self._steps():
            crosses = last is not None and any(last < change <= x for change in changes)
            joins = last is not None and x - last <= self._plot.longest_gap and not crosses
            path.append(f"{'L' if joins else 'M'}{self._x(x):.1f} {self._y(y):.1f}")
            last = x
        return "".join(path)

    def _steps(self) -> Iterator[tuple[float, float]]:
        wide = (self._plot.until - self._from) * _PX_A_POINT / (self._right - self._left)
        starts = sorted(mark.x for mark in self._plot.changes)
        steps: dict[tuple[int, int], list[tuple[float, float]]] = {}
        for x, y in self._plot.points:
            life = sum(start <= x for start in starts)
            steps.setdefault((life, int((x - self._from) // max(wide, 1e-9))), []).append((x, y))
        for inside in steps.values():
            yield median(x for x, _ in inside), median(y for _, y in inside)

    def _changes(self) -> Iterator[Markup]:
        after = -math.inf
        for mark in self._plot.changes:
            x = self._x(mark.x)
            yield Markup('<path class="change" d="M{:.1f} {}V{}"/>').format(x, _TOP - 14, self._bottom)
            if x + 3 > after and x + 3 + _text_px(mark.text) <= self.width:
                after = x + 9 + _text_px(mark.text)
                yield Markup('<text x="{:.1f}" y="{}">{}</text>').format(x + 3, _TOP - 6, mark.text)

    def _now(self) -> Iterator[Markup]:
        x = self._x(self._plot.now.x)
        yield Markup('<path class="axis" d="M{:.1f} {}V{}"/>').format(x, _TOP, self._bottom)
        yield Markup('<text class="end" x="{:.1f}" y="{}">{}</text>').format(
            x - 4, self._bottom - 6, self._plot.now.text
        )

    def _strip(self) -> Iterator[Markup]:
        y = self._bottom + _AXIS + 6
        for span in self._plot.came:
            x, wide = self._span(span)
            if span.came == "live":
                yield _rect("came-live", x, y + 4.5, wide, 3)
            elif span.came in ("late", "bundle"):
                yield _rect(f"came-{span.came}", x, y, wide, 12)
                yield _rect("frame", x, y, wide, 12)
            else:
                yield _rect("came-none", x, y, wide, 12)


def to_zoom(plot: Plot) -> dict[str, list[float | None] | float | None]:
    """
    Every point of a plot, for a script that zooms: x, y, the limit.

    Where no line is drawn, at a gap or a change, y is null.
    """
    changes = [mark.x for mark in plot.changes]
    x_of: list[float | None] = []
    y_of: list[float | None] = []
    last: float | None = None
    for x, y in plot.points:
        crosses = last is not None and any(last < change <= x for change in changes)
        if last is not None and (crosses or x - last > plot.longest_gap):
            x_of.append((last + x) / 2)
            y_of.append(None)
        x_of.append(round(x, 3))
        y_of.append(round(y, 4))
        last = x
    return {"x": x_of, "y": y_of, "limit": None if plot.limit is None else plot.limit.x}


def key_mark(came: str) -> Markup:
    """How a way of coming looks, for the key in words."""
    body = {
        "live": _rect("came-live", 0.5, 4.5, 25, 3),
        "late": _rect("came-late", 0.5, 0.5, 25, 11) + _rect("frame", 0.5, 0.5, 25, 11),
        "bundle": _rect("came-bundle", 0.5, 0.5, 25, 11) + _rect("frame", 0.5, 0.5, 25, 11),
    }.get(came, _rect("came-none", 0.5, 0.5, 25, 11))
    head = Markup('<svg width="26" height="12" viewBox="0 0 26 12" aria-hidden="true">')
    return head + body + Markup("</svg>")


def _rect(name: str, x: float, y: float, wide: float, high: float) -> Markup:
    return Markup('<rect class="{}" x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}"/>').format(
        name, x, y, wide, high
    )


def _path(places: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in places)


def _text_px(text: str) -> float:
    """About how wide a label is at 12 px."""
    return 6.4 * len(text)


def _axis(highest: float, most: int) -> tuple[float, float]:
    """A step of the axis, 1, 2 or 5 of a power of ten, and where the axis ends."""
    rough = highest / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * many for many in (1, 2, 5, 10) if power * many >= rough)
    return step, step * math.ceil(highest / step)


def every_width(plot: Plot) -> Markup:
    """The plot for each class of width; the style sheet shows one."""
    return Markup("").join(draw(plot, name) for name in WIDTHS)
