"""
A batch as bytes: in columns where possible, else as readings.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

from cleanside.gateway.wire.batch import Batch, GatewayReport
from cleanside.gateway.wire.instants import instant_text


def encode(batch: Batch) -> bytes:
    """
    Write a batch: in columns where all instants are whole milliseconds apart, else as readings.

    decode(encode(batch)) gives the same batch. Raises ValueError for a value that is not finite.
    """
    document: dict[str, Any] = {"device": batch.device}
    if batch.stream is not None:
        document["stream"] = batch.stream
    if batch.units:
        document["units"] = dict(batch.units)
    if len(batch):
        document |= _as_columns(batch) or {"readings": list(_as_readings(batch))}
    if batch.shed:
        document["shed"] = [{"first": s.first, "last": s.last, "reason": s.reason} for s in batch.shed]
    if batch.opaque is not None:
        document["opaque"] = {
            "seq": batch.opaque.seq,
            "base64": base64.b64encode(batch.opaque.content).decode(),
        }
    if batch.gateway is not None:
        document["gateway"] = _report_document(batch.gateway)
    if batch.replace_quarantined:
        document["replace_quarantined"] = True
    return json.dumps(document, separators=(",", ":"), allow_nan=False, ensure_ascii=False).encode()


def _as_columns(batch: Batch) -> dict[str, Any] | None:
    at_us = batch.at_us
    if batch.at_text or None in at_us:
        return None
    steps = [0, *(b - a for a, b in pairwise(at_us))]  # type: ignore[operator]
    if any(step % 1000 for step in steps):
        return None
    document: dict[str, Any] = {}
    if isinstance(batch.seq, range):
        document["first_seq"] = batch.seq[0]
    elif batch.seq is not None:
        document["seq"] = list(batch.seq)
    assert at_us[0] is not None
    document |= {"start": instant_text(at_us[0]), "step_ms": [step // 1000 for step in steps]}
    if batch.at_uncertainty_s is not None:
        given = batch.at_uncertainty_s
        document["at_uncertainty_s"] = list(given) if isinstance(given, Sequence) else given
    return document | {"columns": {name: list(column) for name, column in batch.columns.items()}}


def _as_readings(batch: Batch) -> Iterator[dict[str, Any]]:
    for index in range(len(batch)):
        reading = batch.as_sent(index)
        del reading["units"]  # declared once, on the batch
        yield reading


def _report_document(report: GatewayReport) -> dict[str, Any]:
    members = {key: getattr(report, key) for key in ("version", "built", "installation", "appended_through")}
    document = {key: value for key, value in members.items() if value is not None} | dict(report.extra)
    for key in ("boots", "events"):
        if entries := getattr(report, key):
            document[key] = [dict(entry) for entry in entries]
    return document
