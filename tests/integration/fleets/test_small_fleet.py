"""
A small fleet from another pen, posted and read over the API in this process, and scored: a floor.

The bounds are today's figures with a little room, so that a change that makes the analysis worse shows here.
The figures that matter are those of `tests.benchmark.bench_other_fleets` on the fleets kept out of tuning.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fleets.in_process import watch_in_process
from tests.fleets.making import make_fleet
from tests.fleets.report import Figure, figures
from tests.fleets.score import score_fleet

MACHINES, DAYS, SEED, INTERVAL_S = 5, 50, 14, 300.0


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Figure]:
    """The figures of the fleet by name."""
    folder: Path = tmp_path_factory.mktemp("fleet")
    fleet = make_fleet("plateau", machines=MACHINES, days=DAYS, seed=SEED, interval_s=INTERVAL_S)
    said = watch_in_process(fleet, folder)
    return {figure.name: figure for figure in figures(score_fleet(fleet, said))}


#: figure -> how many it counts, and the worst that it may be
AT_LEAST = {
    "new element found or asked about": (4, 0.75),
    "missing after service: in a day's work, kept": (1, 1.0),
    "monitors swapped: in a day's work, kept": (2, 1.0),
    "plugged tap: in a day's work, kept": (1, 1.0),
    "ports swapped: in a day's work, kept": (1, 1.0),
    "tube off, flow measure: in a day's work, kept": (1, 1.0),
    "unit of the limit: in a day's work, kept": (1, 1.0),
    "zero moved, large: in a day's work, kept": (1, 1.0),
    "true 14 d left, latch: 80 % interval holds": (26, 0.77),
    "true 14 d left, latch by its own date: 80 % interval holds": (26, 0.84),
    "latched, warned the evening before": (3, 1.0),
    "latched, warned a week before": (3, 1.0),
}
AT_MOST = {
    "false changes a machine-year": (0, 0.0),
    "false suspicions a machine-year": (0, 0.0),
    "cost of a date in days, late x 3": (139, 9.5),
    "share used above 70 %, median error in points, elements seen new": (4, 6.0),
    "at most 14 d to the latch, shown as in service": (74, 0.02),
    "fault present, shown as in service": (24, 0.02),
}


@pytest.mark.parametrize("name", AT_LEAST)
def test_the_small_fleet_is_judged_no_worse_than_before(watched: dict[str, Figure], name: str) -> None:
    count, least = AT_LEAST[name]
    assert watched[name].count == count  # else the fleet or the score has changed: set the bounds again
    assert watched[name].value >= least


@pytest.mark.parametrize("name", AT_MOST)
def test_the_small_fleet_raises_no_more_alarms_than_before(watched: dict[str, Figure], name: str) -> None:
    _, most = AT_MOST[name]
    assert watched[name].value <= most
