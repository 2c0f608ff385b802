"""Which blocks become one: neighbours, seldom, never across a month, a set of units or an open gap."""

from __future__ import annotations

from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.keeping.merge_choice import MANY, PIECE, QUIET_US, next_to_join
from cleanside.ingest.store.blocks import SMALL, TARGET, BlockHead
from cleanside.ingest.store.models import blocks

MARCH_US = parse_instant("2026-03-01T00:00:00Z").us
NOW_US = parse_instant("2026-04-01T00:00:00Z").us
EVERY = 10**9  # a mark above all of them


def heads(*sizes: int, received_us: int = NOW_US, unit_set_id: int = 1) -> list[BlockHead]:
    """Blocks of these sizes, one behind the other."""
    ends = list(accumulate(sizes))
    return [
        BlockHead(end - size + 1, end, MARCH_US, MARCH_US, size, unit_set_id, received_us, received_us, 0)
        for size, end in zip(sizes, ends, strict=True)
    ]


def chosen(of: list[BlockHead], *, mark: int = EVERY, now_us: int = NOW_US) -> list[int]:
    """First numbers of what is joined next."""
    return [head.first_seq for head in next_to_join(of, mark=mark, now_us=now_us)]


def test_single_posts_wait_until_there_are_many() -> None:
    assert chosen(heads(*[1] * (MANY - 1))) == []
    assert chosen(heads(*[1] * MANY)) == list(range(1, MANY + 1))


def test_batches_are_joined_once_when_the_next_one_would_not_fit() -> None:
    assert chosen(heads(*[500] * 8)) == []
    assert chosen(heads(*[500] * 9)) == [1 + 500 * n for n in range(8)]


def test_what_is_large_enough_stays_as_it_is() -> None:
    assert chosen(heads(SMALL, SMALL, TARGET, 5_000)) == []
    assert chosen(heads(TARGET, 300, 300, TARGET)) == [TARGET + 1, TARGET + 301]
    assert chosen(heads(TARGET, 300, TARGET)) == []


def test_what_is_left_is_joined_when_nothing_has_come_for_a_while() -> None:
    assert chosen(heads(500, 1, 300), now_us=NOW_US + QUIET_US - 1) == []
    assert chosen(heads(500, 1, 300), now_us=NOW_US + QUIET_US) == [1, 501, 502]


def test_nothing_is_joined_across_a_month_a_set_of_units_or_an_open_gap() -> None:
    later_us = NOW_US + QUIET_US
    one, two = heads(300, 300)
    assert chosen([one, two], now_us=later_us) == [1, 301]
    assert chosen([one, two._replace(first_us=NOW_US)], now_us=later_us) == []
    assert chosen([one, two._replace(unit_set_id=2)], now_us=later_us) == []
    beyond = two._replace(first_seq=400, last_seq=699)
    assert chosen([one, beyond], mark=399, now_us=later_us) == []
    assert chosen([one, beyond], mark=400, now_us=later_us) == [1, 400]


def test_what_no_step_could_join_is_left_out_and_parts_what_lies_around_it() -> None:
    of = heads(*[300] * 3)
    assert next_to_join(of, mark=EVERY, now_us=NOW_US + QUIET_US, left_out={301}) == []


def test_the_index_of_small_blocks_has_the_size_that_is_joined() -> None:
    """The revision that made it says the number on its own, as history does not move."""
    [index] = blocks.indexes
    for database in ("sqlite", "postgresql"):
        assert str(index.dialect_options[database]["where"]) == f"readings < {SMALL}"


@pytest.mark.parametrize("size", [1, 20, 500, 5_000])
def test_a_stream_of_equal_pieces_ends_as_few_blocks_and_writes_a_reading_few_times(size: int) -> None:
    written, of = simulated([size] * (10_000 // size))
    assert written <= 12 * 10_000
    assert len(of) <= 10_000 // SMALL + TARGET // PIECE + MANY


@given(st.lists(st.integers(1, 3_000), max_size=60))
def test_joining_ends_and_no_joined_block_is_larger_than_it_may_be(sizes: list[int]) -> None:
    _, of = simulated(sizes)
    assert all(head.readings <= max(TARGET, *sizes) for head in of)
    assert sum(head.readings for head in of) == sum(sizes)


def simulated(sizes: list[int]) -> tuple[int, list[BlockHead]]:
    """Joined as soon as it is due after each piece: readings written, and the blocks at the end."""
    written, of = 0, list[BlockHead]()
    for head in heads(*sizes):
        of.append(head)
        while found := next_to_join(of, mark=EVERY, now_us=NOW_US):
            total = sum(head.readings for head in found)
            place = of.index(found[0])
            joined = found[0]._replace(last_seq=found[-1].last_seq, readings=total)
            of[place : place + len(found)] = [joined]
            written += total
    return written, of
