"""
How readings of a made machine reach the server: days without coverage, a backlog in order, key cycles.

Nothing is lost on the way. What arrives late on one machine arrives after what another measured later.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from uuid import UUID

import numpy as np

from tests.fleets.truth import DAY_S, HOUR_S, Floats, Readings

GAP_EVERY_DAYS = 12.0  # without coverage; chosen: a site beyond the mast now and then
GAP_H = (5.0, 96.0)  # how long, log-uniform: a shift to four days
LINK_S = 20.0  # a reading takes as long where there is coverage
KEY_OFF_S = 240.0  # rows further apart than this have a key-off between them


def arrivals(at_s: Floats, end_s: float, chance: np.random.Generator) -> Floats:
    """When each reading arrives, shape (n,): at once, or at the end of its coverage gap."""
    received_s = at_s + LINK_S
    begin_s = float(at_s[0])
    while True:
        begin_s += float(chance.exponential(GAP_EVERY_DAYS)) * DAY_S
        if begin_s >= end_s:
            return np.maximum.accumulate(received_s)
        until_s = begin_s + float(np.exp(chance.uniform(*np.log(GAP_H)))) * HOUR_S
        is_in_gap = (at_s >= begin_s) & (at_s < until_s)
        received_s[is_in_gap] = until_s + LINK_S
        begin_s = until_s


def key_events(at_s: Floats) -> tuple[tuple[int, str], ...]:
    """Key-on at the first reading after a rest, key-off at the last before it, by number."""
    last = np.flatnonzero(np.diff(at_s) > KEY_OFF_S)
    ons = [1, *(last + 2).tolist()]
    offs = [*(last + 1).tolist(), len(at_s)]
    pairs = zip(ons, offs, strict=True)
    return tuple(event for on, off in pairs for event in ((on, "key_on"), (off, "key_off")))


def stream_id(start_s: float, chance: np.random.Generator) -> str:
    """A UUID of version 7 (RFC 9562): the time in milliseconds, then drawn bits."""
    drawn = int.from_bytes(chance.bytes(10), "big")
    number = int(start_s * 1000) << 80 | 0x7 << 76 | (drawn >> 68 & 0xFFF) << 64 | 0b10 << 62
    return str(UUID(int=number | drawn & (1 << 62) - 1))


def readings_of(
    device: str,
    at_s: Floats,
    values: Mapping[str, Floats],
    units: Mapping[str, str],
    *,
    received_s: Floats,
    chance: np.random.Generator,
) -> Readings:
    """One monitor's readings, numbered."""
    return Readings(
        device=device,
        stream=stream_id(float(at_s[0]), chance),
        at_s=at_s,
        received_s=received_s,
        values=dict(values),
        units=dict(units),
        events=key_events(at_s),
    )


def with_span_of(mine: Readings, theirs: Readings, from_s: float, until_s: float) -> Readings:
    """My stream, with their readings in a span: the monitors sat on each other's machine meanwhile."""
    first, end = np.searchsorted(mine.at_s, (from_s, until_s))
    rows = slice(*np.searchsorted(theirs.at_s, (from_s, until_s)))

    def joined(of_mine: Floats, of_theirs: Floats) -> Floats:
        return np.concatenate([of_mine[:first], of_theirs[rows], of_mine[end:]])

    def column(readings: Readings, name: str) -> Floats:
        return readings.values.get(name, np.full(len(readings.at_s), np.nan))

    at_s = joined(mine.at_s, theirs.at_s)
    return replace(
        mine,
        at_s=at_s,
        received_s=np.maximum.accumulate(joined(mine.received_s, theirs.received_s)),
        values={
            name: joined(column(mine, name), column(theirs, name))
            for name in sorted(mine.values.keys() | theirs.values.keys())
        },
        units={**theirs.units, **mine.units},
        events=key_events(at_s),
    )
