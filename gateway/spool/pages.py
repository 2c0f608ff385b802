"""
Reads a damaged spool page by page, without its tree: for rows that SQLite itself cannot reach any more.

Where the first page or an inner one is gone, SQLite refuses the file, though nearly all of its readings are
sound. Here each page is read by itself, pages of the log in place of older ones, and a record counts only if
it has exactly the form of one of our tables.
Promises: reads only; no content of a file makes it raise; returned rows are as they were written. One slow
pass over the file: not under the spool's lock. Leaves to others: what SQLite can read, and carrying rows over
(`gateway.spool.rescue`).

The format: sqlite.org/fileformat2.html, sections 1.6 (b-tree pages), 2.1 (records) and 4 (the log).
"""

from __future__ import annotations

import json
import struct
from bisect import bisect_left
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import accumulate
from pathlib import Path
from typing import Any, Final

from cleanside.gateway.spool.rows import Row

PAGE_BYTES: Final = 4096  # SQLite's default, which a spool has always had
_TABLE_LEAF, _INDEX_LEAF = 13, 10
_LOG_HEADER_BYTES, _FRAME_HEADER_BYTES = 32, 24
_LOG_MAGIC: Final = 0x377F0682  # the last bit says the byte order of its checksums
_STATES: Final = ("open", "forked", "closed")

PageRecord = tuple[Any, ...]  # int, float, str, bytes or None, as in the file


@dataclass(frozen=True, slots=True)
class _Leaf:
    """A page with readings."""

    first: int
    last: int
    #: of the page in the file, from 1; 0: it is in the log
    number: int
    #: in the log
    offset: int = 0


@dataclass
class Pages:
    """The content of the pages of one file. Made by `read_pages`."""

    path: Path
    #: number, stream, first_position, last_position, acknowledged_through, sent_through, state
    streams: list[PageRecord] = field(default_factory=list)
    #: first_position -> stream: the copies
    names: dict[int, str] = field(default_factory=dict)
    #: number -> units as JSON; the same in the copies beside them
    unit_sets: dict[int, str] = field(default_factory=dict)
    unit_copies: dict[int, str] = field(default_factory=dict)
    #: number -> boot
    boots: dict[int, str] = field(default_factory=dict)
    placements: list[PageRecord] = field(default_factory=list)
    #: stream number, first, last, reason
    shed: list[PageRecord] = field(default_factory=list)
    #: number, stream number, at_seq, event, detail as JSON
    events: list[PageRecord] = field(default_factory=list)
    #: source -> mark; the notes too, which have the same form
    pairs: dict[str, str] = field(default_factory=dict)
    #: of the file, from its first page; 0: not readable
    version: int = 0
    #: the highest position known to be used; 0: none
    highest: int = 0
    _log: bytes = b""
    _leaves: list[_Leaf] = field(default_factory=list)
    _reach: list[int] = field(default_factory=list)  # the highest position up to each leaf

    def readings(self, first: int, last: int) -> list[Row]:
        """The readings at positions first..last on readable pages, in order."""
        by_position: dict[int, Row] = {}
        for index in range(bisect_left(self._reach, first), len(self._leaves)):
            leaf = self._leaves[index]
            if leaf.first > last:
                break
            if leaf.last >= first:
                for position, record in _records(self._page(leaf)):
                    if first <= position <= last and _is_reading(record):
                        by_position[position] = _row(position, record)
        return [by_position[position] for position in sorted(by_position)]

    def last_within(self, first: int, last: int) -> int:
        """The last position of first..last on a page; first - 1: none."""
        return max([first - 1, *(leaf.last for leaf in self._leaves if first <= leaf.last <= last)])

    @property
    def has_readings(self) -> bool:
        """True if at least one page has readings and nothing else."""
        return bool(self._leaves)

    def _page(self, leaf: _Leaf) -> bytes:
        if not leaf.number:
            return self._log[leaf.offset : leaf.offset + PAGE_BYTES]
        with suppress(OSError), self.path.open("rb") as file:
            file.seek((leaf.number - 1) * PAGE_BYTES)
            return file.read(PAGE_BYTES)
        return b""


