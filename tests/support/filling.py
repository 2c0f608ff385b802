"""Readings put into a database without a server: quickly, and as one would have stored them."""

from __future__ import annotations

import json
from collections.abc import Mapping

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.store import content_hash, dialect, readings, stored
from cleanside.ingest.store.at_rest import FloatArray, IntArray, NewReadings
from cleanside.ingest.store.block_units import units_of


def put(
    connection: sa.Connection,
    stream_id: int,
    numbers: IntArray,
    at_us: IntArray,
    values: Mapping[str, FloatArray],
) -> None:
    """
    Store readings above all of their stream, sent in SI, in the form that the database has.

    numbers, at_us : shape (n,). values : column -> values, shape (n,), NaN where absent.
    """
    of_column = {quantity.column: name for name, quantity in QUANTITIES.items()}
    units = json.dumps({of_column[c]: QUANTITIES[of_column[c]].si_unit for c in values}, sort_keys=True)
    set_of_units = units_of(units)
    matrix = np.array([values[column] for column in set_of_units.columns])
    new = NewReadings(
        seq=numbers,
        at_us=at_us,
        at_uncertainty_s=np.full(len(numbers), np.nan),
        content_hash=content_hash.hashes(at_us.view(np.uint64), None, matrix, set_of_units.words),
        values=values,
        unit_set_id=readings.keep_unit_set(connection, units),
        received_us=1,
    )
    sent = stored.AsSent(units, values, hashes_follow=True) if stored.writes_blocks(connection) else None
    encoded = readings.encode(new, sent, sqlite=dialect.is_sqlite(connection))
    readings.put(connection, [(stream_id, encoded)], beyond=True)
