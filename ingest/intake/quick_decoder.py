"""
The server's decoder: an ordinary batch by a quick path for its layout, any other the long way.

Promises: the same batch as `gateway.wire.decode` gives, or the same refusal
(`tests/property/test_quick_decoder.py`).
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from cleanside.gateway import wire
from cleanside.ingest.intake import quick_columns, quick_readings
from cleanside.ingest.intake.body_signs import LookCloser, count

# The long way takes no longer with 100 readings in columns, with 30 as objects: measured.
QUICK_FROM_BYTES = 4_096
_ENVELOPE_BYTES = 1_024  # device, stream and units stand before the readings
#: no JSON, another layout, a list of something else: the long way names every problem
_NOT_ORDINARY = (
    *(LookCloser, wire.BatchRefused, msgspec.MsgspecError),
    *(AttributeError, LookupError, OverflowError, RuntimeError, TypeError, ValueError),
)


def decode(body: bytes) -> wire.Batch:
    """As `gateway.wire.decode`."""
    if len(body) < QUICK_FROM_BYTES:
        return wire.decode(body)
    wire.refuse_too_many_parts(body, count=count)
    is_columns = body.find(b'"readings"', 0, _ENVELOPE_BYTES) < 0
    quick: Callable[[bytes], wire.Batch] = quick_columns.decode if is_columns else quick_readings.decode
    try:
        return quick(body)
    except _NOT_ORDINARY:
        return wire.decode(body)
