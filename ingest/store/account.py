"""
The account of a stream: each number 1..through in exactly one state, counted from the rows.

Promises: stored and quarantined numbers are read from the rows themselves as ranges, never by subtraction.
Mark and islands, which the acknowledgement depends on, are compared with them.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store import archive, declared, dialect, reported, stored, streams
from cleanside.ingest.store.archive import overlap
from cleanside.ingest.store.declared import DeclaredLine
from cleanside.ingest.store.marks import Marks, Ranges, count, intersect, subtract, union
from cleanside.ingest.store.models import quarantine
from cleanside.ingest.store.quarantine import DISCARDED, HELD
from cleanside.ingest.store.second_readings import OF_A_PERSON
from cleanside.ingest.store.streams import Stream

#: what does not balance -> its sentence
FAULTS: Mapping[str, str] = {
    "stored_twice": "numbers {numbers} are stored twice",
    "acknowledged_and_missing": "{numbers} were acknowledged and are missing; the gateway sends them again",
    "in_two_states": "numbers {numbers} are both {one} and {other}",
    "beyond_the_highest": "rows reach number {reached}, the highest seen is {highest}",
    "in_no_state": "numbers {numbers} are acknowledged or counted as held, and are in no state",
    "counted_as_missing": "numbers {numbers} have rows, and are counted as missing",
}


@dataclass(frozen=True)
class BalanceFault:
    """What does not balance, by code and values; `str` is its sentence."""

    #: one of FAULTS
    code: str
    values: Mapping[str, Any]
    #: of the numbers that it is about
    ranges: Ranges = ()

    def __str__(self) -> str:
        return FAULTS[self.code].format(**self.values, numbers=_text(self.ranges))


@dataclass(frozen=True, kw_only=True)
class StreamBalance:
    """Where every number of a stream is."""

    stream: str
    device: str
    #: the account covers 1..through, the higher of the gateway's report and the highest number seen
    through: int
    acknowledged_through: int
    highest: int
    stored: int
    quarantined: int
    discarded: int
    shed: int
    #: a person moved the reading: it is in quarantine again, or with another device
    moved: int
    gap: int
    pending: int
    #: counted separately: they are no numbers of their own
    duplicates: int
    conflicts: int
    gaps: Ranges
    #: numbers that the server acknowledged and does not have: a restore lost them, the gateway sends them
    #: again
    lost: int
    #: empty where the account balances
    faults: tuple[BalanceFault, ...]
    #: losses and damage that its gateway declared
    declared: tuple[DeclaredLine, ...] = ()

    @property
    def balances(self) -> bool:
        """Every number is in exactly one state, and every acknowledged one is accounted for."""
        return not self.faults


def accounts(connection: sa.Connection, owner_id: int | None = None) -> Iterator[StreamBalance]:
    """The account of each stream of an owner, or of all owners, with what its gateway declared."""
    said: dict[int, list[DeclaredLine]] = {}
    for line in declared.lines(connection, owner_id):
        said.setdefault(line.stream_id, []).append(line)
    for stream in streams.all_of(connection, owner_id):
        account = account_of(connection, stream)
        yield dataclasses.replace(account, declared=tuple(said.get(stream.id, ())))


def faults_of(balances: Iterable[StreamBalance]) -> list[str]:
    """What does not balance, each with its device and stream."""
    return [f"{one.device} stream {one.stream}: {fault}" for one in balances for fault in one.faults]


def account_of(connection: sa.Connection, stream: Stream) -> StreamBalance:
    """The account of one stream."""
    marks = streams.marks_of(connection, stream)
    in_rows, in_blocks = stored.ranges(connection, stream.id)
    return balance(
        stream,
        marks,
        stored=in_rows,
        elsewhere=[in_blocks, *archive.numbers_of(connection, stream.id)],
        quarantined=quarantined_numbers(connection, stream.id),
        discarded=dialect.ranges(connection, _quarantined(stream.id, DISCARDED)),
        lost_mark=reported.lost_marks_of(connection, [stream.id]).get(stream.id, 0),
    )


def quarantined_numbers(connection: sa.Connection, stream_id: int) -> Ranges:
    """Numbers of a stream that are quarantined."""
    return dialect.ranges(connection, _quarantined(stream_id, HELD))


def _quarantined(stream_id: int, state: str) -> sa.Select[int]:
    return sa.select(quarantine.c.seq).where(
        quarantine.c.stream_id == stream_id, quarantine.c.state == state, sa.not_(quarantine.c.beside)
    )


def balance(
    stream: Stream,
    marks: Marks,
    *,
    stored: Ranges,
    quarantined: Ranges,
    discarded: Ranges,
    elsewhere: Sequence[Ranges] = (),
    lost_mark: int = 0,
) -> StreamBalance:
    """
    Compare the rows with the marks and with the gateway's report. Pure.

    elsewhere : the numbers in blocks, and in each file of the archive; they count as stored too.
    lost_mark : the mark that the gateway says it was answered, where it is above ours; 0: it is not.
    """
    twice = overlap([stored, *elsewhere])
    stored = union(stored, *elsewhere)
    # Reports arrive out of order, and some batches have none: a report below the highest seen is ignored.
    through = max(stream.appended_through or 0, stream.highest)
    shed = union((s.first, s.last) for s in marks.shed if s.reason not in OF_A_PERSON)
    moved = union((s.first, s.last) for s in marks.shed if s.reason in OF_A_PERSON)
    states = {"stored": stored, "quarantined": quarantined, "discarded": discarded}
    states |= {"shed": shed, "moved": moved}
    everything = union(*states.values())
    missing = subtract([(1, stream.highest)], everything) if stream.highest else ()
    lost = subtract([(1, lost_mark)], marks.covered) if lost_mark else ()
    pending = ((stream.highest + 1, through),) if through > stream.highest else ()
    return StreamBalance(
        stream=stream.stream,
        device=stream.device,
        through=through,
        acknowledged_through=marks.mark,
        highest=stream.highest,
        stored=count(stored),
        quarantined=count(quarantined),
        discarded=count(discarded),
        shed=count(shed),
        moved=count(moved),
        gap=count(missing),
        pending=count(pending),
        duplicates=stream.duplicates,
        conflicts=stream.conflicts,
        gaps=missing,
        lost=count(lost),
        faults=(
            *((BalanceFault("stored_twice", {}, twice),) if twice else ()),
            *((BalanceFault("acknowledged_and_missing", {}, lost),) if lost else ()),
            *_faults(marks, states, everything, missing),
        ),
    )


def _faults(
    marks: Marks, states: dict[str, Ranges], everything: Ranges, missing: Ranges
) -> Iterator[BalanceFault]:
    names = list(states)
    for i, one in enumerate(names):
        for other in names[i + 1 :]:
            if twice := intersect(states[one], states[other]):
                yield BalanceFault("in_two_states", {"one": one, "other": other}, twice)
    if everything and everything[-1][1] > marks.highest:
        yield BalanceFault("beyond_the_highest", {"reached": everything[-1][1], "highest": marks.highest})
    if lost := intersect(missing, marks.covered):
        yield BalanceFault("in_no_state", {}, lost)
    seen = intersect(everything, ((1, marks.highest),)) if marks.highest else ()
    if strange := subtract(seen, marks.covered):
        yield BalanceFault("counted_as_missing", {}, strange)


def _text(ranges: Ranges) -> str:
    shown = ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in ranges[:4])
    return shown + (f" and {len(ranges) - 4} ranges more" if len(ranges) > 4 else "")
