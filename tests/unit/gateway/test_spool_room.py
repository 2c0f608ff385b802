"""The disk budget: what goes first, and that nothing goes silently."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from gateway.spool import Spool
from gateway.wire import Batch, Reading

from .helpers import BEGIN, UNITS, numbers, open_spool

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
