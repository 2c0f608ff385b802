"""
Raw readings read out: by time, by page, in steps of time, in another unit, as CSV and as Parquet.

What is expected is worked out here in plain Python from what was sent. CSV: RFC 4180, read by the standard
library's csv module; Parquet is read by pyarrow; schemas by jsonschema.
"""

from __future__ import annotations

import csv
import io
import math
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pyarrow.parquet as pq
import pytest

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.api.routes import raw as route
from cleanside.ingest.settings import load
from cleanside.ingest.store import raw
from tests.support.archiving import archive_all, counts
from tests.support.serving import DEVICE, STREAM, Api, bearer, in_process

SECOND = "grader-07-second"
START_US = parse_instant("2026-01-31T20:00:00Z").us
COUNT = 2_000  # into February, one every 10 s
OF_DEVICE = f"/v1/devices/{DEVICE}/readings"
OF_MACHINE = "/v1/machines/grader-07/readings"
LEAP = "2016-12-31T23:59:60Z"


def sent() -> list[dict[str, Any]]:
    """What the device measured, in SI where the factor is a power of ten, in order of time."""
    chance = random.Random(20260302)
    found = []
    for seq in range(1, COUNT + 1):
        reading: dict[str, Any] = {"seq": seq, "at_us": START_US + seq * 10_000_000 + chance.randrange(1_000)}
        reading["restriction"] = round(3 + chance.gauss(0, 0.4), 3)
        if seq % 3:
            reading["engine_speed"] = chance.randrange(6_400, 14_400) / 8
        if seq % 7 == 0:
            reading["at_uncertainty_s"] = 0.25
        found.append(reading)
    return found


SENT = sent()


def fill(api: Api) -> None:
    """January in the archive, February in the table; a late part, a leap second, a second device."""
    api.register(history_from="2016-01-01T00:00:00Z")
    api.post(
        "/v1/devices", {"device": SECOND, "machine": "grader-07", "assigned_from": "2026-02-10T00:00:00Z"}
    )
    shuffled = [SENT[1_000:], SENT[:500], SENT[500:1_000]]
    for part in shuffled:
        api.send(body([_as_sent(reading) for reading in part]))
    api.send(body([{"seq": 1, "at": LEAP, "restriction": 2.5}], stream=f"{STREAM[:-1]}2"))
    late = [{"seq": 1, "at": "2026-02-10T06:00:00Z", "restriction": 4.0}]
    api.send(body(late, stream=f"{STREAM[:-1]}3") | {"device": SECOND}, key="second")


def _as_sent(reading: dict[str, Any]) -> dict[str, Any]:
    return {k: v for k, v in reading.items() if k != "at_us"} | {"at": instant_text(reading["at_us"])}


def body(readings: list[dict[str, Any]], stream: str = STREAM) -> dict[str, Any]:
    units = {"restriction": "kPa", "engine_speed": "r/min"}
    return {"device": DEVICE, "stream": stream, "units": units, "readings": readings}


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    """Read only: made once."""
    from tests.support.databases import migrated_sqlite

    yield from served(migrated_sqlite(tmp_path_factory.mktemp("raw")), tmp_path_factory.mktemp("older"))


@pytest.fixture
def either(database_url: str, tmp_path: Path) -> Iterator[Api]:
    """On both databases."""
    yield from served(database_url, tmp_path / "older")


def served(url: str, older: Path) -> Iterator[Api]:
    settings = load(flags={"database": url, "archive_folder": str(older)}, environ={})
    with in_process(url, devices=(DEVICE, SECOND), settings=settings) as api:
        api.tokens["second"] = api.tokens["device"]
        fill(api)
        archive_all(api, retention_days=28)
        yield api


def walked(api: Api, path: str, /, member: str = "readings", **asked: Any) -> list[dict[str, Any]]:
    """All pages of a question."""
    found: list[dict[str, Any]] = []
    more: dict[str, Any] = {}
    while True:
        page = api.get(path, params=asked | more)
        assert page.status_code == 200, page.text
        found += page.json()[member]
        assert len(page.json()[member]) <= asked.get("limit", route.PAGE)
        if page.json()["next"] is None:
            return found
        more = {"cursor": page.json()["next"]}


