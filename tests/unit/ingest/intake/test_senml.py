"""SenML: the examples of RFC 8428 resolve as the RFC says; packs become the readings they are."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway import wire
from cleanside.gateway.wire import BatchRefused, parse_instant
from cleanside.ingest.intake import senml
from cleanside.ingest.intake.senml import Record, resolve

VECTORS = json.loads((Path(__file__).parent / "senml_vectors.json").read_text())


def loaded(pack: Any) -> Any:
    return json.loads(json.dumps(pack), parse_float=Decimal, parse_int=Decimal)


def as_vector(record: Record, now: float | None) -> dict[str, Any]:
    """A resolved record as the vectors write it; a relative time made absolute as section 4.5.3 says."""
    relative = record.time_s < senml.ABSOLUTE_FROM_S
    time_s = record.time_s + Decimal(str(now)) if relative and now is not None else record.time_s
    found: dict[str, Any] = {"n": record.name, "t": float(time_s), **record.other}
    if record.unit is not None:
        found["u"] = record.unit
    if record.value is not None:
        found["v"] = float(record.value)
    return {k: float(v) if isinstance(v, Decimal) else v for k, v in found.items()}


@pytest.mark.parametrize("vector", VECTORS["vectors"], ids=lambda v: v["id"])
def test_the_examples_of_the_rfc_resolve_as_it_says(vector: dict[str, Any]) -> None:
    records, _ = resolve(loaded(vector["input"]))
    expected = [{k: v for k, v in r.items() if k != "bver"} for r in vector["resolved"]]
    assert [as_vector(r, vector.get("now")) for r in records] == expected


@pytest.mark.parametrize("case", VECTORS["validation_cases"], ids=lambda c: json.dumps(c["input"])[:50])
def test_what_must_be_refused_is_refused_and_the_rest_is_not(case: dict[str, Any]) -> None:
    expect = case["expect"]
    by_unit = "by project policy" in expect  # a unit is checked when the pack becomes readings, below
    accepted = expect.startswith("accept") or by_unit
    if accepted:
        assert resolve(loaded(case["input"]))[0] != []
    else:
        with pytest.raises(BatchRefused) as refused:
            resolve(loaded(case["input"]))
        assert refused.value.status == 422


@pytest.mark.parametrize("case", VECTORS["time_boundary"], ids=lambda c: str(c["t"]))
def test_the_sum_of_base_time_and_time_says_whether_it_is_relative(case: dict[str, Any]) -> None:
    """RFC 8428 section 4.5.3: below 2^28 relative to now."""
    record = {"n": "d:restriction", "u": "Pa", "v": 3000} | {k: case[k] for k in ("t", "bt") if k in case}
    body = json.dumps([record]).encode()
    if case["kind"] == "relative":
        with pytest.raises(BatchRefused) as refused:
            senml.decode(body)
        assert [(p.pointer, p.code) for p in refused.value.problems] == [("#/0", "relative_time")]
        return
    batch = senml.decode(body)
    if "utc" in case:
        assert batch.at_us == [parse_instant(case["utc"]).us]


def decode(*records: dict[str, Any]) -> wire.Batch:
    return senml.decode(json.dumps(list(records)).encode())


def test_records_of_one_instant_are_one_reading() -> None:
    batch = decode(
        {"bn": "grader-07-intake:", "bt": 1772432047.25, "n": "restriction", "u": "Pa", "v": 3050},
        {"n": "engine_speed", "u": "1/min", "v": 1795},
        {"n": "latitude", "u": "lat", "v": 47.1},
        {"n": "restriction", "u": "Pa", "t": 10, "v": 3100},
    )
    assert (batch.device, batch.stream, len(batch)) == ("grader-07-intake", None, 2)
    assert batch.columns == {
        "restriction": [3050.0, 3100.0],
        "engine_speed": [1795.0, None],
        "latitude": [47.1, None],
    }
    assert batch.units == {"restriction": "Pa", "engine_speed": "/min", "latitude": "deg"}
    assert batch.doubts == {}
    assert batch.instant_text(0) == "2026-03-02T06:14:07.250Z"


def test_times_are_taken_digit_for_digit() -> None:
    """1320078429.1 is no binary fraction; through a double the microseconds would be off."""
    batch = decode({"bn": "d:", "bt": 1320078429.0, "n": "restriction", "u": "Pa", "t": 0.1, "v": 1})
    assert batch.at_us == [1320078429_100_000]
    finer = senml.decode(b'[{"n":"d:restriction","u":"Pa","t":1320078429.1234567,"v":1}]')
    assert finer.instant_text(0) == "2011-10-31T16:27:09.1234567Z"


@pytest.mark.parametrize("unit", ["psi", "kPa", "PA", "%", "mbar", "hPa"])
def test_a_unit_that_is_not_in_the_registry_holds_the_reading(unit: str) -> None:
    """RFC 8428 section 12.1; hPa is secondary (RFC 8798) and needs version 26 (RFC 9100)."""
    batch = decode({"n": "d:restriction", "t": 1772432047, "u": unit, "v": 3})
    assert [doubt.code for doubt in batch.doubts[0]] == ["unit_not_accepted"]


def test_a_secondary_unit_is_taken_from_a_pack_that_says_so() -> None:
    batch = decode({"bver": 26, "n": "d:restriction", "t": 1772432047, "u": "hPa", "v": 30.5})
    assert (batch.doubts, batch.units) == ({}, {"restriction": "hPa"})


def test_the_bare_percent_sign_of_senml_is_not_ours() -> None:
    """RFC 8428 section 12.1 note 2: it is the ratio 0 to 1; UCUM's % is a hundredth."""
    batch = decode({"n": "d:engine_load", "t": 1772432047, "u": "%", "v": 0.5})
    assert batch.doubts[0][0].code == "unit_not_accepted"
    slash = decode({"n": "d:engine_load", "t": 1772432047, "u": "/", "v": 0.5})
    assert slash.doubts == {}


def test_a_record_without_a_unit_is_undeclared() -> None:
    batch = decode({"n": "d:restriction", "t": 1772432047, "v": 3000})
    assert batch.doubts[0][0].code == "unit_undeclared"


@pytest.mark.parametrize(
    ("records", "code"),
    [
        ([{"n": "d:a", "t": 1772432047, "vs": "on"}], "no_number"),
        ([{"n": "d:a", "t": 1772432047, "u": "Pa", "v": 1}] * 2, "twice_at_one_instant"),
        (
            [
                {"n": "d:a", "t": 1772432047, "u": "Pa", "v": 1},
                {"n": "d:a", "t": 1772432048, "u": "V", "v": 1},
            ],
            "two_units",
        ),
        (
            [{"n": "d:a", "t": 1772432047, "v": 1}, {"n": "e:a", "t": 1772432047, "v": 1}],
            "another_device",
        ),
    ],
)
def test_a_pack_that_cannot_be_readings_is_refused_with_all_its_problems(
    records: list[dict[str, Any]], code: str
) -> None:
    with pytest.raises(BatchRefused) as refused:
        decode(*records)
    assert [problem.code for problem in refused.value.problems] == [code]


@pytest.mark.parametrize("number", ["1e999999999", "1e-999999999", "0e999999999", "1" * 5000])
@pytest.mark.parametrize("member", ["t", "v", "bv", "bver"])
def test_a_short_text_that_means_a_huge_number_costs_nothing(number: str, member: str) -> None:
    record = {"n": "d:restriction", "u": "Pa", "t": 1772432047, "v": 1, member: "HERE"}
    body = json.dumps([record]).replace('"HERE"', number)
    with pytest.raises(BatchRefused):
        senml.decode(body.encode())
