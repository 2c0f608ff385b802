"""
Import a bundle, a backlog carried as a file, block by block through the same steps as a batch over the link.

Promises: no block counts before its MAC fits a valid key of its device. Each block is committed by itself: of
a bundle cut short or altered the good beginning is stored, and importing the same file again finds repeats. A
bundle is read once, from its beginning, one block in memory at a time. The audit log has who brought it,
before the first block and after the last.
Leaves to others: the file (`gateway.bundle`), taking in a batch (`ingest.intake.receive`), the commit
(`Run`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, BinaryIO, Final, Protocol, TypeVar

import sqlalchemy as sa

from cleanside.gateway.bundle import BlockReader, BundleBroken, Header, read_header
from cleanside.gateway.wire import MAX_LISTED, Answer, Batch, BatchRefused, decode, instant_text
from cleanside.ingest.checking.incoming import Incoming, prepare, stream_name, units_text
from cleanside.ingest.errors import Refused, writable
from cleanside.ingest.intake import receive as intake
from cleanside.ingest.intake.codes import NEXT_STEPS
from cleanside.ingest.store import audit, keys, readings, stored, streams
from cleanside.ingest.store.keys import Key

T = TypeVar("T")

CUT_SHORT: Final = "bundle_cut_short"
ALTERED: Final = "bundle_altered"


class Run(Protocol):
    """Does work on a writing connection and commits it; gives its result once that is durable."""

    def __call__(self, work: Callable[[sa.Connection], T], /) -> T:
        """Raises what the work raises, and TryAgain where the store does not take it now."""


@dataclass(frozen=True, slots=True)
class NotTaken:
    """A part that was not taken: one block, or all blocks from it on."""

    block: int
    code: str
    detail: str


@dataclass(slots=True)
class Imported:
    """The outcome of an import."""

    device: str
    #: handle of the key that made it
    key: str
    blocks: int = 0
    stored: int = 0
    duplicates: int = 0
    quarantined: int = 0
    #: stream -> its mark after the last block of it
    marks: dict[str, int] = field(default_factory=dict)
    not_taken: list[NotTaken] = field(default_factory=list)

    @property
    def is_whole(self) -> bool:
        """Every block was there, sound, and taken."""
        return not self.not_taken

    def document(self) -> dict[str, Any]:
        """The members of the answer."""
        listed = [
            dataclasses.asdict(entry) | {"next_step": NEXT_STEPS[entry.code]}
            for entry in self.not_taken[:MAX_LISTED]
        ]
        more = len(self.not_taken) - len(listed)
        return {
            "device": self.device,
            "whole": self.is_whole,
            "blocks": self.blocks,
            "stored": self.stored,
            "duplicates": self.duplicates,
            "quarantined": self.quarantined,
            "streams": [
                {"stream": stream, "acknowledged_through": mark} for stream, mark in self.marks.items()
            ],
            "not_taken": listed,
        } | ({"not_taken_more": more} if more else {})

    def count(self, answer: Answer) -> None:
        """Count a block that was taken."""
        self.blocks += 1
        self.stored += answer.stored
        self.duplicates += answer.duplicates
        self.quarantined += sum(note.last - note.first + 1 for note in answer.quarantined)
        if answer.stream is not None and answer.acknowledged_through is not None:
            self.marks[answer.stream] = answer.acknowledged_through

    def refuse(self, block: int, code: str, detail: str) -> None:
        """Count a block that was not taken."""
        self.not_taken.append(NotTaken(block, code, writable(detail)))


@dataclass(frozen=True, kw_only=True, slots=True)
class Bringer:
    """Who imports a bundle, and with which means."""

    owner_id: int
    #: handle of the operator's key, or "command"
    who: str
    run: Run
    #: microseconds since 1970
    clock: Callable[[], int]
    sqlite: bool

    def note(self, what: str, about: dict[str, Any]) -> None:
        """Write an audit line."""
        self.run(lambda c: audit.note(c, self.owner_id, self.clock(), self.who, what, **about))


def take_in(file: BinaryIO, bringer: Bringer) -> Imported:
    """
    Import a bundle up to its first bad block.

    file : at its beginning; only read forwards. Raises Refused where no block counts (`bundle_unreadable`,
    `bundle_not_authentic`), and TryAgain where the store does not take it now: committed blocks stay, and the
    person imports the same file again.
    """
    try:
        header = read_header(file)
        reader = BlockReader(file, header)
    except BundleBroken as error:
        raise Refused("bundle_unreadable", status=400, why=str(error)) from None
    key = _key_of(reader, header, bringer)
    bringer.note("bundle_begun", {"device": header.device, "key": key.handle})
    imported = Imported(header.device, key.handle)
    try:
        for block, body in enumerate(reader, 1):
            _take_block(block, body, imported, bringer)
    except BundleBroken as error:
        imported.refuse(error.block, ALTERED if error.is_altered else CUT_SHORT, str(error))
    bringer.note("bundle", {"key": key.handle} | imported.document())
    return imported


def _key_of(reader: BlockReader, header: Header, bringer: Bringer) -> Key:
    """The key that the bundle was made with. Raises Refused where there is none, or it is revoked."""
    bound = bringer.run(lambda c: keys.of_device(c, bringer.owner_id, header.device))
    found = next((key for key in bound if reader.is_made_with(bytes.fromhex(key.secret_hash))), None)
    if found is None:
        about = _why_no_key(header, [key.handle for key in bound])
    elif found.revoked_us is not None:
        about = {"device": header.device, "why": "key_revoked", "key": found.handle}
        about |= {"revoked_at": instant_text(found.revoked_us)}
    else:
        return found
    bringer.note("bundle_refused", about)
    because = audit.bundle_sentence(about["why"], about)
    values: dict[str, Any] = about
    raise Refused("bundle_not_authentic", status=422, because=because, **values)


def _why_no_key(header: Header, handles: Sequence[str]) -> dict[str, str]:
    """Why a bundle was made with none of the device's keys. handles : of those, revoked ones too."""
    if header.key is None:
        return {"device": header.device, "why": "no_key"}
    why = "altered" if header.key in handles else "key_unknown"
    return {"device": header.device, "why": why, "key": header.key}


