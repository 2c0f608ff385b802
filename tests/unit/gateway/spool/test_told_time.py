"""The time as a person tells it, to a gateway that nothing else tells it."""

from __future__ import annotations

from pathlib import Path

import pytest

from cleanside.gateway.errors import CalledWrongly
from cleanside.gateway.spool.told_time import tell_time
from tests.unit.gateway.helpers import BEGIN_US, numbers, open_spool, readings, server_anchor, settable_clock

MINUTE_US = 60_000_000
DAY_US = 86_400 * 10**6


def test_what_waits_leaves_once_a_person_told_the_time_beside_a_running_gateway(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 2, timed=False))
        clock.advance(600)
        assert spool.peek() is None
        assert tell_time(tmp_path / "a", clock, utc_us=clock.true_us() + MINUTE_US) == 1
        batch = spool.peek()
        assert batch is not None
        assert numbers(batch) == [1, 2]
        assert [at - BEGIN_US for at in batch.at_us if at is not None] == [MINUTE_US, MINUTE_US]
        assert (batch.uncertainty_s(0) or 0) >= 120
        assert batch.gateway is not None
        assert [boot["anchor"] for boot in batch.gateway.boots] == ["person"]


def test_boots_before_it_are_placed_with_it(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 2, timed=False))
    clock.key_off(off_s=3_600, boot_id="boot-2")
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(3, 3, timed=False))
        assert tell_time(tmp_path / "a", clock, utc_us=clock.true_us()) == 2
        assert numbers(spool.peek()) == [1, 2, 3]


def test_a_better_anchor_corrects_it_and_says_so(tmp_path: Path) -> None:
    """The correction is an event of the stream, as that of any later anchor; sent times do not change."""
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 2, timed=False))
        tell_time(tmp_path / "a", clock, utc_us=clock.true_us() + MINUTE_US)
        before = spool.peek()
        assert before is not None
        assert spool.anchor(server_anchor(clock))
        spool.append(readings(3, 3, timed=False))
        batch = spool.peek()
        assert batch is not None
        assert list(batch.at_us[:2]) == list(before.at_us)
        assert batch.gateway is not None
        [event] = batch.gateway.events
        assert (event["event"], event["boot"]) == ("boot_corrected", "boot-1")
        assert event["shift_s"] == pytest.approx(-60.0, abs=0.1)


@pytest.mark.parametrize(
    ("off_us", "within_s", "reason"),
    [
        (-60 * DAY_US, 120.0, "told_before_built"),
        (0, 1.0, "told_within_beyond"),
        (0, 100_000.0, "told_within_beyond"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path: Path, off_us: int, within_s: float, reason: str) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 1, timed=False))
        with pytest.raises(CalledWrongly) as refused:
            tell_time(tmp_path / "a", clock, utc_us=clock.true_us() + off_us, within_s=within_s)
        assert refused.value.code == reason
        assert spool.peek() is None


def test_where_the_time_is_known_better_nothing_changes(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 1, timed=False))
        spool.anchor(server_anchor(clock))
        before = spool.peek()
        with pytest.raises(CalledWrongly, match="known already, by server"):
            tell_time(tmp_path / "a", clock, utc_us=clock.true_us() + DAY_US)
        assert spool.peek() == before
        clock.evidence_uncertainty_us = 1_000
        with pytest.raises(CalledWrongly, match="known already, by ntp"):
            tell_time(tmp_path / "a", clock, utc_us=clock.true_us())


def test_a_boot_cannot_have_begun_before_an_earlier_one_ended(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 1, timed=False))
        spool.anchor(server_anchor(clock))
    clock.key_off(off_s=3_600, boot_id="boot-2")
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(2, 2, timed=False))
        with pytest.raises(CalledWrongly, match="by server, the machine was last on until"):
            tell_time(tmp_path / "a", clock, utc_us=clock.true_us() - DAY_US)
        assert tell_time(tmp_path / "a", clock, utc_us=clock.true_us()) == 1


def test_without_a_run_in_this_boot_there_is_nothing_to_place(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 1, timed=False))
    clock.key_off(off_s=60, boot_id="boot-2")
    with pytest.raises(CalledWrongly, match="no gateway has run since"):
        tell_time(tmp_path / "a", clock, utc_us=clock.true_us())
