"""How long a transaction may take before requests wait for it no more, and what they hear."""

from __future__ import annotations

import pytest

from cleanside.ingest.writer.readiness import PROBE_WITHIN_S
from cleanside.ingest.writer.under_way import (
    COMMIT_STANDS_AFTER_S,
    END_WAITS_S,
    WORK_STANDS_AFTER_S,
    UnderWay,
)


class Clock:
    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


def test_nothing_under_way_stands_still_never(clock: Clock) -> None:
    under_way = UnderWay(monotonic_s=clock)
    clock.now_s += 1e6
    assert not under_way.stands_still


def test_a_commit_stands_still_sooner_than_work(clock: Clock) -> None:
    under_way = UnderWay(monotonic_s=clock)
    under_way.begin()
    clock.now_s += WORK_STANDS_AFTER_S - 1
    assert not under_way.stands_still  # a large job of a person
    under_way.commit()
    clock.now_s += 0.5
    assert not under_way.stands_still
    under_way.end()
    under_way.begin()
    under_way.commit()
    clock.now_s += COMMIT_STANDS_AFTER_S
    assert under_way.stands_still
    under_way.end()
    assert not under_way.stands_still


def test_work_without_end_stands_still(clock: Clock) -> None:
    under_way = UnderWay(monotonic_s=clock)
    under_way.begin()
    clock.now_s += WORK_STANDS_AFTER_S
    assert under_way.stands_still
    assert under_way.too_late(0.0).code == "store_unavailable"


def test_a_server_that_stops_waits_for_work_less_long(clock: Clock) -> None:
    under_way = UnderWay(monotonic_s=clock)
    assert not under_way.holds_up_the_end
    under_way.begin()
    clock.now_s += END_WAITS_S - 1
    assert not under_way.holds_up_the_end
    clock.now_s += 1
    assert under_way.holds_up_the_end
    assert not under_way.stands_still


def test_a_probe_for_readiness_sees_a_commit_that_stands_still() -> None:
    """Its own commit is the one that stands."""
    assert COMMIT_STANDS_AFTER_S < PROBE_WITHIN_S


@pytest.mark.parametrize(
    ("awaits_standby", "took_s", "code", "said"),
    [
        (True, 41.0, "standby_away", "no standby has confirmed a commit for 41 s"),
        (True, 1.0, "store_unavailable", "did not end it within 25 s"),
        (False, 41.0, "store_unavailable", "did not end it within 41 s"),
    ],
)
def test_the_answer_says_what_is_waited_for(
    clock: Clock, awaits_standby: bool, took_s: float, code: str, said: str
) -> None:
    under_way = UnderWay(awaits_standby=awaits_standby, monotonic_s=clock)
    under_way.begin()
    under_way.commit()
    clock.now_s += took_s
    late = under_way.too_late(25.0)
    assert late.code == code
    assert said in str(late)