def first_page(path: Path) -> bytes:
    """The first page in SQLite's view: the newest one of the log, else the file's. Raises OSError."""
    log = _read_log(path)
    offset = _frames(log).get(1)
    if offset is not None:
        return log[offset : offset + PAGE_BYTES]
    with path.open("rb") as file:
        return file.read(PAGE_BYTES)


def _read_log(path: Path) -> bytes:
    with suppress(OSError):
        return path.with_name(f"{path.name}-wal").read_bytes()
    return b""


def read_pages(path: Path, *, most: int | None = None) -> Pages:
    """
    Read every page of the spool at `path`, and of its log beside it.

    most : pages of the file to read; None: all.
    """
    log = _read_log(path)
    pages = Pages(path, _log=log)
    frames = _frames(log)
    number = 1
    with suppress(OSError), path.open("rb") as file:  # of a disk that fails: the pages so far count
        while (most is None or number <= most) and (page := file.read(PAGE_BYTES)):
            if number == 1:
                pages.version = int.from_bytes(page[60:64], "big")  # sqlite.org/fileformat2.html, 1.3.16
            if number > 1 and number not in frames:  # the first has none of our records
                _take(pages, page, number=number)
            number += 1
    for offset in frames.values():
        _take(pages, log[offset : offset + PAGE_BYTES], offset=offset)
    pages._leaves.sort(key=lambda leaf: leaf.first)
    pages._reach = list(accumulate((leaf.last for leaf in pages._leaves), max))
    pages.highest = max([pages.highest, *pages._reach[-1:]])
    return pages


# ---------------------------------------------------------------- which table a record is of


def _take(pages: Pages, page: bytes, *, number: int = 0, offset: int = 0) -> None:
    ends = [next(_records(page, backward=backward), None) for backward in (False, True)]
    if ends[0] is None or ends[1] is None:
        return
    if page[0] == _TABLE_LEAF and all(end is not None and _is_reading(end[1]) for end in ends):
        pages._leaves.append(_Leaf(ends[0][0], ends[1][0], number, offset))  # read when it is asked for
        return
    for row_number, record in _records(page):
        if page[0] == _TABLE_LEAF:
            _take_numbered(pages, row_number, record)
        else:
            _take_keyed(pages, record)


def _take_numbered(pages: Pages, number: int, record: PageRecord) -> None:
    """A record of a table with numbers of its own."""
    match record:
        case (None, 1, str(units)):
            pages.unit_sets[number] = units
        case (None, 1, str(units), str(copy)):
            _take_unit_set(pages, number, units, copy)
        case (None, str(stream)) if len(stream) == 36:
            pages.names[number] = stream
        case ("readings", int(highest)):
            pages.highest = max(pages.highest, highest)
        case (None, *rest):
            _take_row(pages, _as_written((number, *rest)))


def _take_unit_set(pages: Pages, number: int, units: str, copy: str) -> None:
    """Both texts of a unit set: where they differ, the readings' sums show which is right."""
    pages.unit_sets[number] = units
    with suppress(ValueError, LookupError, TypeError):
        pages.unit_copies[number] = str(json.loads(copy)[2])


def _take_row(pages: Pages, row: PageRecord) -> None:
    match row:
        case (int(), str(), int(), int() | None, int(), int(), str(state)) if state in _STATES:
            pages.streams.append(row)
        case (int(number), str(boot), int(), int() | None, int() | None):
            pages.boots[number] = boot
        case (int(), int(), int(), str(), str(detail)) if detail.startswith("{"):
            pages.events.append(row)


def _take_keyed(pages: Pages, record: PageRecord) -> None:
    """A record of a table that is its own index."""
    match _as_written(record):
        case (str(name), str(value)):
            pages.pairs[name] = value
        case (int(), int(), int(), str()) as row:
            pages.shed.append(row)
        case (int(), int(), int(), int(), int(), int(), int(), str()) as row:
            pages.placements.append(row)


def _as_written(row: PageRecord) -> PageRecord:
    """A row of a small table without its copy; None where they differ. An earlier version has no copies."""
    if not isinstance(row[-1], str) or not row[-1].startswith("["):
        return row
    try:
        is_same = json.loads(row[-1]) == list(row[:-1])
    except ValueError:
        is_same = False
    return row[:-1] if is_same else ()


