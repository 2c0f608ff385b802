"""What a run found, as tables, for a program and as a page that needs nothing beside it."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest
from hdrh.histogram import HdrHistogram
from rich.console import Console

from cleanside.simulator.held_check import HeldWrongly
from cleanside.simulator.load_page import page_of
from cleanside.simulator.load_plot import Curve, drawn, marks, marks_in_powers
from cleanside.simulator.load_report import LoadOutcome, document_of, render
from cleanside.simulator.load_timings import MOST_SLICES, Figures
from tests.unit.simulator.test_load_patterns import plan


def outcome(*findings: HeldWrongly, lag_s: float = 0.001) -> LoadOutcome:
    figures = Figures(60.0)
    for second in range(60):
        figures.now(second).sampled += 5
        figures.now(second).acknowledged += 5
        figures.live.add(0.010 + 0.001 * second, slice_number=figures.slice_at(second))
        figures.lag.add(lag_s, slice_number=figures.slice_at(second))
    figures.outcomes.update({"200": 300, "<b>reset</b>": 1})
    figures.sampled = figures.acknowledged = 300
    return LoadOutcome(
        plan=plan("outage"), figures=figures, sampled=[30] * 10, took_s=61.0, findings=findings
    )


LOST = HeldWrongly("lost", "load-a1b2c3-0001", 2, "not shown: 7, 8")


def printed(given: LoadOutcome) -> str:
    text = io.StringIO()
    render(given, Console(file=text, width=160))
    return text.getvalue()


def test_all_of_it_holds_only_where_all_was_acknowledged_and_checked() -> None:
    assert outcome().holds
    assert not outcome(LOST).holds
    assert not replace(outcome(), findings=None).holds
    assert not replace(outcome(), troubles=["1 machine still waited"]).holds


def test_a_finding_is_named_and_counted() -> None:
    assert "load-a1b2c3-0001" in printed(outcome(LOST))
    assert document_of(outcome(LOST))["check"]["lost"] == 2
    assert document_of(outcome())["check"] == dict.fromkeys(
        ("lost", "doubled", "reordered", "misplaced", "changed"), 0
    )


def test_a_generator_that_measures_itself_says_so() -> None:
    assert document_of(outcome())["warnings"] == []
    assert len(document_of(outcome(lag_s=0.5))["warnings"]) == 1
    assert document_of(outcome(lag_s=0.5))["warnings"][0] in printed(outcome(lag_s=0.5))


def test_the_report_for_a_program_carries_the_whole_histogram() -> None:
    document = json.loads(json.dumps(document_of(outcome())))
    live = document["latencies"]["live, from when it was due"]
    again = HdrHistogram.decode(live["hdr_histogram_tenths_of_ms"])
    assert again.get_total_count() == live["count"] == 60
    assert again.get_value_at_percentile(99) / 10 == live["percentiles_ms"]["99"]
    assert sum(part["sampled"] for part in document["slices"]) == document["sampled"] == 300


class Page(HTMLParser):
    """The tags of a page, and whether each is closed."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes += attrs
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_is_whole_and_loads_nothing() -> None:
    text = page_of(outcome(LOST))
    page = Page()
    page.feed(text)
    assert page.open == []
    assert page.tags.isdisjoint({"script", "link", "img", "iframe", "object"})
    assert {name for name, _ in page.attributes}.isdisjoint({"src", "href", "style", "onload"})
    assert "url(" not in text
    assert "@import" not in text
    assert "&lt;b&gt;reset" in text


def test_each_plot_has_its_numbers_in_a_table() -> None:
    text = page_of(outcome())
    assert text.count("<svg") == 3
    assert text.count("<tr><td>") > 60


@pytest.mark.parametrize("highest", [0, 0.004, 1, 7, 10, 99, 100_001])
def test_an_axis_reaches_the_highest_value_in_a_few_round_steps(highest: float) -> None:
    found = marks(highest)
    assert found[0] == 0
    assert found[-1] >= highest
    assert 2 <= len(found) <= 7


def test_an_axis_in_powers_holds_every_value() -> None:
    assert marks_in_powers([0.0, 3.0, 5_000.0]) == [1.0, 10.0, 100.0, 1_000.0, 10_000.0]
    assert marks_in_powers([]) == [1.0, 10.0]


def test_a_plot_is_sound_xml_and_stays_in_its_frame() -> None:
    text = drawn(
        [Curve("a & b", "first", [(0.0, 0.0), (30.0, 4_000.0), (60.0, 12.0)])], unit="ms", in_powers=True
    )
    root = ElementTree.fromstring(text)
    line = next(element for element in root if element.tag == "polyline")
    points = [tuple(map(float, pair.split(","))) for pair in line.attrib["points"].split()]
    assert all(0 <= x <= 800 and 0 <= y <= 260 for x, y in points)
    assert re.search("a &amp; b", text)


def test_a_long_run_has_no_more_slices_than_a_plot_shows() -> None:
    figures = Figures(86_400.0)
    assert figures.slice_at(86_399.0) < MOST_SLICES
