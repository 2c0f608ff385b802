"""Two lanes and a line: small before large, no client starved, all bounded, a way back without a flood."""

from __future__ import annotations

from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.ingest.writer.lanes import (
    BULK_COMMIT_S,
    LEAST_CALLED_PER_S,
    LONGEST_RETRY_S,
    MAX_BULK_READINGS,
    MAX_TOGETHER,
    MAX_TOGETHER_READINGS,
    MIN_TOGETHER_READINGS,
    QUICK_READINGS,
    SOONEST_S,
    Lanes,
    Line,
)


class Job(NamedTuple):
    name: str
    readings: int


def test_small_jobs_go_first_and_take_turns_with_bulk() -> None:
    lanes: Lanes[Job] = Lanes(max_jobs=1_000)
    for n in range(3 * MAX_TOGETHER):
        assert lanes.put(Job("quick", QUICK_READINGS))
        assert lanes.put(Job("bulk", 1_000)) == (n < MAX_BULK_READINGS // 1_000)
    taken = [[job.name for job in lanes.take()] for _ in range(5)]
    quick, bulk = ["quick"] * MAX_TOGETHER, ["bulk"] * (MAX_TOGETHER_READINGS // 1_000)
    assert taken == [quick, bulk, quick, bulk, quick]
    assert [job.name for job in lanes.take()] == bulk  # the quick lane is empty


def test_bulk_is_taken_in_commits_that_are_short_on_the_disk_at_hand() -> None:
    lanes: Lanes[Job] = Lanes(max_jobs=1_000)

    def together() -> int:
        while lanes.put(Job("bulk", 500)):
            pass
        return sum(job.readings for job in lanes.take())

    assert together() == MAX_TOGETHER_READINGS
    for _ in range(50):
        lanes.served(readings=2_000, took_s=2_000 / 40_000)  # forty thousand a second
    assert together() == pytest.approx(40_000 * BULK_COMMIT_S, abs=500)
    for _ in range(50):
        lanes.served(readings=2_000, took_s=5.0)
    assert together() == MIN_TOGETHER_READINGS
    for _ in range(50):
        lanes.served(readings=2_000, took_s=0.0)
    assert together() == MAX_TOGETHER_READINGS


def test_one_large_job_always_fits_and_then_no_more() -> None:
    lanes: Lanes[Job] = Lanes(max_jobs=10)
    assert lanes.put(Job("huge", 10 * MAX_BULK_READINGS))
    assert lanes.is_bulk_full
    assert not lanes.put(Job("bulk", QUICK_READINGS + 1))
    assert lanes.put(Job("quick", 1))
    assert len(lanes) == 2
    assert [job.name for _ in range(2) for job in lanes.take()] == ["quick", "huge"]
    assert not lanes.is_bulk_full


@given(st.lists(st.one_of(st.none(), st.integers(0, 5_000)), max_size=300))
def test_whatever_comes_is_bounded_given_out_once_and_in_order(steps: list[int | None]) -> None:
    """None: a commit takes what it takes; a number: a job of so many readings comes."""
    lanes: Lanes[Job] = Lanes(max_jobs=20)
    put: list[Job] = []
    out: list[Job] = []
    for number, readings in enumerate(steps):
        if readings is None:
            taken = lanes.take()
            assert bool(taken) == (len(put) > len(out))
            out += taken
        elif lanes.put(job := Job(str(number), readings)):
            put.append(job)
        assert len(lanes) <= 40
        waiting = [job.readings for job in put if job not in out and job.readings > QUICK_READINGS]
        assert sum(waiting[:-1]) < MAX_BULK_READINGS
    while taken := lanes.take():
        out += taken
    for is_quick in (True, False):
        lane = [[job for job in jobs if (job.readings <= QUICK_READINGS) == is_quick] for jobs in (put, out)]
        assert lane[0] == lane[1]


def test_those_who_are_refused_come_back_as_fast_as_they_are_served() -> None:
    now_s = 1_000.0
    line = Line(monotonic_s=lambda: now_s)
    for _ in range(100):
        line.served(jobs=100, took_s=0.5, more_waits=False)  # 200 a second
    turns = [line.turn_s() for _ in range(2_000)]
    assert turns[0] == SOONEST_S + 1
    assert turns[-1] in (SOONEST_S + 10, SOONEST_S + 11)
    assert max(turns.count(second) for second in set(turns)) <= 201
    now_s += 60
    assert line.turn_s() == SOONEST_S + 1


def test_refused_clients_are_expected_until_the_last_was_called() -> None:
    now_s = 1_000.0
    line = Line(monotonic_s=lambda: now_s)
    assert not line.is_expected
    last_s = [line.turn_s() for _ in range(200)][-1]
    now_s += last_s - 1.5
    assert line.is_expected
    now_s += 1.5
    assert not line.is_expected


def test_the_line_counts_the_time_between_commits_while_a_backlog_waits() -> None:
    now_s = 0.0
    line = Line(monotonic_s=lambda: now_s)
    for _ in range(100):
        now_s += 2.0  # the processor does other work between commits: 75 a second, not 300
        line.served(jobs=150, took_s=0.5, more_waits=True)
    assert [line.turn_s() for _ in range(300)][-1] in (SOONEST_S + 4, SOONEST_S + 5)
    line.served(jobs=150, took_s=0.5, more_waits=False)
    now_s += 600.0  # no request waited: an idle night says nothing of the rate
    line.served(jobs=150, took_s=0.5, more_waits=False)
    assert [line.turn_s() for _ in range(300)][-1] <= SOONEST_S + 4


def test_bulk_that_comes_without_a_pause_is_much_and_now_and_then_a_batch_is_not() -> None:
    now_s = 1_000.0
    line = Line(monotonic_s=lambda: now_s)
    for _ in range(100):
        now_s += 0.1  # ten batches a second, as of a fleet in its ordinary work
        line.served(jobs=1, took_s=0.01, more_waits=False)
        assert not line.is_much
    for _ in range(40):
        now_s += 0.05  # a backlog, of which nothing waits between two commits
        line.served(jobs=8, took_s=0.03, more_waits=False)
    assert line.is_much
    now_s += 1.0
    assert not line.is_much


@pytest.mark.parametrize("served_per_s", [None, 0.5, 5.0])
def test_a_fleet_whose_streams_are_slow_to_open_does_not_leave_the_server_idle(
    served_per_s: float | None,
) -> None:
    """Who was asked to come back in two minutes comes then, also where the server is idle long before."""
    now_s = 0.0
    line = Line(monotonic_s=lambda: now_s)
    for _ in range(100 if served_per_s else 0):
        line.served(jobs=1, took_s=1 / (served_per_s or 1.0), more_waits=False)
    turns = [line.turn_s() for _ in range(int(10 * LEAST_CALLED_PER_S))]
    assert turns[-1] in (SOONEST_S + 10, SOONEST_S + 11)
    assert max(turns.count(second) for second in set(turns)) <= LEAST_CALLED_PER_S + 1


def test_the_line_is_cut_where_a_machine_would_be_silent_for_too_long() -> None:
    line = Line(monotonic_s=lambda: 0.0)
    assert max(line.turn_s() for _ in range(10_000)) == LONGEST_RETRY_S


@pytest.mark.parametrize(
    ("jobs", "readings", "is_enough"),
    [
        (MAX_TOGETHER - 1, 1, False),
        (MAX_TOGETHER, 1, True),
        (MAX_TOGETHER_READINGS // 1_000 - 1, 1_000, False),
        (MAX_TOGETHER_READINGS // 1_000, 1_000, True),
    ],
)
def test_enough_is_what_one_commit_takes(jobs: int, readings: int, is_enough: bool) -> None:
    lanes: Lanes[Job] = Lanes(max_jobs=1_000)
    assert not lanes.is_enough
    assert all(lanes.put(Job("job", readings)) for _ in range(jobs))
    assert lanes.is_enough == is_enough
