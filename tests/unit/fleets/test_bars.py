"""The trade between findings and false alarms, and constants moved, at a tiny size."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from cleanside.ingest.restriction.measure.tuning import TUNING, Tuning
from tests.benchmark.bench_ablation import HYPOTHESES, NOT_MOVED, OFF
from tests.benchmark.bench_bars import BARS, CAUSES, TODAY, lines, look, moved, otherwise
from tests.fleets.making import make_fleet
from tests.fleets.score import score_fleet


def test_each_line_has_false_alarms_and_what_was_found_with_other_bars() -> None:
    fleet = make_fleet("plateau", machines=2, days=30, seed=14, interval_s=300.0)
    said = look(fleet, every_days=10)
    _, _, *rows = lines({name: score_fleet(fleet, seen) for name, seen in said.items()}, said)
    cells = [[cell.strip() for cell in row.strip("|").split("|")] for row in rows]
    assert [row[0] for row in cells] == list(BARS)
    for row in cells:
        assert float(row[1]) >= 0.0
        assert all(" of " in cell for cell in row[-len(CAUSES) - 1 : -1])
    assert cells[0][-1] == "0.0 %"


def test_what_is_said_otherwise_is_counted_by_look() -> None:
    fleet = make_fleet("plateau", machines=1, days=14, seed=14, interval_s=300.0)
    said = look(fleet, every_days=4, bars={TODAY: TUNING})[TODAY]
    other = [replace(said[0], causes=said[0].causes | {"flat"}), *said[1:]]
    assert otherwise(other, said) == pytest.approx(1 / len(said))
    assert otherwise(said, said) == 0.0


def test_every_constant_is_moved_both_ways_and_switched_off_to_another_value() -> None:
    runs = moved([])
    assert list(runs)[: len(HYPOTHESES) + 1] == [TODAY, *HYPOTHESES]
    for name in (field.name for field in fields(Tuning)):
        value = np.array(getattr(TUNING, name))
        own = [key for key in runs if key.split(" ")[0] == name]
        assert len(own) == 2 * (name not in NOT_MOVED) + (name in OFF)
        assert all(np.any(np.array(getattr(runs[key], name)) != value) for key in own)
    assert list(moved(["warn_near off"])) == [TODAY, "warn_near off"]
