"""
The small drawings of a row: mark of a state, ruler, trend, dates. SVG, so that paper prints them too.

Promises: pure; each supports words beside it and is hidden from screen readers. The nearer a change, the more
ink. No line crosses a gap or a change.
Leaves to others: colours and line widths (`static/look.css`), the large plot (`plot`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache, lru_cache

from markupsafe import Markup

#: state -> inked pleats of its mark, and the class of the ink; others have marks without ink
INK = {"serving": 1, "plan": 2, "due": 3, "over": 4}
_PLEATS = tuple((1 + 8 * i, 5 + 8 * i, 9 + 8 * i) for i in range(4))
_OUTLINE = "M1 13.5L5 2.5L9 13.5L13 2.5L17 13.5L21 2.5L25 13.5L29 2.5L33 13.5"
_ONE_OUT_OF_LINE = "M1 13.5L5 2.5L9 13.5L13 2.5L15 8M18.5 5.5L21 -1.5L25 9.5M25 13.5L29 2.5L33 13.5"
_DASHED = '<path class="pleat" stroke-dasharray="2 2.4" d="M1 13.5H33"/>'

#: the calendar of a row: days, and where its first and last lie [px]
CALENDAR_DAYS, CALENDAR_WIDTH, _FIRST_X, _LAST_X = 28, 232, 2.0, 230.0
TREND_WIDTH, TREND_HEIGHT, _TOP_Y, _BOTTOM_Y = 104, 38, 7.4, 33.0
SURVIVAL_WIDTH, SURVIVAL_HEIGHT = 420, 120
#: the ruler: the limit lies at this share of its width [%]
_LIMIT_AT = 86.0
_MOST_PERCENT = 112.0  # drawn; beyond that the ink goes no further


@cache  # of few states, in each row of a list
def state_mark(state: str) -> Markup:
    """Four pleats, inked one by one; over the limit with the double line on their tips."""
    if state == "silent":
        return _svg(34, 15, _DASHED)
    if state == "suspect":
        return _svg(34, 15, f'<path class="pleat" stroke-width="1.6" d="{_ONE_OUT_OF_LINE}"/>')
    inked = INK.get(state, 0)
    if not inked:
        return _svg(34, 15, f'<path class="pleat" d="{_OUTLINE}"/>')
    pleats = "".join(
        f'<path class="{f"f{inked}" if i < inked else "pleat"}" '
        f'd="M{a} 13.5L{b} 2.5L{c} 13.5{"Z" if i < inked else ""}"/>'
        for i, (a, b, c) in enumerate(_PLEATS)
    )
    limit = '<path class="limit" d="M0 -.5H34M0 -3H34"/>' if state == "over" else ""
    return _svg(34, 15, limit + pleats)


@lru_cache(maxsize=4096)  # the same until a machine is judged again
def ruler(percent: float | None, state: str, width: int = 118) -> Markup:
    """
    Used, from clean to the limit: ink below the line, the limit as a double line.

    percent : None = not judged, the ruler has no ink. width : of the drawing. [px]
    """
    limit_x = round(2 + (width - 4) * _LIMIT_AT / 100)
    ticks = "".join(
        f'<path class="axis" d="M{2 + (limit_x - 2) * part / 4:.1f} 15v{-4 if part % 2 == 0 else -2.5}"/>'
        for part in range(4)
    )
    parts = [f'<path class="axis" d="M2 15H{width - 2}"/>', ticks]
    if percent is not None:
        ink = f"f{INK[state]}" if state in INK else "pleat"
        used_px = (limit_x - 2) * min(max(percent, 0.0), _MOST_PERCENT) / 100
        parts.append(f'<rect class="{ink}" x="2" y="15" width="{used_px:.1f}" height="6"/>')
    parts.append(f'<rect class="paper" x="{limit_x - 1.5}" y="4" width="6" height="20"/>')
    parts.append(f'<path class="limit" d="M{limit_x} 4V24M{limit_x + 3} 4V24"/>')
    return _svg(width, 24, "".join(parts))


def date_span(early_days: float, likely_days: float, late_days: float) -> Markup:
    """
    Early, likely and late on the next four weeks: thin ends, thick middle; beyond them an arrow.

    Each in days from the start of the calendar; below 0 = it has been.
    """
    early, likely, late = (_calendar_x(days) for days in (early_days, likely_days, late_days))
    if early_days > CALENDAR_DAYS:
        return _svg(CALENDAR_WIDTH, 18, '<path class="span" d="M216 5L221 9L216 13"/>')
    parts = [f'<path class="span" d="M{early:.1f} 9H{late:.1f}M{early:.1f} 5.5v7"/>']
    if likely_days <= CALENDAR_DAYS:
        parts.append(f'<path class="spanmid" d="M{likely:.1f} 1v16"/>')
    is_inside = late_days <= CALENDAR_DAYS
    end = f"M{late:.1f} 5.5v7" if is_inside else "M226 5L231 9L226 13"
    parts.append(f'<path class="span" d="{end}"/>')
    return _svg(CALENDAR_WIDTH, 18, "".join(parts))


def calendar_head(labels: Sequence[str]) -> Markup:
    """The weeks over a column of date spans. labels : of the start of each week, at most four."""
    return _calendar_head(tuple(labels))


@lru_cache(maxsize=64)  # the same in every row of a page
def _calendar_head(labels: tuple[str, ...]) -> Markup:
    week_px = (_LAST_X - _FIRST_X) / 4
    texts = Markup("").join(
        Markup('<text x="{:.1f}" y="12">{}</text>').format(_FIRST_X + 3 + i * week_px, label)
        for i, label in enumerate(labels)
    )
    ticks = "".join(f'<path class="axis" d="M{_FIRST_X + i * week_px:.1f} 3V16"/>' for i in range(5))
    return _svg(CALENDAR_WIDTH, 16, texts + Markup(ticks))


@lru_cache(maxsize=2048)  # the same for two days, or until a machine is judged again
def trend(
    levels_pa: tuple[float | None, ...],
    *,
    changes: tuple[int, ...] = (),
    limit_pa: float | None = None,
    clean_pa: float | None = None,
) -> Markup:
    """
    A small trend, one level a step, oldest first; None = nothing was read then.

    changes : steps at which an element life began; the line is broken before them.
    """
    seen = [level for level in levels_pa if level is not None]
    if not seen:
        return _svg(TREND_WIDTH, TREND_HEIGHT, "")
    bottom_pa = min([*seen, *([clean_pa] if clean_pa is not None else [])])
    top_pa = limit_pa if limit_pa is not None and limit_pa > bottom_pa else max(*seen, bottom_pa + 1)
    per_pa = (_BOTTOM_Y - 4 - _TOP_Y) / (top_pa - bottom_pa)
    step_px = (TREND_WIDTH - 2) / max(1, len(levels_pa) - 1)

    def place(step: int, level_pa: float) -> str:
        y = max(1.0, _TOP_Y + (top_pa - level_pa) * per_pa)
        return f"{1 + step * step_px:.1f} {y:.1f}"

    parts = []
    if limit_pa is not None:
        parts.append(f'<path class="limit" d="M0 {_TOP_Y}H{TREND_WIDTH}"/>')
    if clean_pa is not None:
        clean_y = _TOP_Y + (top_pa - clean_pa) * per_pa
        parts.append(f'<path class="hair" d="M0 {clean_y:.1f}H{TREND_WIDTH}"/>')
    parts += [f'<path class="axis" d="M{1 + at * step_px:.1f} {TREND_HEIGHT}v-6"/>' for at in changes]
    parts.append(f'<path class="data" d="{_line(levels_pa, set(changes), place)}"/>')
    last = max(step for step, level in enumerate(levels_pa) if level is not None)
    x, y = place(last, levels_pa[last] or 0.0).split()
    parts.append(f'<circle class="dots" cx="{x}" cy="{y}" r="2.4"/>')
    return _svg(TREND_WIDTH, TREND_HEIGHT, "".join(parts))


def survival(
    hours: Sequence[float],
    share: Sequence[float],
    low: Sequence[float],
    high: Sequence[float],
    longest: float,
) -> Markup:
    """
    The share that lasts longer, as steps over operating hours, in its interval. longest : of the axis. [h]

    Ticks at each quarter of the axis; the line begins at the upper left: all last longer than no hours.
    """
    left, right, top, bottom = 2.0, SURVIVAL_WIDTH - 2.0, 4.0, SURVIVAL_HEIGHT - 8.0

    def steps(values: Sequence[float]) -> list[tuple[float, float]]:
        found, level = [(left, top)], top
        for at_h, value in zip(hours, values, strict=True):
            x = left + (right - left) * at_h / longest
            y = bottom - (bottom - top) * value
            found += [(x, level), (x, y)]
            level = y
        return found

    def path(places: Sequence[tuple[float, float]]) -> str:
        return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in places)

    ticks = "".join(
        f'<path class="axis" d="M{left + (right - left) * n / 4:.1f} {bottom}v5"/>' for n in range(5)
    )
    band = f'<path class="band" d="{path(steps(high))}L{path(steps(low)[::-1])[1:]}Z"/>'
    line = f'<path class="data" d="{path(steps(share))}"/>'
    axis = f'<path class="axis" d="M{left} {bottom}H{right}"/>'
    return _svg(SURVIVAL_WIDTH, SURVIVAL_HEIGHT, band + axis + ticks + line)


def bar(share: float, is_running: bool) -> Markup:
    """A length beside the longest, 0 to 1; outlined while it still grows."""
    ink = "pleat" if is_running else "dots"
    return _svg(
        120, 12, f'<rect class="{ink}" x="1" y="2" width="{118 * min(max(share, 0.0), 1.0):.1f}" height="8"/>'
    )


def _line(levels_pa: Sequence[float | None], changes: set[int], place: Callable[[int, float], str]) -> str:
    path, drawing = [], False
    for step, level in enumerate(levels_pa):
        if level is None:
            drawing = False
            continue
        path.append(f"{'L' if drawing and step not in changes else 'M'}{place(step, level)}")
        drawing = True
    return "".join(path)


def _calendar_x(days: float) -> float:
    return _FIRST_X + (_LAST_X - _FIRST_X) * min(max(days, 0.0), CALENDAR_DAYS) / CALENDAR_DAYS


def _svg(width: int, height: int, content: str) -> Markup:
    head = f'<svg width="{width}" height="{height}" viewBox="0 0 {width} {height}" aria-hidden="true">'
    return Markup(f"{head}{content}</svg>")  # of numbers of ours, and texts escaped before
