"""
A decoded batch with everything that needs no database, and how it is stored.

Promises: `prepare` is pure; where nothing is doubted, the rows that it encoded are written unchanged.
Leaves to others: decoding (`gateway.wire`), which readings are new (`ingest.checking.repeats`), which are
believed (`ingest.checking.doubts`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES, accepts
from cleanside.gateway.wire import Batch
from cleanside.ingest.checking import checks, content
from cleanside.ingest.checking.content import FloatArray, HashArray
from cleanside.ingest.store import readings, stored, streams
from cleanside.ingest.store.at_rest import NewReadings
from cleanside.ingest.store.marks import ranges_of


class Incoming(NamedTuple):
    """A decoded batch with everything that needs no database."""

    owner_id: int
    batch: Batch
    #: instants, 0 where not understood [us]; and which are understood, None: all
    at_us: npt.NDArray[np.int64]
    at_known: npt.NDArray[np.bool_] | None
    #: column -> values in SI; NaN where absent
    si: Mapping[str, FloatArray]
    #: `content.all_as_sent`
    sent: FloatArray
    hashes: HashArray
    #: True: the hashes are those of these instants and values alone; False: that has to be looked at
    hashes_follow: bool
    #: doubts that the readings alone show
    doubts: checks.Doubts
    #: `units_text`, and its id
    units: str
    unit_set_id: int
    received_us: int
    sqlite: bool
    #: handle of the key that posts it, or "server"
    who: str = "server"
    #: all readings, ready to be stored, where they have numbers and nothing is doubted so far
    ready: readings.EncodedReadings | None = None

    @property
    def order_key(self) -> str:
        """Batches of one commit are processed in this order, so that processes lock streams in one order."""
        return f"{self.owner_id} {stream_name(self.batch)}"


def prepare(
    batch: Batch,
    *,
    owner_id: int,
    units: str,
    unit_set_id: int,
    received_us: int,
    sqlite: bool,
    as_blocks: bool = False,
    who: str = "server",
) -> Incoming:
    """
    Turn a batch into arrays, check its values, and encode it for the database in use.

    units : `units_text`. as_blocks : the form in which it will probably be stored.
    """
    sent = content.all_as_sent(batch)
    si = content.in_si(batch, sent)
    at_us, at_known = checks.instants_of(batch)
    incoming = Incoming(
        owner_id=owner_id,
        batch=batch,
        at_us=at_us,
        at_known=at_known,
        si=si,
        sent=sent,
        hashes=content.content_hashes(batch, sent),
        hashes_follow=content.hashes_follow(batch),
        doubts=checks.doubts_of_values(batch, si),
        units=units,
        unit_set_id=unit_set_id,
        received_us=received_us,
        sqlite=sqlite,
        who=who,
    )
    if batch.seq is None or incoming.doubts or not len(batch):
        return incoming
    return incoming._replace(ready=encode_chosen(incoming, batch.seq, None, as_blocks=as_blocks))


def known_as(incoming: Incoming, hashes: Sequence[int]) -> Incoming:
    """
    The same readings under content hashes that were fixed on receipt: what was amended since keeps them, so
    that a resend of what was sent is a duplicate.
    """
    fixed = np.array(hashes, dtype=np.int64)
    return incoming._replace(hashes=fixed, hashes_follow=False, ready=None)


def stream_name(batch: Batch) -> str:
    """The stream of a batch; readings without numbers share one for each device."""
    return batch.stream if batch.stream is not None else streams.UNNUMBERED + batch.device


def units_text(batch: Batch) -> str:
    """The units in which a batch's stored values were sent, as canonical JSON."""
    used = {
        name: unit
        for name in batch.columns
        if name in QUANTITIES and (unit := batch.units.get(name)) is not None and accepts(unit, name)
    }
    return json.dumps(used, sort_keys=True)


def store_believed(
    connection: sa.Connection,
    stream_id: int,
    incoming: Incoming,
    numbers: Sequence[int],
    *,
    among: list[int] | None,
    doubts: checks.Doubts,
) -> int:
    """
    Store the readings without a doubt, under their numbers. Returns how many.

    among : indexes to choose from, None: all.
    """
    chosen = among
    if doubts:
        all_of_them = range(len(numbers)) if among is None else among
        chosen = [index for index in all_of_them if index not in doubts]
    if not len(numbers) or chosen == []:
        return 0
    encoded = incoming.ready
    if chosen is not None or encoded is None:
        encoded = encode_chosen(incoming, numbers, chosen, as_blocks=stored.writes_blocks(connection))
    if incoming.batch.at_text:
        kept = range(len(numbers)) if chosen is None else set(chosen)
        texts = {numbers[i]: text for i, text in incoming.batch.at_text.items() if i in kept}
        readings.put_exact_times(connection, stream_id, texts)
    readings.put(connection, [(stream_id, encoded)])
    written = numbers if chosen is None else [numbers[i] for i in chosen]
    stored.refuse_twice(connection, stream_id, ranges_of(sorted(written)))
    return encoded.many


def encode_chosen(
    incoming: Incoming, numbers: Sequence[int], chosen: list[int] | None, *, as_blocks: bool
) -> readings.EncodedReadings:
    """The chosen readings, ready to be stored; None: all."""
    rows = NewReadings(
        seq=_as_array(numbers),
        at_us=incoming.at_us,
        at_uncertainty_s=_uncertainty(incoming.batch),
        content_hash=incoming.hashes,
        values=incoming.si,
        unit_set_id=incoming.unit_set_id,
        received_us=incoming.received_us,
    )
    sent: stored.AsSent | None = None
    if as_blocks:
        values = content.known_as_sent(incoming.batch, incoming.sent)
        sent = stored.AsSent(incoming.units, values, incoming.hashes_follow)
    if chosen is not None:
        pick = np.array(chosen)
        rows, sent = rows.chosen(pick), None if sent is None else sent.chosen(pick)
    return readings.encode(rows, sent, sqlite=incoming.sqlite)


def _as_array(numbers: Sequence[int]) -> npt.NDArray[np.int64]:
    if isinstance(numbers, range):
        return np.arange(numbers.start, numbers.stop, dtype=np.int64)
    return np.array(numbers, dtype=np.int64)


def _uncertainty(batch: Batch) -> FloatArray:
    given = batch.at_uncertainty_s
    if isinstance(given, Sequence):
        return content.as_sent(given)
    return np.full(len(batch), np.nan if given is None else given)