def _take_block(block: int, body: bytes, imported: Imported, bringer: Bringer) -> None:
    try:
        batch = decode(body)
        if batch.device != imported.device:
            about: dict[str, Any] = {"block": block, "other": batch.device, "device": imported.device}
            raise Refused("block_of_another_device", status=403, code="key_not_for_device", **about)
        units = units_text(batch)
        unit_set_id, as_blocks = bringer.run(lambda c: _how_stored(c, units))
        incoming = prepare(
            batch,
            owner_id=bringer.owner_id,
            units=units,
            unit_set_id=unit_set_id,
            received_us=bringer.clock(),
            sqlite=bringer.sqlite,
            as_blocks=as_blocks,
            who=bringer.who,
        )
        imported.count(bringer.run(lambda c: _receive(c, incoming)))
    except BatchRefused as error:
        imported.refuse(block, "not_a_batch", str(error))
    except Refused as error:
        imported.refuse(block, error.code, str(error))


def _how_stored(connection: sa.Connection, units: str) -> tuple[int, bool]:
    """The id of a set of units, and whether new readings become blocks."""
    return readings.keep_unit_set(connection, units), stored.writes_blocks(connection)


def _receive(connection: sa.Connection, incoming: Incoming) -> Answer:
    stream = streams.find(connection, incoming.owner_id, stream_name(incoming.batch), lock=True)
    if stream is not None:
        incoming = incoming._replace(batch=_as_of_then(incoming.batch, stream.highest))
    return intake.receive(connection, incoming)


def _as_of_then(batch: Batch, highest: int) -> Batch:
    """
    The batch without its report of the appended numbers, where the link has brought later numbers since.

    A bundle may be days old, so fewer numbers than the server knows are no sign of a copied disk. A copied
    disk still shows by its installation, or by numbers with other contents.
    """
    report = batch.gateway
    if report is None or report.appended_through is None or report.appended_through >= highest:
        return batch
    return dataclasses.replace(batch, gateway=dataclasses.replace(report, appended_through=None))
