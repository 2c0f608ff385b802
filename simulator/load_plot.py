"""
Curves over the time of a run, as SVG that needs nothing beside it.

Promises: pure. An axis begins at 0, or at a power of ten where it is in powers.
Leaves to others: colours (the page's style), the numbers as a table (`load_page.py`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

WIDTH: Final = 800
HEIGHT: Final = 260
_LEFT, _RIGHT, _TOP, _BOTTOM = 70, 110, 14, 36
MARKS: Final = 5  # on an axis, about


@dataclass(frozen=True, slots=True)
class Curve:
    """Points of one quantity over time, in order of time. [s], and the plot's unit"""

    name: str
    #: class of its colour
    kind: str
    points: Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class SpanOfTime:
    """A span of the run that is shaded. [s]"""

    first_s: float
    last_s: float
    name: str


def drawn(
    curves: Sequence[Curve], *, unit: str, trouble: SpanOfTime | None = None, in_powers: bool = False
) -> str:
    """The plot. in_powers : the axis is logarithmic. Without a point it says so."""
    points = [point for curve in curves for point in curve.points]
    if not points:
        return "<p>There is nothing to draw.</p>"
    last_s = max(1.0, *(s for s, _ in points), trouble.last_s if trouble else 0.0)
    heights = marks_in_powers([v for _, v in points]) if in_powers else marks(max(v for _, v in points))
    across = _scale(0.0, last_s, _LEFT, WIDTH - _RIGHT)
    level = (lambda v: math.log10(max(v, heights[0]))) if in_powers else float
    up = _scale(level(heights[0]), level(heights[-1]), HEIGHT - _BOTTOM, _TOP)
    parts = [_shade(trouble, across)] if trouble else []
    parts += [_rule(up(level(value)), f"{value:,g}") for value in heights]
    parts += [
        f'<text x="{across(s):.1f}" y="{HEIGHT - 18}" text-anchor="middle">{s:,g}</text>'
        for s in marks(last_s)
    ]
    for number, curve in enumerate(curves):
        parts += _curve(curve, across, lambda v: up(level(v)), number)
    names = " and ".join(curve.name for curve in curves)
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img"><title>{escape(f"{names} over time")}</title>'
        + "".join(parts)
        + f'<text x="{_LEFT}" y="{HEIGHT - 2}">time [s], vertical [{escape(unit)}]</text></svg>'
    )


def marks(highest: float) -> list[float]:
    """Round numbers from 0 to at least the highest, about `MARKS` of them."""
    if highest <= 0:
        return [0.0, 1.0]
    rough = highest / MARKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough)
    return [step * n for n in range(math.ceil(highest / step) + 1)]


def marks_in_powers(values: Sequence[float]) -> list[float]:
    """Powers of ten around all values above 0."""
    above = [value for value in values if value > 0] or [1.0]
    lowest = math.floor(math.log10(min(above)))
    highest = max(lowest + 1, math.ceil(math.log10(max(above))))
    return [10.0**power for power in range(lowest, highest + 1)]


def _scale(low: float, high: float, first: float, last: float) -> Callable[[float], float]:
    return lambda value: first + (value - low) / (high - low) * (last - first)


def _shade(span: SpanOfTime, across: Callable[[float], float]) -> str:
    first, last = across(span.first_s), across(span.last_s)
    rectangle = f'<rect class="trouble" x="{first:.1f}" y="{_TOP}" width="{last - first:.1f}" '
    rectangle += f'height="{HEIGHT - _BOTTOM - _TOP}"/>'
    return rectangle + f'<text x="{first + 4:.1f}" y="{_TOP + 12}">{escape(span.name)}</text>'


def _rule(y: float, text: str) -> str:
    return (
        f'<line class="rule" x1="{_LEFT}" x2="{WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
        f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{text}</text>'
    )


def _curve(
    curve: Curve, across: Callable[[float], float], up: Callable[[float], float], number: int
) -> list[str]:
    if not curve.points:
        return []
    path = " ".join(f"{across(s):.1f},{up(v):.1f}" for s, v in curve.points)
    name = f'<text class="{curve.kind}" x="{WIDTH - _RIGHT + 8}" y="{_TOP + 16 + 18 * number}">'
    return [f'<polyline class="curve {curve.kind}" points="{path}"/>', f"{name}{escape(curve.name)}</text>"]
