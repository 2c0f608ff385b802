"""
Readings of an integrator as batches: built, cut to size, written in either layout.

Promises: pure. Leaves to others: what a batch is (`gateway.wire`), sending it (`gateway.client.client`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, ClassVar, Literal

from cleanside.gateway import wire
from cleanside.gateway.wire import MAX_READINGS, Batch, Coded, Reading, Sentences, us_of

Layout = Literal["columns", "readings"]


class NotPostable(Coded, ValueError):
    """Readings that make no batch as they are; the caller has to correct them."""

    SENTENCES: ClassVar[Sentences] = {
        "not_finite": "reading {index} ({at}): {name} is {value}, no finite number; leave it out if unknown",
        "no_time": "reading {index} has no time; give `at`, aware",
        "another_unit": "reading {index} has {name} in another unit; post it by itself",
    }


def batch_of(
    device: str, readings: Sequence[Reading], *, stream: str | None = None, first_seq: int = 1
) -> Batch:
    """
    Readings as a batch.

    Raises NotPostable for a reading without a time, a value that is not finite, or two units of one quantity.

    first_seq : number of the first, with a stream; the rest follow.
    """
    units: dict[str, str] = {}
    for index, reading in enumerate(readings):
        if reading.at is None:
            raise NotPostable("no_time", index=index)
        for name, value in reading.values.items():
            if type(value) is not int and not math.isfinite(value):  # a large integer has no float
                at = wire.instant_text(us_of(reading.at))
                raise NotPostable("not_finite", index=index, at=at, name=name, value=value)
            if units.setdefault(name, reading.units[name]) != reading.units[name]:
                raise NotPostable("another_unit", index=index, name=name)
    uncertain = [reading.at_uncertainty_s for reading in readings]
    return Batch(
        device=device,
        stream=stream,
        seq=None if stream is None else range(first_seq, first_seq + len(readings)),
        at_us=[us_of(reading.at) for reading in readings if reading.at is not None],
        at_uncertainty_s=uncertain if any(u is not None for u in uncertain) else None,
        units=units,
        columns={name: [reading.values.get(name) for reading in readings] for name in units},
    )


def body_of(batch: Batch, layout: Layout) -> bytes:
    """A batch as it goes over the wire, in one layout or the other."""
    if layout == "columns":
        return wire.encode(batch)
    rows = [{k: v for k, v in batch.as_sent(i).items() if k != "units"} for i in range(len(batch))]
    document: dict[str, Any] = {"device": batch.device, "units": dict(batch.units), "readings": rows}
    if batch.stream is not None:
        document["stream"] = batch.stream
    if batch.replace_quarantined:
        document["replace_quarantined"] = True
    return json.dumps(document, separators=(",", ":"), allow_nan=False).encode()


def parts(readings: Iterable[Reading], first_seq: int) -> Iterator[tuple[int, list[Reading]]]:
    """The readings in parts that fit into a batch, each with its first number."""
    part: list[Reading] = []
    units: dict[str, str] = {}
    for reading in readings:
        other = any(units.get(name, unit) != unit for name, unit in reading.units.items())
        if part and (other or len(part) == MAX_READINGS):
            yield first_seq, part
            first_seq += len(part)
            part, units = [], {}
        part.append(reading)
        units |= reading.units
    if part:
        yield first_seq, part


def halves(batch: Batch) -> Iterator[tuple[Batch, int]]:
    """A batch in two halves, each with the offset of its first reading."""
    middle = len(batch) // 2
    for part in (slice(0, middle), slice(middle, len(batch))):
        uncertain = batch.at_uncertainty_s
        yield (
            Batch(
                device=batch.device,
                stream=batch.stream,
                seq=None if batch.seq is None else batch.seq[part],
                at_us=batch.at_us[part],
                at_uncertainty_s=uncertain[part] if isinstance(uncertain, Sequence) else uncertain,
                units=batch.units,
                columns={name: column[part] for name, column in batch.columns.items()},
                replace_quarantined=batch.replace_quarantined,
            ),
            part.start,
        )
