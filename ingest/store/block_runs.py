"""
Runs of readings: what goes into one block, and how runs are cut, joined and told apart. Pure.

Promises: a block never crosses a UTC month or a set of units, nor mixes values as sent with SI. The runs of
`arranged` have every reading once, in order of number, and their ranges of numbers do not overlap.
Leaves to others: the bytes (`ingest.store.block_content`), statements (`ingest.store.stored_blocks`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby, pairwise
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.store import block_units, content_hash
from cleanside.ingest.store.alike import alike
from cleanside.ingest.store.at_rest import NewReadings, StoredReadingRow
from cleanside.ingest.store.block_columns import BoolArray, FloatArray, IntArray
from cleanside.ingest.store.block_content import (
    FAST_LEVEL,
    MOST_READINGS,
    AlikeRuns,
    BlockContent,
    pack_alike,
    pack_all,
)
from cleanside.ingest.store.block_units import BlockUnits
from cleanside.ingest.store.marks import Ranges

DAY_US = 86_400_000_000

#: of a row of `blocks`, without its stream, in this order
ROW = (
    *("first_seq", "last_seq", "first_us", "last_us", "readings", "unit_set_id"),
    *("first_received_us", "last_received_us", "digest", "content"),
)


class ReadingRun(NamedTuple):
    """Readings of one stream and one set of units."""

    unit_set_id: int
    units: BlockUnits
    content: BlockContent

    @property
    def hashes(self) -> IntArray:
        """The content hash of each, shape (n,)."""
        return block_units.hashes(self.content, self.units)

    def chosen(self, which: BoolArray | IntArray | slice) -> ReadingRun:
        """Those of its readings."""
        return self._replace(content=_chosen(self.content, which))


def _chosen(content: BlockContent, which: BoolArray | IntArray | slice) -> BlockContent:
    stored = None if content.hash_stored is None else content.hash_stored[which]
    return BlockContent(
        seq=content.seq[which],
        at_us=content.at_us[which],
        received_us=content.received_us[which],
        at_uncertainty_s=content.at_uncertainty_s[which],
        values=np.ascontiguousarray(content.values[:, which]),
        in_si=content.in_si,
        hashes=content.hashes[which],
        hash_stored=None if stored is None or not stored.any() else stored,
    )


def row_of(run: ReadingRun, *, level: int = FAST_LEVEL) -> tuple[Any, ...]:
    """The row of a run, in the order of `ROW`. level : of compression."""
    [row] = rows_of([run], [run.hashes], level=level)
    return row


def rows_of(
    runs: Sequence[ReadingRun], hashes: Sequence[IntArray], *, level: int = FAST_LEVEL
) -> list[tuple[Any, ...]]:
    """The rows of runs, in the order of `ROW`. hashes : of each, as `ReadingRun.hashes`."""
    packed = pack_all([run.content for run in runs], level=level)
    return [(*head, one) for head, one in zip(_heads(runs, hashes), packed, strict=True)]


def rows_of_alike(
    runs: AlikeRuns, unit_set_ids: Sequence[int], hashes: IntArray
) -> list[tuple[Any, ...] | None]:
    """
    The rows of runs that came in together, in the order of `ROW`; None for one that is not a block as it is.

    runs : packable. unit_set_ids : of each. hashes : of their readings, shape (g, n).
    """
    last = runs.at_us.shape[1] - 1
    first_us = np.minimum.reduce(runs.at_us, axis=1).tolist()
    last_us = np.maximum.reduce(runs.at_us, axis=1).tolist()
    each = (runs.first_seq, first_us, last_us, unit_set_ids, runs.received_us)
    together = zip(*each, content_hash.digests(hashes), pack_alike(runs), strict=True)
    return [
        (seq, seq + last, from_us, to_us, last + 1, unit_set_id, received_us, received_us, digest, content)
        if _is_one_month(from_us, to_us)
        else None
        for seq, from_us, to_us, unit_set_id, received_us, digest, content in together
    ]


def head_of(run: ReadingRun) -> tuple[int, ...]:
    """What the row of a run says without its content, in the order of `ROW`."""
    [head] = _heads([run], [run.hashes])
    return head


def _heads(runs: Sequence[ReadingRun], hashes: Sequence[IntArray]) -> list[tuple[int, ...]]:
    heads: list[tuple[int, ...]] = [()] * len(runs)
    for places in alike(len(run.content.seq) for run in runs):  # all of a length at once, as `pack_all`
        contents = [runs[place].content for place in places]
        of_each = (
            [content.seq[0] for content in contents],
            [content.seq[-1] for content in contents],
            *_bounds([content.at_us for content in contents]),
            [len(content.seq) for content in contents],
            [runs[place].unit_set_id for place in places],
            *_bounds([content.received_us for content in contents]),
            content_hash.digests(np.array([hashes[place] for place in places])),
        )
        for place, head in zip(places, zip(*of_each, strict=True), strict=True):
            heads[place] = tuple(map(int, head))
    return heads


def _bounds(times_us: Sequence[IntArray]) -> tuple[list[int], list[int]]:
    """The first and the last time of each, shape (n,)."""
    times = np.array(times_us)
    # The operation itself: its method takes as long again on a short run.
    return np.minimum.reduce(times, axis=1).tolist(), np.maximum.reduce(times, axis=1).tolist()


# ---------------------------------------------------------------- cut and join


def arranged(runs: Sequence[ReadingRun], *, most: int = MOST_READINGS) -> list[ReadingRun]:
    """
    The readings of runs as runs that may each be a block.

    most : readings in one. Raises ValueError where a number is in two of them.
    """
    if len(runs) == 1 and _are_blocks(runs, most)[0]:
        return [runs[0]]
    kinds = [_joined(list(of_kind)) for _, of_kind in groupby(sorted(runs, key=_kind), key=_kind)]
    seq = np.concatenate([run.content.seq for run in kinds])
    month = _months(np.concatenate([run.content.at_us for run in kinds]))
    sizes = [len(run.content.seq) for run in kinds]
    kind, place = np.repeat(np.arange(len(kinds)), sizes), np.concatenate([np.arange(n) for n in sizes])
    order = np.argsort(seq, kind="stable")
    twice = np.flatnonzero(np.diff(seq[order]) == 0)
    if len(twice):
        raise ValueError(f"number {seq[order][twice[0]]} is in two runs")
    kind, place, month = kind[order], place[order], month[order]
    edges = np.flatnonzero((np.diff(kind) != 0) | (np.diff(month) != 0)) + 1
    return [
        kinds[kind[first]].chosen(place[first:until])
        for begin, end in pairwise([0, *edges.tolist(), len(seq)])
        for first, until in _pieces(begin, end, most)
    ]


def arranged_each(runs: Sequence[ReadingRun]) -> list[list[ReadingRun]]:
    """`arranged` of each run by itself."""
    are_blocks = _are_blocks(runs, MOST_READINGS)
    return [[run] if is_one else arranged([run]) for run, is_one in zip(runs, are_blocks, strict=True)]


def _kind(run: ReadingRun) -> tuple[int, bool]:
    return run.unit_set_id, run.content.in_si


def _joined(runs: list[ReadingRun]) -> ReadingRun:
    """Runs of one kind as one, in no order."""
    if len(runs) == 1:
        return runs[0]
    contents = [run.content for run in runs]
    some = any(content.hash_stored is not None for content in contents)
    marks = [np.zeros(len(c.seq), np.bool_) if c.hash_stored is None else c.hash_stored for c in contents]
    joined = BlockContent(
        seq=np.concatenate([content.seq for content in contents]),
        at_us=np.concatenate([content.at_us for content in contents]),
        received_us=np.concatenate([content.received_us for content in contents]),
        at_uncertainty_s=np.concatenate([content.at_uncertainty_s for content in contents]),
        values=np.concatenate([content.values for content in contents], axis=1),
        in_si=contents[0].in_si,
        hashes=np.concatenate([content.hashes for content in contents]),
        hash_stored=np.concatenate(marks) if some else None,
    )
    return runs[0]._replace(content=joined)


def _pieces(begin: int, end: int, most: int) -> Iterator[tuple[int, int]]:
    """begin..end in pieces of `most`, and the rest."""
    yield from ((first, min(first + most, end)) for first in range(begin, end, most))


def _months(at_us: IntArray) -> IntArray:
    """UTC months since 1970, shape (n,)."""
    return at_us.view("datetime64[us]").astype("datetime64[M]").astype(np.int64)


def _are_blocks(runs: Sequence[ReadingRun], most: int) -> list[bool]:
    """Which runs may each be a block as they are."""
    are_blocks = [False] * len(runs)
    for places in alike(len(run.content.seq) for run in runs):
        seq = np.array([runs[place].content.seq for place in places])
        if seq.shape[1] > most:
            continue
        rise = np.logical_and.reduce(seq[:, 1:] > seq[:, :-1], axis=1).tolist()
        bounds = zip(*_bounds([runs[place].content.at_us for place in places]), strict=True)
        for place, rises, (first_us, last_us) in zip(places, rise, bounds, strict=True):
            are_blocks[place] = rises and _is_one_month(first_us, last_us)
    return are_blocks


def _is_one_month(first_us: int, last_us: int) -> bool:
    if first_us // DAY_US == last_us // DAY_US:  # as nearly all, and cheaper
        return True
    month = _months(np.array([first_us, last_us]))
    return bool(month[0] == month[1])


def are_same(before: Sequence[ReadingRun], after: Sequence[ReadingRun]) -> bool:
    """True where both are the same readings, to the last bit, however they are cut."""
    return _as_whole(before, after) == _as_whole(after, before)


def _as_whole(runs: Sequence[ReadingRun], others: Sequence[ReadingRun]) -> list[tuple[object, ...]]:
    """
    For each set of units every part of its readings, in order of number, as bytes.

    Values as sent, if all have them, of `others` too; else SI, which they all have.
    """
    in_si = any(run.content.in_si for run in (*runs, *others))
    whole: list[tuple[object, ...]] = []
    for unit_set_id, of_set in groupby(sorted(runs, key=_kind), key=lambda run: run.unit_set_id):
        parts = list(of_set)
        order = np.argsort(np.concatenate([run.content.seq for run in parts]), kind="stable")
        values = [block_units.in_si(r.content, r.units) if in_si else r.content.values for r in parts]
        columns = [
            *(np.concatenate([run.content[place] for run in parts]) for place in range(3)),
            np.concatenate([run.hashes for run in parts]),
            np.concatenate([run.content.at_uncertainty_s for run in parts]),
            *np.concatenate(values, axis=1),
        ]
        whole.append((unit_set_id, *(_canonical(column[order]) for column in columns)))
    return whole


def _canonical(column: npt.NDArray[Any]) -> bytes:
    """The bits of a column; of an absent value those of one NaN."""
    return (np.where(np.isnan(column), np.nan, column) if column.dtype == np.float64 else column).tobytes()


def within(seq: IntArray, numbers: Ranges) -> BoolArray:
    """True where a number is in one of the ranges, which are in order; shape (n,)."""
    inside: BoolArray = places(seq, numbers) % 2 == 1
    return inside


def places(seq: IntArray, numbers: Ranges) -> IntArray:
    """Where each number falls, shape (n,): 2 i + 1 in the ith range, 2 i before it and behind the others."""
    firsts, lasts = np.array(numbers, np.int64).reshape(-1, 2).T
    behind = np.searchsorted(firsts, seq, side="right")
    inside = (behind > 0) & (seq <= np.append(lasts, 0)[behind - 1])
    found: IntArray = 2 * behind - inside
    return found


# ---------------------------------------------------------------- from and to other shapes


def of_new(
    new: NewReadings,
    units: BlockUnits,
    sent: Mapping[str, FloatArray] | None = None,
    *,
    hashes_follow: bool = False,
) -> ReadingRun:
    """
    New readings as a run; the arguments as `ingest.store.stored_blocks.encode` takes them.

    Its content has the hash of every reading, also of those whose hash is not stored.
    """
    received_us = np.full(len(new.seq), new.received_us)
    times = new.seq, new.at_us, received_us, new.at_uncertainty_s
    if sent is None:
        return as_sent(_in_si(times, new.content_hash, new.unit_set_id, units, new.values))
    content = BlockContent(*times, _matrix(units, sent, len(new.seq)), False, new.content_hash, None)
    if not hashes_follow:
        content = block_units.with_hashes(content, units, new.content_hash)
    return ReadingRun(new.unit_set_id, units, content)


def _in_si(
    times: tuple[IntArray, IntArray, IntArray, FloatArray],
    hashes: IntArray,
    unit_set_id: int,
    units: BlockUnits,
    si: Mapping[str, FloatArray],
) -> ReadingRun:
    """times : numbers, instants, received, uncertainties. Raises ValueError on a value without a unit."""
    strange = [name for name in si if name not in units.columns and not np.isnan(si[name]).all()]
    if strange:
        raise ValueError(f"{strange[0]} of reading {times[0][0]} has no unit in set {unit_set_id}")
    stored = np.ones(len(hashes), np.bool_)
    content = BlockContent(*times, _matrix(units, si, len(hashes)), True, hashes, stored)
    return ReadingRun(unit_set_id, units, content)


def as_sent(run: ReadingRun) -> ReadingRun:
    """A run in SI with its values as sent, where each has one; then few of its hashes are stored."""
    sent = block_units.as_sent(run.content.values, run.units)
    if sent is None:
        return run
    content = run.content._replace(values=sent, in_si=False)
    return run._replace(content=block_units.with_hashes(content, run.units, run.content.hashes))


def _matrix(units: BlockUnits, columns: Mapping[str, FloatArray], many: int) -> FloatArray:
    """Columns in the order of the units, shape (k, n); NaN where one is left out."""
    if not columns.keys() >= set(units.columns):
        columns = {**dict.fromkeys(units.columns, np.full(many, np.nan)), **columns}
    return np.array([columns[name] for name in units.columns], np.float64).reshape(-1, many)


def of_rows(rows: Sequence[StoredReadingRow], units: Mapping[int, BlockUnits]) -> list[ReadingRun]:
    """
    Rows of readings as runs in SI, one for each set of units.

    units : by id of the set. Raises ValueError where a row has a value that its units do not name.
    """
    ordered = sorted(rows, key=lambda row: (row["unit_set_id"], row["seq"]))
    groups = groupby(ordered, key=lambda row: int(row["unit_set_id"]))
    return [_of_rows(list(group), number, units[number]) for number, group in groups]


def _of_rows(rows: list[StoredReadingRow], unit_set_id: int, units: BlockUnits) -> ReadingRun:
    def whole(name: str) -> IntArray:
        return np.array([row[name] for row in rows], np.int64)

    def values(name: str) -> FloatArray:
        return np.array([row.get(name) for row in rows], np.float64)

    times = whole("seq"), whole("at_us"), whole("received_us"), values("at_uncertainty_s")
    return _in_si(times, whole("content_hash"), unit_set_id, units, {name: values(name) for name in _COLUMNS})


_COLUMNS = tuple(quantity.column for quantity in QUANTITIES.values())


def as_rows(run: ReadingRun, stream_id: int) -> list[StoredReadingRow]:
    """The readings of a run as rows of the table `readings`, in order of number."""
    content = run.content
    columns: dict[str, list[Any]] = {
        "seq": content.seq.tolist(),
        "at_us": content.at_us.tolist(),
        "at_uncertainty_s": with_none(content.at_uncertainty_s),
        "content_hash": run.hashes.tolist(),
        "received_us": content.received_us.tolist(),
    }
    si = block_units.in_si(content, run.units)
    columns |= {name: with_none(si[place]) for place, name in enumerate(run.units.columns)}
    same = {"stream_id": stream_id, "unit_set_id": run.unit_set_id} | dict.fromkeys(_COLUMNS)
    return [same | dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def with_none(column: FloatArray) -> list[float | None]:
    return [None if value != value else value for value in column.tolist()]
