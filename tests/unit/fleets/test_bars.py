"""The trade between findings and false alarms, at a tiny size."""

from __future__ import annotations

from tests.benchmark.bench_bars import BARS, CAUSES, lines, look
from tests.fleets.making import make_fleet
from tests.fleets.score import score_fleet


def test_each_line_has_false_alarms_and_what_was_found_with_other_bars() -> None:
    fleet = make_fleet("plateau", machines=2, days=30, seed=14, interval_s=300.0)
    said = look(fleet, every_days=10)
    _, _, *rows = lines({name: score_fleet(fleet, seen) for name, seen in said.items()})
    cells = [[cell.strip() for cell in row.strip("|").split("|")] for row in rows]
    assert [row[0] for row in cells] == list(BARS)
    for row in cells:
        assert float(row[1]) >= 0.0
        assert all(" of " in cell for cell in row[-len(CAUSES) :])
