"""A boot that took its time from a server whose clock was wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.spool.told_time import tell_time
from cleanside.gateway.timing.clock import SettableClock
from tests.unit.gateway.helpers import numbers, open_spool, readings, server_anchor, settable_clock

DAY_S = 86_400.0


def answer(spool: Spool, clock: SettableClock, *, off_s: float = 0.0) -> bool:
    anchor = server_anchor(clock)
    return spool.anchor(replace(anchor, utc_us=anchor.utc_us + round(off_s * 1e6)))


def events(spool: Spool, name: str) -> list[Mapping[str, Any]]:
    batch = spool.peek()
    assert batch is not None
    assert batch.gateway is not None
    return [event for event in batch.gateway.events if event["event"] == name]


def append(spool: Spool, clock: SettableClock, number: int) -> int:
    """Append a reading; returns the true time."""
    spool.append(readings(number, number, timed=False))
    return clock.true_us()


def widths_hold(spool: Spool, true_us: list[int], numbers_of: range) -> bool:
    """Do the times as sent, within their stated widths, cover the truth?"""
    batch = spool.peek()
    assert batch is not None
    for number in numbers_of:
        at_us, width_s = batch.at_us[number - 1], batch.uncertainty_s(number - 1)
        assert at_us is not None
        assert width_s is not None
        if abs(at_us - true_us[number - 1]) > width_s * 1e6:
            return False
    return True


@pytest.mark.parametrize("off_s", [-DAY_S, DAY_S])
def test_a_boot_placed_by_a_wrong_server_states_a_width_that_covers_both_until_it_is_settled(
    tmp_path: Path, off_s: float
) -> None:
    """The stated width is true from the first answer that contradicts it, then the rest is corrected."""
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        assert answer(spool, clock, off_s=off_s)
        true_us = [append(spool, clock, 1)]
        clock.advance(300)
        assert not answer(spool, clock)
        true_us.append(append(spool, clock, 2))
        assert not widths_hold(spool, true_us, range(1, 2))  # sent before it was noticed
        assert widths_hold(spool, true_us, range(2, 3))
        [asked] = events(spool, "boot_contradicted")
        assert asked["off_s"] == pytest.approx(-off_s, abs=1)
        for _ in range(13):
            clock.advance(300)
            answer(spool, clock)
        true_us.append(append(spool, clock, 3))
        assert widths_hold(spool, true_us, range(2, 4))
        batch = spool.peek()
        assert batch is not None
        assert (batch.uncertainty_s(2) or 0) < 1
        said = events(spool, "boot_corrected")
        assert [(event["first_seq"], event["at_seq"]) for event in said] == [(1, 2), (2, 3)]
        for event, index in zip(said, (0, 1), strict=True):
            corrected_us = (batch.at_us[index] or 0) + event["shift_s"] * 1e6
            assert abs(corrected_us - true_us[index]) <= event["uncertainty_s"] * 1e6


def test_one_answer_moves_no_boot_and_the_others_settle_it(tmp_path: Path) -> None:
    """As from an attacker between gateway and server."""
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        answer(spool, clock)
        true_us = [append(spool, clock, 1)]
        clock.advance(7_200)
        assert not answer(spool, clock, off_s=DAY_S)
        true_us.append(append(spool, clock, 2))
        for _ in range(14):
            clock.advance(300)
            answer(spool, clock)
        true_us.append(append(spool, clock, 3))
        batch = spool.peek()
        assert batch is not None
        off_us = [abs((at or 0) - true) for at, true in zip(batch.at_us, true_us, strict=True)]
        assert max(off_us) < 1_000_000
        assert all(abs(event["shift_s"]) < 1 for event in events(spool, "boot_corrected"))
        assert [event["first_seq"] for event in events(spool, "boot_corrected")] == [2]  # its width alone


def test_a_server_that_says_two_times_in_turn_places_nothing(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        answer(spool, clock)
        append(spool, clock, 1)
        moved = 0
        for minute in range(180):
            clock.advance(60)
            moved += answer(spool, clock, off_s=DAY_S if minute % 2 else 0.0)
        append(spool, clock, 2)
        assert moved == 0
        assert len(events(spool, "boot_contradicted")) == 1
        assert events(spool, "boot_corrected") == []


def test_a_person_settles_what_the_server_contradicts(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        answer(spool, clock, off_s=-DAY_S)
        append(spool, clock, 1)
        clock.advance(300)
        answer(spool, clock)
        append(spool, clock, 2)
        tell_time(tmp_path / "a", clock, utc_us=clock.true_us())
        true_us = append(spool, clock, 3)
        batch = spool.peek()
        assert numbers(batch) == [1, 2, 3]
        assert batch is not None
        assert abs((batch.at_us[2] or 0) - true_us) <= 120_000_000
        said = events(spool, "boot_corrected")
        assert [round(event["shift_s"] / DAY_S) for event in said] == [1, 1]
        assert {event["kind"] for event in said} == {"person"}


def test_network_time_settles_it_at_once(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        answer(spool, clock, off_s=-DAY_S)
        append(spool, clock, 1)
        clock.advance(300)
        answer(spool, clock)
        clock.evidence_uncertainty_us = 1_000
        evidence = clock.evidence()
        assert evidence is not None
        assert spool.anchor(evidence)
        append(spool, clock, 2)
        assert [round(event["shift_s"]) for event in events(spool, "boot_corrected")] == [86_400]