def _is_reading(record: PageRecord) -> bool:
    match record:
        case (None, int() | None, int(), int() | float() | None, int(), str(payload)) | (
            None, int() | None, int(), int() | float() | None, int(), str(payload), int() | None,
        ):  # fmt: skip
            return payload.startswith("[")
    return False


def _row(position: int, record: PageRecord) -> Row:
    _, boot, time_us, uncertainty_s, unit_set, payload, *sums = record
    doubt_s = None if uncertainty_s is None else float(uncertainty_s)  # 4.0 is stored as 4
    return position, boot, time_us, doubt_s, unit_set, payload, sums[0] if sums else None


# ---------------------------------------------------------------- the format of SQLite


def _records(page: bytes, *, backward: bool = False) -> Iterator[tuple[int, PageRecord]]:
    """Row number (0 in an index) and record of each readable cell of a leaf, in order."""
    if len(page) < PAGE_BYTES or page[0] not in (_TABLE_LEAF, _INDEX_LEAF):
        return
    (cells,) = struct.unpack_from(">H", page, 3)
    if 8 + 2 * cells > len(page):
        return
    for begin in struct.unpack_from(f">{cells}H", page, 8)[:: -1 if backward else 1]:
        with suppress(IndexError, ValueError, struct.error):
            size, at = _varint(page, begin)
            number = 0
            if page[0] == _TABLE_LEAF:
                number, at = _varint(page, at)
            if size <= PAGE_BYTES - at:  # longer ones continue on another page; ours never do
                yield _signed(number), _record(page[at : at + size])


def _record(content: bytes) -> PageRecord:
    head, at = _varint(content, 0)
    body = head
    values = []
    while at < head:
        kind, at = _varint(content, at)
        value, size = _value(kind, content, body)
        values.append(value)
        body += size
    if body != len(content):
        raise ValueError("not a record")
    return tuple(values)


def _value(kind: int, content: bytes, at: int) -> tuple[int | float | str | bytes | None, int]:
    if kind == 0:
        return None, 0
    if kind <= 6:
        size = (1, 2, 3, 4, 6, 8)[kind - 1]
        if at + size > len(content):
            raise ValueError("not a record")
        return int.from_bytes(content[at : at + size], "big", signed=True), size
    if kind == 7:
        return struct.unpack_from(">d", content, at)[0], 8
    if kind in (8, 9):
        return kind - 8, 0
    if kind < 12:
        raise ValueError("not a record")
    size = (kind - 12) // 2
    part = content[at : at + size]
    return (part.decode() if kind % 2 else part), size


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for count in range(8):
        byte = data[at + count]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + count + 1
    return value << 8 | data[at + 8], at + 9


def _signed(number: int) -> int:
    return number - 2**64 if number >= 2**63 else number


def _frames(log: bytes) -> dict[int, int]:
    """The place of the newest committed content of each page in the log: page number -> offset."""
    if len(log) < _LOG_HEADER_BYTES:
        return {}
    magic, _, page_bytes, _, *salts = struct.unpack_from(">6I", log)
    if magic & ~1 != _LOG_MAGIC or page_bytes != PAGE_BYTES:
        return {}
    order = ">" if magic & 1 else "<"
    sums = _checksum(log[:24], (0, 0), order)
    if sums != struct.unpack_from(">2I", log, 24):
        return {}
    committed: dict[int, int] = {}
    pending: dict[int, int] = {}
    at = _LOG_HEADER_BYTES
    while at + _FRAME_HEADER_BYTES + PAGE_BYTES <= len(log):
        number, size_after, salt_1, salt_2, *said = struct.unpack_from(">6I", log, at)
        content = at + _FRAME_HEADER_BYTES
        sums = _checksum(log[at : at + 8] + log[content : content + PAGE_BYTES], sums, order)
        if [salt_1, salt_2] != salts or list(sums) != said:
            break  # of an earlier round of the log, or torn: SQLite ends here too
        pending[number] = content
        if size_after:  # the last frame of a transaction
            committed |= pending
            pending = {}
        at = content + PAGE_BYTES
    return committed


def _checksum(data: bytes, sums: tuple[int, int], order: str) -> tuple[int, int]:
    first, second = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for one, other in zip(words[::2], words[1::2], strict=True):
        first = (first + one + second) & 0xFFFFFFFF
        second = (second + other + first) & 0xFFFFFFFF
    return first, second
