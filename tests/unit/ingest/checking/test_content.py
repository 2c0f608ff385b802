"""The content hash tells repeat from conflict; SI values are those of the unit table."""

from __future__ import annotations

import hashlib
import json
import struct
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway import wire
from cleanside.gateway.units import QUANTITIES, to_si
from cleanside.ingest.checking import content

READING = {"at": "2026-03-02T06:14:07.250Z", "restriction": 3.05, "engine_speed": 1795}
UNITS = {"restriction": "kPa", "engine_speed": "r/min"}


def decoded(*readings: dict[str, Any], units: dict[str, str] = UNITS) -> wire.Batch:
    return wire.decode(json.dumps({"device": "d", "units": units, "readings": list(readings)}).encode())


def hashes(batch: wire.Batch) -> list[int]:
    sent = content.all_as_sent(batch)
    return [int(h) for h in content.content_hashes(batch, sent)]


def splitmix64(word: int) -> int:
    """Finaliser of splitmix64, one word at a time: Steele, Lea, Flood (2014), constants as published."""
    word = (word + 0x9E3779B97F4A7C15) % 2**64
    word = (word ^ (word >> 30)) * 0xBF58476D1CE4E5B9 % 2**64
    word = (word ^ (word >> 27)) * 0x94D049BB133111EB % 2**64
    return word ^ (word >> 31)


def word_of(name: str, unit: str) -> int:
    return int.from_bytes(hashlib.sha256(f"1{name}\x1f{unit}".encode()).digest()[:8], "big")


def bits(value: float) -> int:
    return int.from_bytes(struct.pack(">d", value), "big")


def test_the_hash_never_changes() -> None:
    """It is stored with every reading: another value would turn every repeat into a conflict."""
    at_us = 1_772_432_047_250_000  # 2026-03-02T06:14:07.250Z
    total = splitmix64(at_us ^ word_of("at", ""))
    total += splitmix64(bits(3.05) ^ word_of("restriction", "kPa"))
    total += splitmix64(bits(1795.0) ^ word_of("engine_speed", "r/min"))
    expected = splitmix64(total % 2**64)
    assert [h % 2**64 for h in hashes(decoded(READING))] == [expected] == [GOLDEN]


GOLDEN = 7203064703273758492  # as computed above, written down on the day the hash was first used


def test_a_reading_without_values_and_a_batch_without_readings_have_their_hashes() -> None:
    (instant,) = hashes(decoded({"at": READING["at"]}))
    whole = (wire.parse_instant(str(READING["at"])).us ^ word_of("at", "")) % 2**64
    assert instant % 2**64 == splitmix64(splitmix64(whole))
    assert hashes(wire.Batch(device="d")) == []


def test_both_layouts_and_any_order_of_columns_give_one_hash() -> None:
    swapped = dict(reversed(READING.items()))
    columns = {
        "device": "d",
        "units": UNITS,
        "start": "2026-03-02T06:14:00.000Z",
        "step_ms": [7250],
        "columns": {"engine_speed": [1795.0], "restriction": [3.05]},
    }
    assert (
        hashes(decoded(READING))
        == hashes(decoded(swapped))
        == hashes(wire.decode(json.dumps(columns).encode()))
    )


def test_what_stands_beside_a_reading_does_not_change_its_hash() -> None:
    """A reading keeps its hash in a batch whose other readings carry more."""
    other = {"at": "2026-03-02T06:14:17Z", "supply_voltage": 27.9}
    alone = hashes(decoded(READING))[0]
    assert hashes(decoded(READING, other, units=UNITS | {"supply_voltage": "V"}))[0] == alone


@pytest.mark.parametrize(
    "change",
    [
        {"at": "2026-03-02T06:14:07.250001Z"},
        {"at": "2026-03-02T06:14:07.2500001Z"},
        {"restriction": 3.0500000000000003},
        {"engine_speed": None},
        {"at_uncertainty_s": 0},
        {"restriction": 1795, "engine_speed": 3.05},
    ],
)
def test_any_change_changes_the_hash(change: dict[str, Any]) -> None:
    assert hashes(decoded(READING)) != hashes(decoded(READING | change))


def test_another_unit_changes_the_hash() -> None:
    assert hashes(decoded(READING)) != hashes(decoded(READING, units=UNITS | {"restriction": "hPa"}))


def test_a_whole_number_and_its_float_are_one_content_and_so_are_the_zeros() -> None:
    assert hashes(decoded(READING)) == hashes(decoded(READING | {"engine_speed": 1795.0}))
    assert hashes(decoded(READING | {"restriction": 0.0})) == hashes(decoded(READING | {"restriction": -0.0}))


@given(st.lists(st.floats(0, 50, allow_nan=False), min_size=2, max_size=50, unique=True))
def test_different_values_have_different_hashes(values: list[float]) -> None:
    found = hashes(decoded(*(READING | {"restriction": value} for value in values)))
    assert len(set(found)) == len({v + 0.0 for v in values})


def test_opaque_records_are_told_apart() -> None:
    assert content.opaque_hash(b"a") != content.opaque_hash(b"b")
    assert content.opaque_hash(b"a") == content.opaque_hash(b"a")


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_columns_are_converted_as_single_values_are(quantity: str) -> None:
    for unit in QUANTITIES[quantity].units:
        batch = decoded({"at": READING["at"], quantity: 3.05}, {"at": READING["at"]}, units={quantity: unit})
        sent = content.all_as_sent(batch)
        column = content.in_si(batch, sent)[QUANTITIES[quantity].column]
        assert column[0] == to_si(3.05, unit, quantity)
        assert np.isnan(column[1])
