"""The disk budget: what goes first, and that nothing goes silently."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest

from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import SettableClock
from cleanside.gateway.wire import Batch, Reading
from tests.unit.gateway.helpers import BEGIN, UNITS, numbers, open_spool, server_anchor, settable_clock

CHUNK = 500


def fill(spool: Spool, first: int, last: int) -> None:
    """One reading every 10 s; restriction rises, with one peak every 1000 readings."""
    for begin in range(first, last + 1, CHUNK):
        spool.append(
            [
                Reading(
                    at=BEGIN + timedelta(seconds=10 * n),
                    values={"restriction": 30.0 if n % 1000 == 777 else n / 10_000, "engine_speed": n},
                    units=UNITS,
                )
                for n in range(begin, min(begin + CHUNK, last + 1))
            ]
        )


def whole_backlog(spool: Spool) -> list[Batch]:
    batches = []
    while (batch := spool.peek(max_readings=5000, max_bytes=2**22)) is not None:
        batches.append(batch)
        spool.acknowledge(batch.stream or "", max([*(batch.seq or ()), *(s.last for s in batch.shed)]))
    return batches


def test_a_long_outage_thins_the_backlog_evenly_and_declares_every_number(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a", budget_bytes=700_000) as spool:
        fill(spool, 1, 40_000)  # some 1.9 MB
        assert spool.used_bytes() <= 1.05 * 700_000
        batches = whole_backlog(spool)
        held = [n for batch in batches for n in numbers(batch)]
        shed = [n for batch in batches for s in batch.shed for n in range(s.first, s.last + 1)]
        assert sorted(held + shed) == list(range(1, 40_001)), "a number is neither held nor declared"
        assert len(held) > 2_000
        gaps = [b - a for a, b in zip([0, *held], [*held, 40_001], strict=True)]
        assert max(gaps) <= 360, "an hour without a reading: cut off, not thinned"
        assert [n for n in held if n % 1000 == 777] == list(range(777, 40_001, 1000)), "a peak went"


def test_the_server_is_told_once_when_what_waits_comes_near_the_budget(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a", budget_bytes=600_000) as spool:
        warned_at = None
        for first in range(1, 12_001, CHUNK):
            fill(spool, first, first + CHUNK - 1)
            if warned_at is None and warnings_in(spool):
                warned_at = spool.state().waiting_share
        assert warned_at is not None
        assert 0.8 <= warned_at < 0.9, "at four fifths, before anything is thinned"
        assert len(warnings_in(spool)) == 1
        spool.acknowledge(spool.open_stream, 12_000)
        fill(spool, 12_001, 12_500)
        assert len(warnings_in(spool)) == 1, "what was acknowledged does not count"
        fill(spool, 12_501, 24_000)
        (_, again) = warnings_in(spool)
        assert again["budget_bytes"] == 600_000
        assert 0.8 <= again["waiting_share"] < 0.9


def warnings_in(spool: Spool) -> list[dict[str, float]]:
    rows = spool._disk.connection.execute("SELECT detail FROM events WHERE event = 'budget_warning'")
    return [json.loads(str(detail)) for (detail,) in rows]


def test_acknowledged_readings_go_before_any_that_wait(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        fill(spool, 1, 8_000)
        spool.budget_bytes = int(spool.used_bytes() * 1.2)
        spool.acknowledge(spool.open_stream, 6_000)
        fill(spool, 8_001, 13_500)
        (state,) = spool.state().streams
        assert state.shed_waiting == 0
        assert spool.rewind(spool.open_stream, 0) < 6_000, "what was acknowledged made room"


def test_what_is_in_flight_is_left_alone_while_all_behind_it_is_thinned(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        fill(spool, 1, 20_000)
        in_flight = spool.peek(max_readings=300)
        spool.budget_bytes = spool.used_bytes() // 3
        for _ in range(20):
            spool.make_room()
        assert spool.used_bytes() <= spool.budget_bytes
        assert numbers(spool.peek(max_readings=300)) == numbers(in_flight) == list(range(1, 301))


def test_a_budget_that_nothing_fits_cuts_the_oldest_and_says_so(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a", budget_bytes=90_000) as spool:
        fill(spool, 1, 30_000)
        for _ in range(30):
            spool.make_room()
        (state,) = spool.state().streams
        assert state.backlog + state.shed_waiting == 30_000
        assert spool.used_bytes() < 200_000


def test_a_restart_in_the_middle_of_thinning_goes_on(tmp_path: Path) -> None:
    budget = 500_000
    for part in range(10):
        with open_spool(tmp_path / "a", budget_bytes=budget) as spool:
            fill(spool, part * 3_000 + 1, part * 3_000 + 3_000)
    with open_spool(tmp_path / "a", budget_bytes=budget) as spool:
        spool.make_room()
        assert spool.used_bytes() <= 1.05 * budget
        (state,) = spool.state().streams
        assert state.backlog + state.shed_waiting == 30_000


def test_ranges_given_up_stay_few_however_many_outages_there_were(tmp_path: Path) -> None:
    """While they wait: one more than the readings between them. Once declared: none older than the oldest."""
    with open_spool(tmp_path / "a", budget_bytes=300_000) as spool:
        stream, counts = spool.open_stream, []
        for outage in range(6):
            fill(spool, outage * 10_000 + 1, (outage + 1) * 10_000)
            counts.append(ranges(spool))
            assert counts[-1] <= spool.state().held + 1
            whole_backlog(spool)
        assert counts[-1] <= 1.5 * counts[0], "they grow with each outage"
        fill(spool, 60_001, 70_000)  # which makes room at the cost of what was acknowledged
        again = spool.rewind(stream, 0)
        told = whole_backlog(spool)
        assert sum(len(batch) for batch in told) >= again
        shed = [n for batch in told for s in batch.shed for n in range(s.first, s.last + 1)]
        held = [n for batch in told for n in batch.seq or ()]
        assert sorted(held + shed) == list(range(1, 70_001)), (
            "the gateway tells a restored server every number"
        )


def ranges(spool: Spool) -> int:
    return int(spool._disk.connection.execute("SELECT count(*) FROM shed").get)


# ------------------------------------------------------------ days


def run_for(spool: Spool, clock: SettableClock, count: int, *, own_time: bool, first: int = 1) -> None:
    """One reading a minute, with a time of its own or the boot's; restriction peaks at every 100th."""
    for number in range(first, first + count):
        clock.advance(60)
        at = BEGIN + timedelta(microseconds=clock.true_us() - settable_clock().true_us())
        values = {"restriction": 30.0 if number % 100 == 77 else 3.0, "engine_speed": number}
        spool.append([Reading(at=at if own_time else None, values=values, units=UNITS)])


