"""
What a server holds of a machine under load, asked over HTTP alone: the export of its readings.

Promises: it changes nothing, and uses nothing of the server's code. A machine that the server does not know
holds nothing. The order is the server's.
Leaves to others: what has to hold (`held_check.py`).
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from typing import Any, Final

import httpx
import numpy as np
import pyarrow.parquet as pq

from cleanside.gateway.wire import parse_instant
from cleanside.simulator.errors import LoadFailed
from cleanside.simulator.held_check import HeldRows, HeldWrongly, findings_of
from cleanside.simulator.load_patterns import LoadPlan
from cleanside.simulator.load_samples import UNITS

WITHIN_S: Final = 120.0  # of one machine's export


def check(
    plan: LoadPlan, server: str, key: str, sampled: Callable[[int], int], said: Callable[[int], object]
) -> list[HeldWrongly]:
    """
    Compare every machine of a run.

    sampled : how many readings a machine took. said : hears how many are done.

    Raises LoadFailed where the server does not answer as the contract says.
    """
    findings: list[HeldWrongly] = []
    with httpx.Client(base_url=server, headers={"Authorization": f"Bearer {key}"}, timeout=WITHIN_S) as http:
        for machine in range(plan.machines):
            held = held_by(http, plan.device(machine))
            findings += findings_of(plan, machine, sampled(machine), held)
            said(machine + 1)
    return findings


def held_by(http: httpx.Client, device: str) -> HeldRows:
    """The readings of a device as the server exports them, in SI."""
    query: dict[str, Any] = {"format": "parquet", "quantity": list(UNITS)}
    try:
        reply = http.get(f"/v1/devices/{device}/readings", params=query)
    except httpx.TransportError as error:
        raise LoadFailed(
            f"the check of {device} had no answer ({error}); check again with the report"
        ) from error
    if reply.status_code == 404:
        return _rows({})
    if reply.status_code != 200:
        raise LoadFailed(
            f"the check of {device} was answered {reply.status_code}: {reply.text[:200]}; "
            "it needs a key that may read readings"
        )
    return _rows(pq.read_table(io.BytesIO(reply.content)).to_pydict())


def _rows(columns: dict[str, list[Any]]) -> HeldRows:
    return HeldRows(
        stream=columns.get("stream", []),
        seq=np.array(columns.get("seq", []), dtype=np.int64),
        at_us=np.array(list(_instants(columns.get("at", []))), dtype=np.int64),
        values={name: np.array(columns.get(name, []), dtype=np.float64) for name in UNITS},
    )


def _instants(texts: list[str]) -> Iterator[int]:
    for text in texts:
        yield parse_instant(text).us