def expected(readings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Readings as the answer has them in the units they were sent in."""
    return [
        {"stream": STREAM, "at": instant_text(r["at_us"])} | {k: v for k, v in r.items() if k != "at_us"}
        for r in readings
    ]


AS_SENT = ["restriction:kPa", "engine_speed:r/min"]


@pytest.mark.parametrize("limit", [300, 10_000])
def test_pages_give_every_reading_once_in_order_of_time_archived_or_not(either: Api, limit: int) -> None:
    stored, archived = counts(either)
    assert stored > 500
    assert archived > 1_000
    found = walked(either, OF_DEVICE, limit=limit, unit=AS_SENT)
    leap = {"stream": f"{STREAM[:-1]}2", "at": LEAP, "seq": 1, "restriction": 2.5}
    assert found == [leap, *expected(SENT)]


def test_since_is_included_and_until_is_not(filled: Api) -> None:
    first, last = SENT[100], SENT[300]
    asked: dict[str, Any] = {
        "since": instant_text(first["at_us"]),
        "until": instant_text(last["at_us"]),
        "unit": AS_SENT,
    }
    assert walked(filled, OF_DEVICE, **asked) == expected(SENT[100:300])
    assert walked(filled, OF_DEVICE, since="2027-01-01T00:00:00Z") == []
    assert walked(filled, OF_DEVICE, since=asked["until"], until=asked["since"]) == []


def test_values_are_si_unless_another_unit_is_asked_for_and_the_answer_says_which(filled: Api) -> None:
    asked = {"since": instant_text(SENT[0]["at_us"]), "limit": 3}
    plain = filled.get(OF_DEVICE, params=asked).json()
    assert plain["units"] == {"restriction": "Pa", "engine_speed": "rad/s"}
    assert plain["readings"][0]["restriction"] == pytest.approx(SENT[0]["restriction"] * 1000, rel=1e-15)
    assert plain["readings"][0]["engine_speed"] == pytest.approx(SENT[0]["engine_speed"] * math.pi / 30)
    inches = filled.get(
        OF_DEVICE, params=asked | {"unit": "restriction:inH2O", "quantity": "restriction"}
    ).json()
    assert inches["units"] == {"restriction": "inH2O"}
    # NIST SP 811: the conventional inch of water is 249.08891 Pa.
    assert inches["readings"][0]["restriction"] == pytest.approx(SENT[0]["restriction"] * 1000 / 249.08891)
    assert "engine_speed" not in inches["readings"][0]


@pytest.mark.parametrize("resolution_s", [60, 3_600, 5_400, 7, 86_400])
def test_steps_of_time_have_count_mean_lowest_and_highest(filled: Api, resolution_s: int) -> None:
    by_step: dict[int, list[dict[str, Any]]] = {}
    for reading in SENT:
        by_step.setdefault(reading["at_us"] // (resolution_s * 1_000_000), []).append(reading)
    asked = {"since": "2026-01-01T00:00:00Z", "unit": AS_SENT, "resolution": f"{resolution_s}s", "limit": 900}
    found = walked(filled, OF_DEVICE, "buckets", **asked)
    assert [b["at"] for b in found] == [instant_text(s * resolution_s * 1_000_000) for s in sorted(by_step)]
    for bucket, (_, readings) in zip(found, sorted(by_step.items()), strict=True):
        assert bucket["readings"] == len(readings)
        for name in ("restriction", "engine_speed"):
            values = [r[name] for r in readings if name in r]
            if not values:
                assert name not in bucket
                continue
            assert bucket[name]["count"] == len(values)
            assert bucket[name]["mean"] == pytest.approx(math.fsum(values) / len(values), rel=1e-12)
            assert bucket[name]["min"] == pytest.approx(min(values), rel=1e-15)
            assert bucket[name]["max"] == pytest.approx(max(values), rel=1e-15)


def test_steps_agree_on_both_databases_and_end_early_where_too_much_stands_behind(
    either: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = {"resolution": "3600s", "unit": AS_SENT}
    whole = walked(either, OF_DEVICE, "buckets", **asked)
    assert sum(b["readings"] for b in whole) == COUNT + 1
    monkeypatch.setattr(raw, "BLOCK_ROWS", 300)
    monkeypatch.setattr(raw, "MOST_SCANNED", 500)
    first = either.get(OF_DEVICE, params=asked).json()
    assert 0 < len(first["buckets"]) < len(whole)
    assert walked(either, OF_DEVICE, "buckets", **asked) == whole


def test_a_housing_has_the_readings_of_its_devices_while_they_sat_there(filled: Api) -> None:
    found = walked(filled, OF_MACHINE, limit=10_000)
    assert {r["device"] for r in found} == {DEVICE, SECOND}
    assert len(found) == COUNT + 2
    assert [r["at"] for r in found if r["device"] == SECOND] == ["2026-02-10T06:00:00Z"]
    page = filled.get(OF_MACHINE, params={"limit": 1}).json()
    assert (page["machine"], page["housing"]) == ("grader-07", "main")
    assert filled.get(OF_MACHINE, params={"housing": "other"}).json()["code"] == "unknown_housing"


def test_a_device_that_moved_took_its_later_readings_along(either: Api) -> None:
    moved_us = SENT[1_500]["at_us"]
    either.post("/v1/machines", {"machine": "loader-02"})
    move = {"machine": "loader-02", "assigned_from": instant_text(moved_us)}
    assert either.post(f"/v1/devices/{DEVICE}/assignments", move).status_code == 200
    before = [r for r in walked(either, OF_MACHINE, limit=10_000) if r["device"] == DEVICE]
    after = walked(either, "/v1/machines/loader-02/readings", limit=10_000)
    assert (len(before), len(after)) == (1_501, COUNT - 1_500)
    assert after[0]["at"] == instant_text(moved_us)
    assert len(walked(either, OF_DEVICE, limit=10_000)) == COUNT + 1


def test_a_key_bound_to_one_device_sees_its_readings_and_no_others(filled: Api) -> None:
    made = filled.post("/v1/keys", {"role": "integrator", "devices": [SECOND]}).json()
    headers = bearer(made["key"])
    assert filled.get(OF_DEVICE, key=None, headers=headers).json()["code"] == "unknown_device"
    shown = filled.get(OF_MACHINE, key=None, headers=headers).json()["readings"]
    assert [r["device"] for r in shown] == [SECOND]
    assert filled.get(OF_DEVICE, key="quarry admin").json()["code"] == "unknown_device"
    assert filled.get(OF_MACHINE, key="quarry admin").json()["code"] == "unknown_machine"
    assert filled.get(OF_DEVICE, key="device").json()["code"] == "role_not_allowed"


def test_a_walk_stays_steady_while_new_readings_arrive(either: Api) -> None:
    asked: dict[str, Any] = {"limit": 700, "quantity": "restriction"}
    first = either.get(OF_DEVICE, params=asked).json()
    newer = [{"seq": COUNT + 1, "at": "2026-02-20T00:00:00Z", "restriction": 3.0}]
    earlier = [{"seq": 1, "at": "2026-01-01T00:00:00Z", "restriction": 3.0}]  # behind the position: not met
    either.send(body(newer))
    either.send(body(earlier, stream=f"{STREAM[:-1]}4"))
    archive_all(either)  # moving readings does not move them in the walk
    rest = walked(either, OF_DEVICE, **asked, cursor=first["next"])
    met = [r["at"] for r in [*first["readings"], *rest]]
    assert met == [LEAP, *(instant_text(r["at_us"]) for r in SENT), "2026-02-20T00:00:00Z"]


# ---------------------------------------------------------------- entity tags


def test_what_has_not_changed_is_not_sent_again_and_what_has_is(either: Api) -> None:
    forms: list[dict[str, str]] = [{}, {"resolution": "60s"}, {"format": "csv"}, {"format": "parquet"}]
    tags = []
    for more in forms:
        tag = either.get(OF_DEVICE, params=more).headers["etag"]
        again = either.get(OF_DEVICE, params=more, headers={"If-None-Match": tag})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
        tags.append(tag)
    assert len(set(tags)) == len(forms)
    archive_all(either)
    for more, tag in zip(forms, tags, strict=True):  # the same readings, in another place
        assert either.get(OF_DEVICE, params=more, headers={"If-None-Match": tag}).status_code == 304
    either.send(body([{"seq": COUNT + 1, "at": "2026-02-20T00:00:00Z", "restriction": 3.0}]))
    for more, tag in zip(forms, tags, strict=True):
        changed = either.get(OF_DEVICE, params=more, headers={"If-None-Match": tag})
        assert changed.status_code == 200
        assert changed.headers["etag"] != tag


def test_equal_tags_mean_equal_bytes(filled: Api) -> None:
    for form in ("json", "csv", "parquet"):
        one, other = (filled.get(OF_DEVICE, params={"format": form}) for _ in range(2))
        assert one.headers["etag"] == other.headers["etag"]
        assert one.content == other.content


# ---------------------------------------------------------------- files


def test_a_csv_has_every_reading_and_its_numbers_come_back_as_they_were(filled: Api) -> None:
    response = filled.get(OF_DEVICE, params={"format": "csv", "unit": AS_SENT})
    assert response.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    assert response.headers["content-disposition"] == f'attachment; filename="{DEVICE}.csv"'
    text = response.content.decode()
    assert text.count("\r\n") == text.count("\n") == COUNT + 2
    rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    assert rows[0]["at"] == LEAP
    for row, reading in zip(rows[1:], SENT, strict=True):
        assert (row["at"], row["device"], row["stream"]) == (instant_text(reading["at_us"]), DEVICE, STREAM)
        assert int(row["seq"]) == reading["seq"]
        for name in ("restriction [kPa]", "engine_speed [r/min]"):
            value = reading.get(name.split(" ")[0])
            assert row[name] == ("" if value is None else repr(float(value)))
        assert row["at_uncertainty [s]"] == ("0.25" if "at_uncertainty_s" in reading else "")


def test_no_cell_of_a_csv_can_be_taken_for_a_formula(filled: Api) -> None:
    """OWASP, CSV Injection: a cell that begins with = + @ tab or carriage return is run by spreadsheets."""
    for asked in ({"format": "csv"}, {"format": "csv", "resolution": "60s"}):
        text = filled.get(OF_MACHINE, params=asked).content.decode()
        for row in csv.reader(io.StringIO(text, newline="")):
            assert not any(cell.startswith(("=", "+", "@", "\t", "\r")) for cell in row)
            assert not any(cell.startswith("-") and not cell[1:2].isdigit() for cell in row)


def test_a_parquet_export_has_types_units_and_every_value(filled: Api) -> None:
    response = filled.get(OF_DEVICE, headers={"Accept": "application/vnd.apache.parquet"})
    assert response.headers["content-type"] == "application/vnd.apache.parquet"
    table = pq.read_table(io.BytesIO(response.content))
    assert table.num_rows == COUNT + 1
    assert table.schema.field("restriction").metadata == {b"unit": b"Pa"}
    shown = walked(filled, OF_DEVICE, limit=10_000)
    for name in ("at", "stream", "seq", "restriction", "engine_speed"):
        assert table[name].to_pylist() == [r.get(name) for r in shown]
    assert table["latitude"].null_count == COUNT + 1


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_steps_of_time_are_exported_too(filled: Api, form: str) -> None:
    shown = walked(filled, OF_DEVICE, "buckets", resolution="3600s", quantity="restriction")
    content = filled.get(
        OF_DEVICE, params={"format": form, "resolution": "3600s", "quantity": "restriction"}
    ).content
    if form == "csv":
        rows = list(csv.DictReader(io.StringIO(content.decode(), newline="")))
        assert [float(row["restriction mean [Pa]"]) for row in rows] == [
            b["restriction"]["mean"] for b in shown
        ]
    else:
        table = pq.read_table(io.BytesIO(content))
        assert table["restriction max"].to_pylist() == [b["restriction"]["max"] for b in shown]
        assert table["at"].to_pylist() == [b["at"] for b in shown]


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_an_export_of_nothing_is_a_file_of_nothing(filled: Api, form: str) -> None:
    response = filled.get(OF_DEVICE, params={"format": form, "since": "2027-01-01T00:00:00Z"})
    if form == "csv":
        assert response.content.startswith(b"at,device,stream,seq,at_uncertainty [s],restriction [Pa]")
        assert response.content.count(b"\r\n") == 1
    else:
        assert pq.read_table(io.BytesIO(response.content)).num_rows == 0


def test_memory_holds_one_piece_of_an_export(filled: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(route, "EXPORT_ROWS", 400)
    seen: list[int] = []
    through = raw.walk

    def counted(*given: Any, **more: Any) -> Iterator[raw.RawRows]:
        for rows in through(*given, **more):
            seen.append(len(rows))
            yield rows

    monkeypatch.setattr(raw, "walk", counted)
    assert filled.get(OF_DEVICE, params={"format": "csv"}).content.count(b"\r\n") == COUNT + 2
    assert sum(seen) == COUNT + 1
    assert max(seen) < 2 * 400  # an hour at 10 s beyond what was asked for


@pytest.mark.parametrize(
    ("accept", "media_type"),
    [
        ("*/*", "application/json"),
        ("text/csv", "text/csv; charset=utf-8; header=present"),
        ("application/json;q=0.5, text/csv", "text/csv; charset=utf-8; header=present"),
        ("text/csv;q=0.1, application/vnd.apache.parquet;q=0.2", "application/vnd.apache.parquet"),
        ("text/csv;q=0", "application/json"),
        ("text/csv;q=many", "application/json"),
        ("image/png", "application/json"),
    ],
)
def test_the_header_accept_chooses_the_format_as_rfc_9110_has_it(
    filled: Api, accept: str, media_type: str
) -> None:
    response = filled.get(OF_DEVICE, headers={"Accept": accept}, params={"since": "2027-01-01T00:00:00Z"})
    assert response.headers["content-type"] == media_type
    assert response.headers["vary"].split(", ")[0] == "Accept"


# ---------------------------------------------------------------- refusals and description


@pytest.mark.parametrize(
    "asked",
    [
        {"since": "2026-01-01"},
        {"since": LEAP},
        {"resolution": "60"},
        {"resolution": "0s"},
        {"resolution": "9999999s"},
        {"quantity": "dust"},
        {"unit": "restriction"},
        {"unit": "restriction:r/min"},
        {"unit": "dust:Pa"},
        {"quantity": "engine_speed", "unit": "restriction:kPa"},
        {"format": "xlsx"},
        {"format": "csv", "limit": "5"},
        {"limit": "10001"},
        {"cursor": "x"},
    ],
)
def test_what_does_not_fit_is_refused_by_name(filled: Api, asked: dict[str, str]) -> None:
    response = filled.get(OF_DEVICE, params=asked)
    assert (response.status_code, response.json()["code"]) == (422, "not_valid")
    assert response.json()["errors"][0]["pointer"].startswith("query/")


def test_answers_fit_their_description(filled: Api) -> None:
    description = filled.get("/openapi.json", key=None).json()
    for template, path in (
        ("/v1/devices/{device}/readings", OF_DEVICE),
        ("/v1/machines/{machine}/readings", OF_MACHINE),
    ):
        content = description["paths"][template]["get"]["responses"]["200"]["content"]
        assert content.keys() == {"application/json", "text/csv", "application/vnd.apache.parquet"}
        schema = content["application/json"]["schema"] | {"components": description["components"]}
        for asked in ({}, {"resolution": "60s"}):
            answer = filled.get(path, params=asked).json()
            jsonschema.Draft202012Validator(schema).validate(answer)
            with pytest.raises(jsonschema.ValidationError):
                jsonschema.Draft202012Validator(schema).validate(answer | {"strange": 1})
