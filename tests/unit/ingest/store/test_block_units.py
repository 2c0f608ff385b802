"""Values as sent, their SI and their hashes in a block: those of the way in, for every unit there is."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway import wire
from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.checking import content
from cleanside.ingest.store import block_units
from cleanside.ingest.store.block_content import BlockContent
from cleanside.ingest.store.block_units import units_of

PAIRS = [(name, unit) for name, quantity in QUANTITIES.items() for unit in quantity.units]


def of_one(name: str, unit: str, values: list[float]) -> tuple[block_units.BlockUnits, np.ndarray]:
    return units_of(json.dumps({name: unit})), np.array([values])


@pytest.mark.parametrize(("name", "unit"), PAIRS)
def test_decimals_of_every_unit_come_back_from_si(name: str, unit: str) -> None:
    units, sent = of_one(name, unit, [0.0, 3.05, 1795.0, 0.125, 98.6, 12.3456789, 1e-3, 47.4979, np.nan])
    si = sent * units.factors + units.offsets
    found = block_units.as_sent(si, units)
    assert found is not None
    assert np.array_equal(found, sent, equal_nan=True)


@given(st.sampled_from(PAIRS), st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=20))
def test_what_is_taken_for_sent_gives_its_si_to_the_bit(pair: tuple[str, str], values: list[float]) -> None:
    units, sent = of_one(*pair, values)
    si = sent * units.factors + units.offsets
    found = block_units.as_sent(si, units)
    assert found is None or (found * units.factors + units.offsets).tobytes() == si.tobytes()


def test_si_and_hashes_are_those_of_the_way_in() -> None:
    """The same batch through the decoder's columns and through a block."""
    units = {"restriction": "inH2O", "intake_temperature": "degF", "engine_speed": "r/min"}
    columns = {"restriction": [3.05, None, -0.0], "intake_temperature": [98.6, 70.1, None]}
    document = {
        "device": "grader-07-intake",
        "stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11",
        "units": units,
        "first_seq": 1,
        "start": "2026-03-02T06:14:07.250Z",
        "step_ms": [0, 10_000, 10_004],
        "at_uncertainty_s": [4.0, None, 0.0],
        "columns": columns | {"engine_speed": [1795, 1802, 1799]},
    }
    batch = wire.decode(json.dumps(document).encode())
    sent = content.all_as_sent(batch)
    of_set = units_of(json.dumps(units, sort_keys=True))
    order = [list(batch.columns).index(name) for name in of_set.names]
    block = BlockContent(
        seq=np.arange(1, 4),
        at_us=np.array(batch.at_us),
        received_us=np.zeros(3, np.int64),
        at_uncertainty_s=np.array([4.0, np.nan, 0.0]),
        values=sent[order],
        in_si=False,
        hashes=np.zeros(3, np.int64),
        hash_stored=None,
    )
    assert (block_units.hashes(block, of_set) == content.content_hashes(batch, sent)).all()
    for column, si in zip(of_set.columns, block_units.in_si(block, of_set), strict=True):
        assert si.tobytes() == content.in_si(batch, sent)[column].tobytes()
