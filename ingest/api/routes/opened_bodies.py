"""
Bodies of batches that arrive at the same time, made ready for the writer together, stage by stage.

Promises: what is wrong with a body is the outcome of that body alone.
Leaves to others: when they are together (`ingest.writer.gathered`), large bodies
(`ingest.api.routes.readings`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from cleanside.gateway.wire import Batch
from cleanside.ingest.checking.incoming import Arrived, Incoming, prepare_all, units_text
from cleanside.ingest.owners.access import require_device
from cleanside.ingest.store.keys import Key
from cleanside.ingest.writer.gathered import Gathered
from cleanside.ingest.writer.resources import Resources


class Body(NamedTuple):
    """A whole body, and what it takes to read it."""

    resources: Resources
    #: who posts it
    key: Key
    decode: Callable[[bytes], Batch]
    content: bytes


#: ready for the writer; or decoded only, where its units are not in memory
Opened = Incoming | Batch
OpenedBodies = Gathered[Body, Opened]


def open_all(bodies: Sequence[Body]) -> list[Opened | Exception]:
    """Decode all, then prepare all. The error of a body stands in its place."""
    outcomes = [_decoded(body) for body in bodies]
    arrived: dict[int, Arrived] = {}
    for place, (body, batch) in enumerate(zip(bodies, outcomes, strict=True)):
        if isinstance(batch, Batch) and (one := as_arrived(body.resources, body.key, batch)) is not None:
            arrived[place] = one
    if arrived:
        ready = _all_prepared(bodies[0].resources, list(arrived.values()))
        for place, incoming in zip(arrived, ready, strict=True):
            outcomes[place] = incoming
    return outcomes


def _decoded(body: Body) -> Opened | Exception:
    try:
        batch = body.decode(body.content)
        require_device(body.key, batch.device)
    except Exception as error:
        return error
    return batch


def as_arrived(resources: Resources, key: Key, batch: Batch) -> Arrived | None:
    """A batch with what is known of it; None: the id of its units is not in memory."""
    units = units_text(batch)
    unit_set_id = resources.known_unit_set(units)
    if unit_set_id is None:
        return None
    return Arrived(key.owner_id, batch, units, unit_set_id, resources.clock(), key.handle)


def prepared(resources: Resources, arrived: Sequence[Arrived]) -> list[Incoming]:
    """Batches prepared for the database in use."""
    return prepare_all(arrived, sqlite=resources.is_sqlite, as_blocks=resources.writes_blocks)


def _all_prepared(resources: Resources, arrived: Sequence[Arrived]) -> Sequence[Incoming | Exception]:
    try:
        return prepared(resources, arrived)
    except Exception:  # one of them is at fault, and the others must not answer for it
        return [_alone(resources, one) for one in arrived]


def _alone(resources: Resources, arrived: Arrived) -> Incoming | Exception:
    try:
        [incoming] = prepared(resources, [arrived])
    except Exception as error:
        return error
    return incoming
