"""A batch ready to be stored as a block: its content hashes come back, whether they follow or are stored."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from cleanside.gateway import wire
from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.checking.incoming import (
    MOST_NUMBERS,
    Arrived,
    Incoming,
    encode_chosen,
    known_as,
    prepare,
    prepare_all,
    units_text,
)
from cleanside.ingest.store.block_content import unpack
from cleanside.ingest.store.stored_blocks import EncodedBlocks

START = "2026-03-02T06:00:00.000001Z"
FINER = "2026-03-02T06:00:10.00000125Z"
BATCH: dict[str, Any] = {
    "device": "grader-07-intake",
    "stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11",
    "units": {"restriction": "kPa", "engine_speed": "r/min"},
}
COLUMNS: dict[str, Any] = {
    "first_seq": 1,
    "start": START,
    "step_ms": [0, 10_000, 10_001],
    "columns": {"restriction": [3.05, -0.0, None], "engine_speed": [1800, None, 1795.125]},
}
READINGS = [{"seq": n, "at": f"2026-03-02T06:00:{n:02d}Z", "restriction": 3.0 + n} for n in range(1, 8)]


@pytest.mark.parametrize(
    ("more", "follow"),
    [
        (COLUMNS, True),
        (COLUMNS | {"at_uncertainty_s": 4.0}, True),
        (COLUMNS | {"at_uncertainty_s": [4.0, None, 0]}, True),
        ({"readings": READINGS}, True),
        ({"readings": [*READINGS, {"seq": 8, "at": FINER, "restriction": 3.1}]}, False),
        ({"readings": [*READINGS, {"seq": 8, "at": "2026-03-02T06:00:08Z", "colour": 3}]}, False),
    ],
    ids=["columns", "one uncertainty", "several", "readings", "a finer instant", "an unknown quantity"],
)
def test_the_content_hashes_of_a_batch_come_back_from_its_block(more: dict[str, Any], follow: bool) -> None:
    batch = wire.decode(json.dumps(BATCH | more).encode())
    units = units_text(batch)
    incoming = prepare(batch, owner_id=1, units=units, unit_set_id=1, received_us=1, sqlite=True)
    assert batch.seq is not None
    for chosen in ([0, 2], None):
        form = encode_chosen(incoming, batch.seq, chosen, as_blocks=True).encoded.form
        assert isinstance(form, EncodedBlocks)
        [run] = form.runs()
        back = run._replace(content=unpack(form.rows[0][-1]))
        wanted = incoming.hashes if chosen is None else incoming.hashes[chosen]
        assert back.hashes.tolist() == wanted.tolist()
    assert (run.content.hash_stored is None) == follow  # of the whole batch


def test_hashes_that_were_fixed_on_receipt_come_back_though_the_content_was_amended() -> None:
    """Else a resend of what was sent would be another reading."""
    batch = wire.decode(json.dumps(BATCH | COLUMNS).encode())
    incoming = prepare(batch, owner_id=1, units=units_text(batch), unit_set_id=1, received_us=1, sqlite=True)
    amended = known_as(incoming, [11, 12, 13])
    form = encode_chosen(amended, [1, 2, 3], None, as_blocks=True).encoded.form
    assert isinstance(form, EncodedBlocks)
    [run] = form.runs()
    assert run._replace(content=unpack(form.rows[0][-1])).hashes.tolist() == [11, 12, 13]


def _many(first: int, **more: Any) -> dict[str, Any]:
    """A batch of 400 readings, of which the second hundred fall into the next month."""
    steps = [0, *([10_000] * 299), 40 * 86_400_000, *([10_000] * 99)]
    values = {"restriction": [(first + n) % 97 / 20 for n in range(400)], "engine_speed": [800.5] * 400}
    return BATCH | {"first_seq": first, "start": START, "step_ms": steps, "columns": values} | more


@pytest.mark.parametrize("as_blocks", [True, False], ids=["blocks", "rows"])
def test_batches_prepared_together_are_those_prepared_one_by_one(as_blocks: bool) -> None:
    """Of several kinds, with more of one kind than go into one array, and some that are doubted."""
    documents = [
        *(_many(first) for first in range(1, 2 + MOST_NUMBERS // (3 * 400) * 2)),
        BATCH | COLUMNS,
        BATCH | COLUMNS | {"at_uncertainty_s": [4.0, None, 0]},
        BATCH
        | COLUMNS
        | {"first_seq": 9, "columns": {"restriction": [1, 2, 3], "engine_speed": [1e9, 2, 3.5]}},
        BATCH | COLUMNS | {"units": {"restriction": "kPa"}},
        *({**BATCH, "readings": [reading]} for reading in READINGS),
        BATCH | {"readings": [{**READINGS[0], "at": FINER}]},
        {
            "device": "grader-07-intake",
            "readings": [{"at": START, "restriction": 3}],
            "units": BATCH["units"],
        },
        BATCH | {"shed": [{"first": 1, "last": 4, "reason": "disk"}]},
        _many(5, at_uncertainty_s=0.5),
    ]
    batches = [wire.decode(json.dumps(document).encode()) for document in documents]
    arrived = [
        Arrived(place, batch, units_text(batch), 1, place, "a key") for place, batch in enumerate(batches)
    ]
    together = prepare_all(arrived, sqlite=True, as_blocks=as_blocks)
    for one, incoming in zip(arrived, together, strict=True):
        alone = prepare(sqlite=True, as_blocks=as_blocks, **one._asdict())
        assert _plainly(incoming) == _plainly(alone)


def test_one_value_out_of_range_among_many_is_doubted_and_alone() -> None:
    """The highest that there may be in the unit as sent, and what lies one bit above it."""
    highest = float(QUANTITIES["restriction"].highest) / 1000  # kPa
    above = np.nextafter(highest, np.inf)
    for value, doubted in ((highest, False), (above * (1 + 1e-15), True), (-1e9, True)):
        values = {"restriction": [1.5] * 250 + [value] + [None] * 149, "engine_speed": [None] * 400}
        batch = wire.decode(json.dumps(_many(1, columns=values)).encode())
        one = Arrived(1, batch, units_text(batch), 1, 1)
        for incoming in prepare_all([one, one], sqlite=True, as_blocks=True):
            assert [*incoming.doubts] == ([250] if doubted else [])
            assert incoming.is_plain is not doubted


def test_batches_packed_together_are_stored_as_each_by_itself() -> None:
    """Columns in any order, times of several hours or out of order, absent values, uncertainties."""
    steps = [0, *([10_000] * 399)]
    odd = {"columns": {"restriction": [1.5, None] * 200, "engine_speed": [800.5] * 400}}
    turned = {"columns": dict(reversed(_many(1)["columns"].items()))}
    back = {"step_ms": [*steps[:200], -50_000, *steps[201:]]}
    documents = [
        *(_many(first, step_ms=steps) for first in (1, 401)),
        _many(5),
        _many(7, step_ms=steps, at_uncertainty_s=0.5),
        *(_many(9, step_ms=steps, **more) for more in (odd, turned)),
        _many(11, **back),
        BATCH | COLUMNS,
        BATCH | {"readings": READINGS},
    ]
    batches = [wire.decode(json.dumps(document).encode()) for document in documents]
    arrived = [Arrived(1, batch, units_text(batch), 1, place) for place, batch in enumerate(batches)]
    for incoming in prepare_all(arrived, sqlite=True, as_blocks=True):
        ready, numbers = incoming.ready, incoming.batch.seq
        assert ready is not None
        assert numbers is not None
        alone = encode_chosen(incoming, numbers, None, as_blocks=True)
        assert isinstance(ready.encoded.form, EncodedBlocks)
        assert isinstance(alone.encoded.form, EncodedBlocks)
        assert ready.encoded.form.rows == alone.encoded.form.rows
        assert (ready.spans, ready.many) == (alone.spans, alone.many)
        with np.printoptions(threshold=10**6, floatmode="unique"):
            assert repr(ready.encoded.form.runs()) == repr(alone.encoded.form.runs())
            assert repr(ready.encoded.new()) == repr(alone.encoded.new())


def _plainly(incoming: Incoming) -> str:
    """All that it has, to the last digit."""
    with np.printoptions(threshold=10**6, floatmode="unique"):
        return repr(incoming)