@pytest.mark.parametrize("own_time", [True, False])
def test_acknowledged_readings_are_kept_for_the_days_of_the_budget(tmp_path: Path, own_time: bool) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock, budget_days=1.0) as spool:
        spool.anchor(server_anchor(clock))
        run_for(spool, clock, 2_880, own_time=own_time)
        spool.acknowledge(spool.open_stream, 2_880)
        spool.make_room()
        spool.rewind(spool.open_stream, 0)
        held = [n for batch in whole_backlog(spool) for n in numbers(batch)]
    assert held[-1] == 2_880
    assert abs(len(held) - 1_440) <= 1, "a day of them is there to be sent again"


@pytest.mark.parametrize("own_time", [True, False])
def test_waiting_readings_older_than_the_days_are_thinned_and_declared_never_cut(
    tmp_path: Path, own_time: bool
) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock, budget_days=1.0) as spool:
        spool.anchor(server_anchor(clock))
        run_for(spool, clock, 4_320, own_time=own_time)
        spool.make_room()
        batches = whole_backlog(spool)
    held = [n for batch in batches for n in numbers(batch)]
    shed = [n for batch in batches for s in batch.shed for n in range(s.first, s.last + 1)]
    assert {s.reason for batch in batches for s in batch.shed} == {"disk_budget"}
    assert sorted(held + shed) == list(range(1, 4_321)), "a number is neither held nor declared"
    assert held[-1440:] == list(range(2_881, 4_321)), "a reading that is not old went"
    assert 4 * 40 < len(held) - 1_440 < 600, "of an old hour some stay, and not all"
    assert [n for n in held if n % 100 == 77] == list(range(77, 4_321, 100)), "a peak went"


def test_no_reading_is_old_by_a_wrong_wall_clock_or_by_one_not_known(
    tmp_path: Path,
) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock, budget_days=1.0) as spool:
        run_for(spool, clock, 2_880, own_time=False)  # two days, and nothing tells the time
        clock.wrong_by_us = 10**15
        spool.make_room()
        (state,) = spool.state().streams
        assert (state.backlog, state.shed_waiting) == (2_880, 0)


def test_a_recording_of_long_ago_is_not_old_when_it_is_replayed(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock, budget_days=30.0) as spool:
        spool.anchor(server_anchor(clock))
        clock.advance(86_400)
        at = BEGIN - timedelta(days=900)
        spool.append([Reading(at=at, values={"restriction": 3.0}, units=UNITS) for _ in range(1_000)])
        spool.make_room()
        (state,) = spool.state().streams
        assert (state.backlog, state.shed_waiting) == (1_000, 0)
    for boot in range(3):  # forty days later they are old, for they lay here that long
        clock.key_off(off_s=20 * 86_400, boot_id=f"later-{boot}")
        with open_spool(tmp_path / "a", clock, budget_days=30.0) as spool:
            spool.anchor(server_anchor(clock))
            spool.append([Reading(at=None, values={"restriction": 3.0}, units=UNITS)])
            spool.make_room()
            (state,) = spool.state().streams
    assert state.backlog + state.shed_waiting == 1_003
    assert state.shed_waiting > 900


def test_what_is_in_flight_is_left_alone_however_old_it_is(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.anchor(server_anchor(clock))
        run_for(spool, clock, 1_440, own_time=False)
        in_flight = spool.peek(max_readings=300)
        clock.advance(5 * 86_400)
        spool.budget_days = 1.0
        for _ in range(3):
            spool.make_room()
        assert numbers(spool.peek(max_readings=300)) == numbers(in_flight) == list(range(1, 301))
        assert spool.state().streams[0].shed_waiting > 500
