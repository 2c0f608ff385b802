"""
Which neighbouring blocks of a stream become one, and when. Pure.

Promises: what is joined lies side by side, in one month and one set of units. A reading is written a few
times more in all, however small the pieces are that it came in.
Leaves to others: the joining (`ingest.store.block_moves`), steps and pauses (`ingest.keeping.merging`).

Two sizes, because each joining writes its readings again. Single readings first become pieces of up to
`PIECE`, so that they do not lie for an hour in rows of their own (111 bytes a reading, measured). Pieces and
batches become blocks of up to `TARGET` (5 bytes a reading), once, when the next one would not fit.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from cleanside.ingest.store.blocks import SMALL, TARGET, BlockHead
from cleanside.ingest.store.partitions import month_of

PIECE = 512  # readings; chosen: 3 kB
MANY = 32  # single posts are joined when there are so many; chosen
QUIET_US = 3_600_000_000  # after it what is there is joined, as nothing came to join it with; chosen


class Sizes(NamedTuple):
    """Blocks with fewer readings than `small` are joined up to `most`."""

    small: int
    most: int
    #: so many are joined before `most` is reached; None: they are not
    many: int | None


TO_PIECES = Sizes(PIECE // 2, PIECE, MANY)
TO_BLOCKS = Sizes(SMALL, TARGET, None)


def next_to_join(
    heads: Sequence[BlockHead],
    *,
    mark: int,
    now_us: int,
    left_out: Container[int] = (),
    lies_between: Callable[[BlockHead, BlockHead], bool] = lambda _before, _after: False,
) -> list[BlockHead]:
    """
    The next blocks to join, in order of number; empty: none.

    heads : the small blocks of the stream at least, in order, or some of them that follow each other. mark :
    the stream's: a gap beyond it may still close, so nothing is joined across it. left_out : first numbers of
    blocks that stay as they are. lies_between : whether a block that is not given lies between two.
    """
    for group in _neighbours(heads, mark, lies_between):
        for sizes in (TO_PIECES, TO_BLOCKS):
            for chunk, closed in _chunks(group, sizes, left_out):
                if len(chunk) > 1 and (closed or _is_due(chunk, sizes, now_us)):
                    return chunk
    return []


def _is_due(chunk: list[BlockHead], sizes: Sizes, now_us: int) -> bool:
    if sizes.many is not None:
        return len(chunk) >= sizes.many
    return now_us - max(head.last_received_us for head in chunk) >= QUIET_US


def _neighbours(
    heads: Sequence[BlockHead], mark: int, lies_between: Callable[[BlockHead, BlockHead], bool]
) -> Iterator[list[BlockHead]]:
    """Groups that lie side by side, in one month and one set of units."""
    edges = [
        place
        for place, (before, after) in enumerate(pairwise(heads), start=1)
        if not _go_together(before, after)
        or (
            after.first_seq != before.last_seq + 1 and (after.first_seq > mark or lies_between(before, after))
        )
    ]
    for begin, end in pairwise([0, *edges, len(heads)]):
        yield list(heads[begin:end])


def _go_together(before: BlockHead, after: BlockHead) -> bool:
    of_one_set = before.unit_set_id == after.unit_set_id
    return of_one_set and month_of(before.first_us) == month_of(after.first_us)


def _chunks(
    group: list[BlockHead], sizes: Sizes, left_out: Container[int]
) -> Iterator[tuple[list[BlockHead], bool]]:
    """Small ones side by side that fit into one, and whether no further one can be added."""
    chunk: list[BlockHead] = []
    for head in group:
        if head.readings >= sizes.small or head.first_seq in left_out:
            yield chunk, True
            chunk = []
        elif sum(one.readings for one in chunk) + head.readings > sizes.most:
            yield chunk, True
            chunk = [head]
        else:
            chunk.append(head)
    yield chunk, False
