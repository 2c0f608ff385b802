"""A batch ready to be stored as a block: its content hashes come back, whether they follow or are stored."""

from __future__ import annotations

import json
from typing import Any

import pytest

from cleanside.gateway import wire
from cleanside.ingest.checking.incoming import encode_chosen, known_as, prepare, units_text
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
        [run] = form.runs
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
    [run] = form.runs
    assert run._replace(content=unpack(form.rows[0][-1])).hashes.tolist() == [11, 12, 13]
