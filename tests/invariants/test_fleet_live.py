"""Machines of the large fleet, some days through real gateways and a real server, on simulated time."""

from __future__ import annotations

from pathlib import Path

import pytest
from rich.console import Console

from cleanside.simulator.fleet_year import FleetChoices, run_fleet
from tests.benchmark.bench_fleet_truth import watch_fleet
from tests.support.fleet_live import live_through
from tests.support.fleet_truth import read_fleet

DAYS, SEED, CADENCE_S = 8, 11, 300.0
LEARN_ON = (DAYS - 2,)


@pytest.mark.timeout(300)
def test_what_the_server_says_end_to_end_is_what_the_analysis_says_of_the_same_readings(
    tmp_path: Path,
) -> None:
    """
    Through kills, coverage gaps and lost replies every reading on disk is accounted for, and on the last day
    level, state and hours left are those told from summaries made of the simulator's readings directly.

    A gateway that was killed lost the rest of its day, and a boot without a fix is placed by its neighbours:
    figures agree within what a few hours of readings do, not to the last bit. Both sides learn the fleet on
    the evening before.
    """
    choices = FleetChoices(machines=2, days=DAYS, seed=SEED, cadence_s=CADENCE_S, out=tmp_path / "truth")
    run_fleet(choices, console=Console(quiet=True))
    machines = read_fleet(tmp_path / "truth")
    lived = live_through(
        machines, tmp_path, seed=SEED, cadence_s=CADENCE_S, every_days=4, learn_on_days=LEARN_ON
    )
    assert lived.faults == []
    assert lived.account["balances"]
    assert lived.readings > 1000
    beside = watch_fleet(tmp_path / "truth", machines, 4, learn_on_days=LEARN_ON)
    for machine, (_, told) in zip(machines, beside, strict=True):
        last, expected = lived.said[machine.name][-1], told[-1]
        assert last.at_s == expected.at_s
        assert last.seen_h == pytest.approx(expected.seen_h, abs=8.0)
        assert last.hours_left == pytest.approx(expected.hours_left, rel=0.2)
