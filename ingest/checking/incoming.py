"""
A decoded batch with everything that needs no database, and how it is stored.

Promises: `prepare` is pure; where nothing is doubted, the rows that it encoded are written unchanged.
Leaves to others: decoding (`gateway.wire`), which readings are new (`ingest.checking.repeats`), which are
believed (`ingest.checking.doubts`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from functools import lru_cache, partial
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES, accepts
from cleanside.gateway.wire import Batch
from cleanside.ingest.checking import checks, content
from cleanside.ingest.checking.content import FloatArray, HashArray
from cleanside.ingest.checking.plausible_time import falls_back
from cleanside.ingest.store import dialect, readings, stored, streams
from cleanside.ingest.store.alike import alike
from cleanside.ingest.store.at_rest import NewReadings
from cleanside.ingest.store.block_content import AlikeRuns
from cleanside.ingest.store.marks import ranges_of

#: numbers in one array, over several batches: as many as some sixteen have. Measured: with 16,000 one of
#: sixteen takes 1.3 times as long, with 26,000 1.1 times. Where the C library gives freed memory back
#: (`ingest.commands.freed_memory`), smaller arrays are faster, 0.9 times with 16,000.
MOST_NUMBERS = 50_000


class Incoming(NamedTuple):
    """A decoded batch with everything that needs no database."""

    owner_id: int
    batch: Batch
    #: instants, 0 where not understood [us]; and which are understood, None: all
    at_us: npt.NDArray[np.int64]
    at_known: npt.NDArray[np.bool_] | None
    #: lowest and highest instant [us], and whether one lies far before the one below it in number
    span_us: tuple[int, int]
    falls_back: bool
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
    def is_plain(self) -> bool:
        """True where it has numbers and nothing is doubted so far."""
        return self.batch.seq is not None and not self.doubts and len(self.batch) > 0

    @property
    def order_key(self) -> str:
        """Batches of one commit are processed in this order, so that processes lock streams in one order."""
        return f"{self.owner_id} {stream_name(self.batch)}"


class Arrived(NamedTuple):
    """A decoded batch, and what the server knows of it without its database."""

    owner_id: int
    batch: Batch
    #: `units_text`, and its id
    units: str
    unit_set_id: int
    received_us: int
    #: handle of the key that posts it, or "server"
    who: str = "server"


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
    arrived = Arrived(owner_id, batch, units, unit_set_id, received_us, who)
    [incoming] = prepare_all([arrived], sqlite=sqlite, as_blocks=as_blocks)
    return incoming


def prepare_all(arrived: Sequence[Arrived], *, sqlite: bool, as_blocks: bool) -> list[Incoming]:
    """`prepare` of several batches: those of one kind together cost far less than each by itself."""
    found: dict[int, Incoming] = {}
    kinds = [content.kind_of(one.batch) for one in arrived]
    for places in alike(kinds):
        names, _, many = kinds[places[0]]
        most = max(1, MOST_NUMBERS // ((1 + len(names)) * max(1, many)))
        together = math.ceil(len(places) / math.ceil(len(places) / most))  # no single one at the end
        for piece in dialect.chunks(places, together):
            of_kind = _prepared([arrived[place] for place in piece], sqlite=sqlite, as_blocks=as_blocks)
            found.update(zip(piece, of_kind, strict=True))
    return [found[place] for place in range(len(arrived))]


def _prepared(arrived: Sequence[Arrived], *, sqlite: bool, as_blocks: bool) -> list[Incoming]:
    """Batches of one kind."""
    batches = [one.batch for one in arrived]
    sent = content.all_as_sent_together(batches)
    instants = [checks.instants_of(batch) for batch in batches]
    at_us = np.array([times for times, _ in instants])
    hashes = content.hashes_together(batches, at_us, sent)
    # SI rises with what was sent, in its last bit too, so only the extremes can be out of range.
    extremes = content.si_together(batches, content.extremes(sent))
    odd = checks.out_of_range(extremes, content.names_in_si(batches[0]))
    lowest_us, highest_us, back = _spans(at_us)
    prepared = [
        Incoming(
            owner_id=one.owner_id,
            batch=one.batch,
            at_us=at_us[place],
            at_known=instants[place][1],
            span_us=(lowest_us[place], highest_us[place]),
            falls_back=back[place],
            sent=sent[place],
            hashes=hashes[place],
            hashes_follow=content.hashes_follow(one.batch),
            doubts=_doubts(one.batch, sent[place]) if odd[place] or one.batch.doubts else {},
            units=one.units,
            unit_set_id=one.unit_set_id,
            received_us=one.received_us,
            sqlite=sqlite,
            who=one.who,
        )
        for place, one in enumerate(arrived)
    ]
    plain = [place for place, one in enumerate(prepared) if one.is_plain]
    stacked = Stacked(at_us, sent, hashes)
    ready = _ready(
        stacked if len(plain) == len(prepared) else stacked.chosen(plain),
        prepared,
        plain,
        as_blocks=as_blocks,
    )
    for place, encoded in zip(plain, ready, strict=True):
        prepared[place] = prepared[place]._replace(ready=encoded)
    return prepared


def _spans(at_us: npt.NDArray[np.int64]) -> tuple[list[int], list[int], list[bool]]:
    """Lowest, highest, and whether it falls back, of each of several batches, shape (g, n)."""
    if not at_us.shape[1]:  # a report without readings
        return [0] * len(at_us), [0] * len(at_us), [False] * len(at_us)
    lowest, highest = np.minimum.reduce(at_us, axis=1), np.maximum.reduce(at_us, axis=1)
    return lowest.tolist(), highest.tolist(), falls_back(at_us)


def _doubts(batch: Batch, sent: FloatArray) -> checks.Doubts:
    return checks.doubts_of_values(batch, content.in_si(batch, sent))


class Stacked(NamedTuple):
    """Arrays of several batches of one kind: shape (g, n), (g, k, n), (g, n)."""

    at_us: npt.NDArray[np.int64]
    sent: FloatArray
    hashes: HashArray

    def chosen(self, places: Sequence[int]) -> Stacked:
        """Those of some of them."""
        which = list(places)
        return Stacked(self.at_us[which], self.sent[which], self.hashes[which])


def _ready(
    stacked: Stacked, prepared: Sequence[Incoming], plain: Sequence[int], *, as_blocks: bool
) -> list[readings.EncodedReadings]:
    """What is stored of the plain ones. stacked : theirs."""
    chosen = [prepared[place] for place in plain]
    if as_blocks and chosen and all(isinstance(one.batch.seq, range) and one.hashes_follow for one in chosen):
        runs = _alike_runs(stacked, chosen)
        if runs.is_packable:
            make = [partial(_as_new, one, one.batch.seq or (), as_blocks=True) for one in chosen]
            return readings.encode_alike(runs, [one.unit_set_id for one in chosen], stacked.hashes, make)
    new = [_as_new(one, one.batch.seq or (), as_blocks=as_blocks) for one in chosen]
    return readings.encode_all(new, sqlite=prepared[0].sqlite)


def _alike_runs(stacked: Stacked, chosen: Sequence[Incoming]) -> AlikeRuns:
    batches, uncertainty = [one.batch for one in chosen], None
    if any(batch.at_uncertainty_s is not None for batch in batches):
        uncertainty = np.array([content.uncertainties(batch) for batch in batches])
    order = content.order_of_units(batches[0])
    return AlikeRuns(
        first_seq=[batch.seq[0] for batch in batches if batch.seq],
        at_us=stacked.at_us,
        received_us=[one.received_us for one in chosen],
        at_uncertainty_s=uncertainty,
        values=stacked.sent if order is None else stacked.sent[:, order],
    )


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
    return _units_text(*content.kind_of(batch)[:2])


@lru_cache(maxsize=256)
def _units_text(names: tuple[str, ...], units: tuple[str | None, ...]) -> str:
    used = {
        name: unit
        for name, unit in zip(names, units, strict=True)
        if name in QUANTITIES and unit is not None and accepts(unit, name)
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
    rows, sent = _as_new(incoming, numbers, as_blocks=as_blocks)
    if chosen is not None:
        pick = np.array(chosen)
        rows, sent = rows.chosen(pick), None if sent is None else sent.chosen(pick)
    return readings.encode(rows, sent, sqlite=incoming.sqlite)


def _as_new(
    incoming: Incoming, numbers: Sequence[int], *, as_blocks: bool
) -> tuple[NewReadings, stored.AsSent | None]:
    """All readings, as the store takes them."""
    rows = NewReadings(
        seq=_as_array(numbers),
        at_us=incoming.at_us,
        at_uncertainty_s=content.uncertainties(incoming.batch),
        content_hash=incoming.hashes,
        values=content.in_si(incoming.batch, incoming.sent),
        unit_set_id=incoming.unit_set_id,
        received_us=incoming.received_us,
    )
    if not as_blocks:
        return rows, None
    values = content.known_as_sent(incoming.batch, incoming.sent)
    return rows, stored.AsSent(incoming.units, values, incoming.hashes_follow)


def _as_array(numbers: Sequence[int]) -> npt.NDArray[np.int64]:
    if isinstance(numbers, range):
        return np.arange(numbers.start, numbers.stop, dtype=np.int64)
    return np.array(numbers, dtype=np.int64)
