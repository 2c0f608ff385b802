"""What is drawn of a machine: no line over a gap or a change, a forecast as a span, words that fit."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from cleanside.ingest.console.drawing import date_span, ruler, state_mark, trend
from cleanside.ingest.console.plot import (
    WIDTHS,
    AxisMark,
    CameOnAxis,
    Plot,
    PlottedOutlook,
    draw,
    every_width,
    to_zoom,
)

DAY_S = 86_400.0
PLOT = Plot(
    points=[(day * DAY_S, 2.0 + day / 10) for day in range(30)],
    longest_gap=4 * DAY_S,
    now=AxisMark(x=30 * DAY_S, text="today"),
    until=45 * DAY_S,
    changes=[],
    ticks=[AxisMark(x=day * DAY_S, text=f"day {day}") for day in range(0, 45, 7)],
    limit=AxisMark(x=6.2, text="change limit 6.20 kPa"),
    outlook=PlottedOutlook(
        early=33 * DAY_S, likely=36 * DAY_S, late=41 * DAY_S, lines=["at the limit", "4 Dec", "1 – 9"]
    ),
    came=[],
    number=lambda level: f"{level:g}",
    title="Restriction, kPa",
    spoken="a plot",
)


def starts(path: str) -> int:
    return path.count("M")


def data_of(drawn: str) -> str:
    found = re.search(r'class="data" d="([^"]+)"', drawn)
    assert found is not None
    return found[1]


@pytest.mark.parametrize("name", WIDTHS)
def test_an_unbroken_series_is_one_line_within_the_paper(name: str) -> None:
    drawn = draw(PLOT, name)
    assert starts(data_of(drawn)) == 1
    x = [float(number) for number in re.findall(r"[ML]([\d.]+) ", data_of(drawn))]
    assert 0 < min(x) <= max(x) < WIDTHS[name]


def words_of(drawn: str) -> list[tuple[float, float, str]]:
    """Places and texts of the outlook's words."""
    found = re.findall(r'<text class="(?:strong)?" x="([\d.]+)" y="([\d.]+)">([^<]+)</text>', drawn)
    places = [(float(x), float(y), text) for x, y, text in found]
    return [place for place in places if PLOT.outlook is not None and place[2] in PLOT.outlook.lines]


def test_the_words_of_the_forecast_lie_over_the_limit_where_the_level_leaves_no_room_below() -> None:
    """They lay over the line and the fan that they name."""
    low = replace(PLOT, points=[(x, 1.0) for x, _ in PLOT.points], until=75 * DAY_S)
    drawn = draw(low, "plot-d")
    [limit_y] = map(float, re.findall(r'class="limit" d="M\d+ ([\d.]+)', drawn))
    assert [text for *_, text in words_of(drawn)] == ["at the limit", "4 Dec", "1 – 9"]
    assert all(y < limit_y for _, y, _ in words_of(drawn))
    high = draw(replace(low, points=[(x, 4.5) for x, _ in PLOT.points]), "plot-d")
    assert all(y > limit_y for _, y, _ in words_of(high))


def test_on_narrow_paper_the_words_of_the_forecast_stand_above_the_plot() -> None:
    assert PLOT.outlook is not None
    lines = [*PLOT.outlook.lines, "likely: beyond the right edge"]
    drawn = draw(replace(PLOT, outlook=replace(PLOT.outlook, lines=lines)), "plot-a")
    assert words_of(drawn) == []
    assert '<text x="0" y="27">at the limit 4 Dec; 1 – 9</text>' in drawn


def test_no_line_crosses_a_gap() -> None:
    points = [point for point in PLOT.points if not 10 * DAY_S < point[0] < 16 * DAY_S]
    assert starts(data_of(draw(replace(PLOT, points=points), "plot-d"))) == 2


def test_no_line_crosses_a_change() -> None:
    changed = replace(PLOT, changes=[AxisMark(x=14.5 * DAY_S, text="23 Sep")])
    assert starts(data_of(draw(changed, "plot-d"))) == 2


def test_missing_readings_have_an_empty_place_in_plot_and_strip() -> None:
    came = [CameOnAxis(from_x=3 * DAY_S, until_x=4 * DAY_S, came="missing")]
    assert draw(replace(PLOT, came=came), "plot-d").count("came-none") == 2


def test_a_forecast_that_ends_beyond_the_paper_has_no_end() -> None:
    assert PLOT.outlook is not None
    far = replace(PLOT, outlook=replace(PLOT.outlook, late=float("inf")))
    assert draw(PLOT, "plot-d").count('class="span"') == 2
    assert draw(far, "plot-d").count('class="span"') == 1
    wholly = replace(
        PLOT, outlook=PlottedOutlook(early=90 * DAY_S, likely=95 * DAY_S, late=99 * DAY_S, lines=[])
    )
    assert 'class="span"' not in draw(wholly, "plot-d")
    assert 'class="band"' in draw(wholly, "plot-d")


def test_words_are_text() -> None:
    drawn = draw(replace(PLOT, spoken='"><script>', title="<b>"), "plot-a")
    assert "<script>" not in drawn
    assert "<b>" not in drawn


def test_each_class_of_width_has_its_own_drawing() -> None:
    assert re.findall(r'<svg class="([\w-]+)"', every_width(PLOT)) == list(WIDTHS)


def test_without_readings_there_is_paper_only() -> None:
    assert data_of(draw(replace(PLOT, points=[(0.0, 1.0)], outlook=None, limit=None), "plot-a")).startswith(
        "M"
    )


# ---------------------------------------------------------------- small drawings


def test_the_mark_inks_a_pleat_more_the_nearer_the_change() -> None:
    inked = {
        state: len(re.findall(r'class="f\d"', state_mark(state)))
        for state in ("serving", "plan", "due", "over")
    }
    assert inked == {"serving": 1, "plan": 2, "due": 3, "over": 4}
    assert all(
        not re.search(r'class="f\d"', state_mark(state)) for state in ("silent", "suspect", "running-in")
    )


def test_the_ink_ends_at_the_limit_and_goes_beyond_it() -> None:
    def ink(percent: float) -> float:
        found = re.search(r'<rect class="f\d" x="2" y="15" width="([\d.]+)"', ruler(percent, "over"))
        assert found is not None
        return float(found[1])

    assert ink(50) == pytest.approx(ink(100) / 2, abs=0.1)
    assert ink(112) > ink(100)
    assert ink(500) == ink(112)


def test_a_ruler_that_is_not_judged_has_no_ink() -> None:
    assert not re.search(r'class="f\d"', ruler(None, "running-in"))


def test_the_small_trend_breaks_at_a_gap_and_at_a_change() -> None:
    levels = (2.0, 2.1, None, 2.3, 2.4, 1.0, 1.1)
    assert starts(data_of(trend(levels, changes=(5,), limit_pa=6.2, clean_pa=1.0))) == 3


def test_dates_beyond_four_weeks_are_an_arrow() -> None:
    assert date_span(30, 40, 50).count("path") == 1
    assert 'class="spanmid"' in date_span(3, 9, 14)
    assert 'class="spanmid"' not in date_span(3, float("inf"), float("inf"))


def test_to_zoom_every_point_is_there_and_gaps_and_changes_are_null() -> None:
    changed = replace(PLOT, changes=[AxisMark(x=14.5 * DAY_S, text="23 Sep")])
    found = to_zoom(changed)
    assert isinstance(found["y"], list)
    assert [level for level in found["y"] if level is not None] == pytest.approx([y for _, y in PLOT.points])
    assert found["y"].count(None) == 1
    assert found["limit"] == 6.2
