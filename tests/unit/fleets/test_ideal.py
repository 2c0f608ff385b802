"""What an observer that knows the laws of a machine makes of its stops, at a small size."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from cleanside.ingest.restriction.measure.tuning import TUNING
from tests.benchmark.bench_tellable import Event, Quiet, bar_of, false_table, lived, table, weigh
from tests.fleets.ideal import (
    CASES,
    NOTHING,
    SHARES,
    ByReadings,
    Judged,
    Known,
    Learns,
    _own_moves,
    _steadiest,
    judge,
    laws_of,
    stops_of,
    with_rates_of,
)
from tests.fleets.observing import Observation
from tests.fleets.truth import Fleet, Proxy

MACHINES, DAYS = 7, 60


@cache
def a_fleet() -> tuple[Fleet, list[Known]]:
    return lived("plateau", 5, MACHINES, DAYS, is_rich=True)


@cache
def judged() -> list[Judged]:
    seen = [ByReadings(known, stops_of(known)) for known in a_fleet()[1]]
    laws, chance = laws_of(seen), np.random.default_rng(1)
    return [row for one in seen for row in judge(one, laws, every=9, is_clean_known=True, chance=chance)]


def test_every_case_is_weighed_and_the_chances_are_shares() -> None:
    assert {row.done for row in judged()} >= {NOTHING, "new", "torn"}
    for row in judged():
        assert set(row.chances) == set(CASES)
        assert sum(row.chances.values()) == pytest.approx(1.0)


def test_with_all_laws_known_torn_and_missing_elements_are_told_and_quiet_stops_are_not() -> None:
    low = [(row.done, row.chances["torn"] + row.chances["missing"]) for row in judged()]
    assert min(sure for done, sure in low if done in ("torn", "missing")) > TUNING.warn[0]
    assert max(sure for done, sure in low if done == NOTHING) < TUNING.warn[0]


def test_by_the_element_that_was_fitted_just_what_passed_is_needed() -> None:
    """Else a case would be weighed by another level than its own."""
    for known in a_fleet()[1]:
        seen = ByReadings(known, stops_of(known))
        for place, stop in enumerate(seen.stops):
            element = known.kept.elements[stop.life + (stop.done != NOTHING)]
            needed = seen.needed(place, [(element, False)]) if stop.done == NOTHING else None
            if needed is not None:
                assert needed[0] == pytest.approx(seen.moves[place], abs=1e-9)


def test_what_is_learned_of_a_machine_goes_by_its_earlier_stops_alone_and_weighs_more_with_each() -> None:
    """As n draws beside a prior that counts as k of them (Ferguson, Annals of Statistics 1, 1973)."""
    moves, away_h = np.array([0.1, 0.2, 0.3, 0.4]), np.array([-90.0, -30.0, 0.0, 60.0])
    assert _own_moves(moves, away_h, Learns.ALL)[0].tolist() == [0.1, 0.2, 0.4]
    own, share = _own_moves(moves, away_h, Learns.EARLIER)
    assert own.tolist() == [0.1, 0.2]
    assert share == pytest.approx(2 / 12)
    own, share = _own_moves(moves, away_h, Learns.OTHERS)
    assert (len(own), share) == (0, 0.0)


def test_no_stop_is_weighed_while_another_fault_lasts() -> None:
    for known in a_fleet()[1]:
        at_s = known.draft.worked.at_s
        hiding = [
            f for f in known.machine.faults if "tube" in f.cause or "tap" in f.cause or "zero" in f.cause
        ]
        for stop in stops_of(known):
            assert not any(f.begin_s < at_s[stop.row] < f.repaired_s for f in hiding)


def test_the_steadiest_mean_of_numbers_has_the_weights_of_least_variance() -> None:
    """Independent numbers: as 1 / variance (Markowitz, Portfolio Selection, J. Finance 7, 1952)."""
    steps = np.random.default_rng(2).normal(size=(4000, 2)) * (0.1, 0.2)
    assert _steadiest(steps) == pytest.approx([0.8, 0.2], abs=0.02)


def test_rates_of_the_analysis_rise_where_an_element_is_loaded() -> None:
    seen = [ByReadings(known, stops_of(known)) for known in a_fleet()[1]]
    rates = with_rates_of(laws_of(seen), TUNING, 3.0).rates
    young, loaded, latched = (rates(0.0, level)["new"] for level in (0.3, 0.95, 1.5))
    assert young == pytest.approx(3.0 * TUNING.new_per_h * TUNING.unloaded_factor, rel=0.05)
    assert young < loaded < latched == pytest.approx(3.0 * TUNING.new_per_h * TUNING.over_factor, rel=0.05)
    assert len(SHARES) == len(set(SHARES))


def test_an_event_counts_by_the_bar_of_the_analysis() -> None:
    assert bar_of("torn", Proxy.BOOST) == TUNING.warn[0]
    assert bar_of("missing", Proxy.NOTHING) == TUNING.warn[2]
    assert bar_of("cleaned", Proxy.SPEED) == TUNING.ask[1]
    sure = {"readings": 0.9, "hours": 0.2}
    one = Event(
        what="torn",
        generator="plateau",
        machine="a",
        proxy=Proxy.BOOST,
        at_s=0.0,
        told=False,
        chances=sure,
        size=0.3,
    )
    row = next(line for line in table([one]) if line.startswith("| torn, flow measured"))
    cells = [cell.strip() for cell in row.split("|")[2:-1]]
    assert [cell[:6] for cell in cells[:5]] == ["1", "", "1 of 1", "", "0 of 1"]


def test_false_ones_count_as_often_as_the_stops_they_stand_for() -> None:
    quiet = [
        Quiet(observer="readings", proxy=Proxy.BOOST, weight=6.0, low=sure, opened=0.0) for sure in (0.9, 0.1)
    ]
    row = next(line for line in false_table(quiet, [], years=3.0) if line.startswith("| false suspicions"))
    assert [cell.strip() for cell in row.split("|")[2:4]] == ["0.00 (0 of 0)", "2.00 (1 of 2)"]


def test_each_event_of_a_fleet_is_weighed_beside_what_was_said() -> None:
    fleet, known = a_fleet()
    said = [
        Observation(machine=one.machine.name, at_s=float(at_s), state="serving")
        for one in known
        for at_s in one.machine.evenings.at_s
    ]
    events, quiet = weigh(fleet, known, said, every=30)
    assert {event.what for event in events} >= {"torn", "new"}
    assert not any(event.told for event in events)
    assert {q.weight for q in quiet} <= {30.0, 180.0}
