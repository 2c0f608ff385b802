"""The contract: instants, strict decoding, both layouts, answers."""

from __future__ import annotations

import base64
import json
import tracemalloc
from contextlib import suppress
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rfc3339_validator import validate_rfc3339

from cleanside.gateway import wire
from cleanside.gateway.wire import Answer, Batch, BatchRefused, QuarantineNote, Reading, ShedRange
from cleanside.gateway.wire.batch import readings_in
from cleanside.ingest.intake import quick_decoder
from tests.support.coded import refused

STREAM = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"

# ---------------------------------------------------------------- instants


@pytest.mark.parametrize(
    ("text", "unix_s"),
    [  # RFC 3339 section 5.8, with the POSIX times computed from the calendar
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397),
        ("1996-12-20T00:39:57Z", 851042397),
        ("1990-12-31T23:59:60Z", 662688000),
        ("1990-12-31T15:59:60-08:00", 662688000),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
    ],
)
def test_the_examples_of_rfc_3339_are_read(text: str, unix_s: float) -> None:
    assert wire.parse_instant(text).us == round(unix_s * 1e6)


# JSON-Schema-Test-Suite, tests/draft2020-12/optional/format/date-time.json (MIT).
SUITE = [
    ("1963-06-19T08:30:06.283185Z", True),
    ("1963-06-19T08:30:06Z", True),
    ("1937-01-01T12:00:27.87+00:20", True),
    ("1990-12-31T15:59:50.123-08:00", True),
    ("1998-12-31T23:59:60Z", True),
    ("1998-12-31T15:59:60.123-08:00", True),
    ("1998-12-31T23:59:61Z", False),
    ("1998-12-31T23:58:60Z", False),
    ("1998-12-31T22:59:60Z", False),
    ("1990-02-31T15:59:59.123-08:00", False),
    ("1990-12-31T15:59:59-24:00", False),
    ("1963-06-19T08:30:06.28123+01:00Z", False),
    ("1990-12-31T24:00:00Z", False),
    ("1990-12-31T15:60:00Z", False),
    ("1990-12-31T10:00:00+10:60", False),
    ("06/19/1963 08:30:06 PST", False),
    ("1963-06-19t08:30:06.283185z", True),
    ("2013-350T01:01:01", False),
    ("1963-6-19T08:30:06.283185Z", False),
    ("1963-06-1T08:30:06.283185Z", False),
    ("1963-06-1\u09eaT00:00:00Z", False),
    ("1963-06-11T0\u09ea:00:00Z", False),
    ("+11963-06-19T08:30:06.283185Z", False),
    ("1985-04-12T23:20:50+01", False),
    ("2016-12-31T24:59:60+01:00", False),
    ("1985-04-12T00:59:59.999999999999999Z", True),
    ("1985-04-12T23:20:50Z\n", False),
]
# What Python 3.11's own datetime.fromisoformat takes although RFC 3339 does not allow it (run on 3.11.7),
# and a suffix as in RFC 9557, which a strict RFC 3339 field refuses.
LOOSE = [
    "2026-11-24T21:27Z",
    "20261124T212700Z",
    "2026-W48-2",
    "2026-11-24T21:27:00,5Z",
    "2026-11-24T21:27:00",
    "2026-11-24 21:27:00Z",
    "2026-11-24T21:27:00Z[Europe/Paris]",
    "",
]


#: why a text is no instant
INSTANT_CODES = {
    *("no_offset", "not_rfc3339", "offset_too_large", "no_such_day", "no_such_time", "leap_second"),
    "beyond_years_in_utc",
}


# Of the form, and no date of RFC 3339 (four digits of a year, and none before the year 1 here) in UTC.
BEYOND = [
    "9999-12-31T23:59:59-00:01",
    "9999-12-31T23:59:59.5-01:00",
    "9999-12-31t23:59:59-23:59",
    "0001-01-01T00:00:00+00:01",
    "0001-01-01T00:00:60+00:01",
]


@pytest.mark.parametrize(
    ("text", "valid"), SUITE + [(text, False) for text in LOOSE] + [(text, False) for text in BEYOND]
)
def test_an_instant_is_rfc_3339_and_nothing_looser(text: str, valid: bool) -> None:
    if valid:
        wire.parse_instant(text)
    else:
        with pytest.raises(wire.NotAnInstant) as wrong:
            wire.parse_instant(text)
        assert wrong.value.values["text"] == text[:40]
        assert wrong.value.code in INSTANT_CODES


@given(st.datetimes(timezones=st.sampled_from([UTC, timezone(timedelta(hours=-9, minutes=-30))])))
def test_what_an_independent_validator_accepts_is_read_as_that_instant(instant: datetime) -> None:
    """rfc3339-validator (PyPI) agrees that the text is valid; datetime's own arithmetic gives the instant."""
    text = instant.isoformat()
    assert validate_rfc3339(text)
    assert wire.parse_instant(text).us == wire.us_of(instant)


def test_a_leap_second_stays_distinct_from_the_next_second() -> None:
    leap = wire.parse_instant("2016-12-31T23:59:60Z")
    after = wire.parse_instant("2017-01-01T00:00:00Z")
    assert leap.us == after.us
    assert leap.exact == "2016-12-31T23:59:60Z"
    assert after.exact is None
    assert wire.parse_instant("2017-01-01T00:59:60.250+01:00").exact == "2016-12-31T23:59:60.25Z"


def test_digits_finer_than_a_microsecond_stay_distinct_and_are_never_rounded_up() -> None:
    instant = wire.parse_instant("1985-04-12T00:59:59.999999999999999Z")
    assert instant.us == wire.parse_instant("1985-04-12T00:59:59.999999Z").us
    assert instant.exact == "1985-04-12T00:59:59.999999999999999Z"


@given(st.integers(min_value=-62135596800_000_000, max_value=253402300799_999_999))
def test_an_instant_written_is_read_back(us: int) -> None:
    assert wire.parse_instant(wire.instant_text(us)) == wire.Instant(us)


def test_a_reading_refuses_a_naive_time_and_a_value_without_unit() -> None:
    with refused(wire.NoReading, "no_zone"):
        Reading(at=datetime(2026, 3, 2), values={}, units={})  # noqa: DTZ001 - the point of the test
    with refused(wire.NoReading, "unit_undeclared", quantities="restriction"):
        Reading(at=None, values={"restriction": 3.0}, units={})


# ---------------------------------------------------------------- both layouts


def readings_body(**changes: Any) -> dict[str, Any]:
    """The first example of the contract."""
    return {
        "device": "grader-07-intake",
        "stream": STREAM,
        "units": {"restriction": "kPa", "engine_speed": "r/min"},
        "readings": [
            {"seq": 181, "at": "2026-03-02T06:14:07.250Z", "restriction": 3.05, "engine_speed": 1795},
            {"seq": 182, "at": "2026-03-02T06:14:17.250Z", "at_uncertainty_s": 4.0, "restriction": 3.10},
        ],
    } | changes


def columns_body(**changes: Any) -> dict[str, Any]:
    """The second example of the contract."""
    return {
        "device": "grader-07-intake",
        "stream": STREAM,
        "units": {"restriction": "kPa", "engine_speed": "r/min"},
        "first_seq": 181,
        "start": "2026-03-02T06:14:07.250Z",
        "step_ms": [0, 10000, 10000, 10004],
        "columns": {"restriction": [3.05, 3.10, None, 3.20], "engine_speed": [1795, 1802, 1799, None]},
        "shed": [{"first": 120, "last": 180, "reason": "disk_budget"}],
        "gateway": {
            "version": "1.2.0",
            "built": "2026-02-20",
            "appended_through": 90210,
            "boots": [{"boot": "6f2c", "first_seq": 170, "anchor": "gps", "uncertainty_s": 0.05}],
            "events": [{"at_seq": 181, "event": "key_on"}],
        },
    } | changes


def decode(document: Any) -> Batch:
    return wire.decode(json.dumps(document).encode())


def refusal(document: Any) -> BatchRefused:
    body = document if isinstance(document, bytes) else json.dumps(document).encode()
    with pytest.raises(BatchRefused) as caught:
        wire.decode(body)
    return caught.value


def test_both_layouts_decode_into_the_same_columns() -> None:
    rows = decode(
        readings_body(
            readings=[
                {"seq": 7, "at": "2026-03-02T06:14:07.250Z", "restriction": 3.05},
                {"seq": 8, "at": "2026-03-02T06:14:17.250Z", "restriction": 3.1, "engine_speed": 1802},
            ]
        )
    )
    columns = decode(
        columns_body(
            first_seq=7,
            step_ms=[0, 10000],
            columns={"restriction": [3.05, 3.1], "engine_speed": [None, 1802]},
            shed=[],
        )
    )
    assert (rows.seq, rows.at_us, rows.columns) == (columns.seq, columns.at_us, columns.columns)
    assert rows.as_sent(1) == columns.as_sent(1)


def test_the_readings_of_the_contract_example_are_read() -> None:
    batch = decode(readings_body())
    assert list(batch.seq or ()) == [181, 182]
    assert [batch.uncertainty_s(i) for i in range(2)] == [None, 4.0]
    assert batch.as_sent(1) == {
        "seq": 182,
        "at": "2026-03-02T06:14:17.250Z",
        "at_uncertainty_s": 4.0,
        "units": {"restriction": "kPa"},
        "restriction": 3.10,
    }
    assert batch.doubts == {}


def test_the_columns_of_the_contract_example_are_read() -> None:
    batch = decode(columns_body())
    assert batch.seq == range(181, 185)
    assert batch.instant_text(3) == "2026-03-02T06:14:37.254Z"
    assert batch.shed == (ShedRange(120, 180, "disk_budget"),)
    assert batch.gateway is not None
    assert batch.gateway.appended_through == 90210


def test_a_numbered_batch_is_sorted_with_all_its_columns() -> None:
    batch = decode(
        readings_body(
            readings=[
                {"seq": 9, "at": "2026-03-02T06:00:09Z", "restriction": 9.0},
                {"seq": 5, "at": "nine o'clock", "restriction": 5.0},
                {"seq": 7, "at": "2026-03-02T06:00:07Z", "at_uncertainty_s": 1, "restriction": 7.0},
            ]
        )
    )
    assert list(batch.seq or ()) == [5, 7, 9]
    assert batch.columns["restriction"] == [5.0, 7.0, 9.0]
    assert [batch.uncertainty_s(i) for i in range(3)] == [None, 1, None]
    assert batch.doubts[0][0].code == "time_not_rfc3339"
    assert batch.as_sent(0)["at"] == "nine o'clock"


@given(
    at_ms=st.lists(st.integers(0, 10**12), min_size=1, max_size=20),
    sub_ms=st.booleans(),
    data=st.data(),
)
def test_a_batch_written_is_read_back(at_ms: list[int], sub_ms: bool, data: st.DataObject) -> None:
    count = len(at_ms)
    number = st.none() | st.floats(allow_nan=False, allow_infinity=False)
    batch = Batch(
        device="loader-02",
        stream=STREAM,
        seq=sorted(data.draw(st.sets(st.integers(1, 2**53), min_size=count, max_size=count))),
        at_us=[ms * 1000 + (sub_ms and i) for i, ms in enumerate(at_ms)],
        at_uncertainty_s=data.draw(st.none() | st.just(0.5)),
        units={"restriction": "kPa"},
        columns={"restriction": data.draw(st.lists(number, min_size=count, max_size=count))},
        shed=(),
    )
    again = wire.decode(wire.encode(batch))
    assert [again.as_sent(i) for i in range(count)] == [batch.as_sent(i) for i in range(count)]
    assert list(again.seq or ()) == list(batch.seq or ())


def test_a_mistyped_member_of_a_batch_is_refused_with_the_nearest_one() -> None:
    problems = refusal({"device": "a", "strean": STREAM, "units": {}, "readings": []}).problems
    assert ['(did you mean "stream"?)' in p.detail for p in problems if p.pointer == "#/strean"] == [True]


# ---------------------------------------------------------------- what leaves a reading in doubt


def test_a_unit_that_does_not_measure_its_quantity_doubts_those_readings_only() -> None:
    batch = decode(readings_body(units={"restriction": "kPa", "engine_speed": "r p m"}))
    assert {i: [d.code for d in doubts] for i, doubts in batch.doubts.items()} == {0: ["unit_not_accepted"]}
    assert batch.doubts[0][0].suggestion == {"units": {"engine_speed": "r/min"}}


def test_an_undeclared_unit_and_an_unknown_quantity_are_doubted_not_refused() -> None:
    readings = [{"seq": 1, "at": "2026-03-02T06:00:00Z", "restriction": 3.0, "soot_load": 12}]
    batch = decode(readings_body(units={}, readings=readings))
    assert sorted(d.code for d in batch.doubts[0]) == ["quantity_unknown", "unit_undeclared"]
    assert batch.as_sent(0)["soot_load"] == 12


def test_a_time_without_offset_is_doubted_with_the_text_kept() -> None:
    batch = decode(readings_body(readings=[{"seq": 1, "at": "2026-03-02T06:00:00", "restriction": 3.0}]))
    assert batch.at_us == [None]
    assert batch.doubts[0][0].code == "time_without_offset"
    assert batch.as_sent(0)["at"] == "2026-03-02T06:00:00"


# ---------------------------------------------------------------- what is refused whole


@pytest.mark.parametrize(
    ("body", "code"),
    [
        (b"", "not_json"),
        (b"{", "not_json"),
        (b"\xff\xfe{}", "not_utf_8"),
        (b"\xef\xbb\xbf{}", "not_json"),
        (b'{"device": NaN}', "constant"),
        (b'{"device": -Infinity}', "constant"),
        (b'{"device": "a", "device": "b"}', "key_twice"),
        (b'{"device": ' + b"9" * 5000 + b"}", "number_too_long"),
        (b"[" * 20_000, "too_deep"),
    ],
)
def test_what_is_not_json_is_answered_400(body: bytes, code: str) -> None:
    error = refusal(body)
    assert (error.status, [problem.code for problem in error.problems]) == (400, [code])


#: what the content of a reading in quarantine has beside its quantities
NAMES = ["units", "opaque", "time_is_right"]
RESERVED = [{"seq": 1, "at": "2026-03-02T06:00:00Z", "restriction": 3.05, name: 5} for name in NAMES]
REFUSED = [
    ([], "not_an_object"),
    ({}, "name_missing"),
    (readings_body(device="grader 07"), "not_a_name"),
    (readings_body(device="x" * 65), "not_a_name"),
    (readings_body(stream="grader"), "not_a_uuid"),
    (readings_body(note="hi"), "unknown_member"),
    (readings_body(readings=[]), "no_readings"),
    (readings_body(units=["kPa"]), "units_not_an_object"),
    (readings_body(units={"restriction": 5}), "unit_not_a_text"),
    (readings_body(readings=[{"seq": "1", "at": "2026-03-02T06:00:00Z"}]), "not_whole"),
    (readings_body(readings=[{"at": "2026-03-02T06:00:00Z", "restriction": 3.05}]), "seq_missing"),
    (readings_body(readings=[{"seq": None, "at": "2026-03-02T06:00:00Z"}]), "not_whole"),
    (readings_body(readings=[{"seq": True, "at": "2026-03-02T06:00:00Z"}]), "not_whole"),
    (readings_body(readings=[{"seq": 0, "at": "2026-03-02T06:00:00Z"}]), "not_whole"),
    (readings_body(readings=[{"seq": 2**53 + 1, "at": "2026-03-02T06:00:00Z"}]), "not_whole"),
    (readings_body(readings=[{"seq": 1, "at": 1772432047}]), "at_not_a_text"),
    (readings_body(readings=[{"seq": 1}]), "at_not_a_text"),
    (
        readings_body(readings=[{"seq": 1, "at": "2026-03-02T06:00:00Z", "restriction": "3.05"}]),
        "not_a_number",
    ),
    (readings_body(readings=[{"seq": 1, "at": "2026-03-02T06:00:00Z", "restriction": True}]), "not_a_number"),
    (readings_body(readings=[{"seq": 1, "at": "2026-03-02T06:00:00Z", "restriction": [3]}]), "not_a_number"),
    (
        readings_body(readings=[{"seq": 1, "at": "2026-03-02T06:00:00Z", "restriction": 2**53 + 1}]),
        "beyond_2_53",
    ),
    (
        readings_body(readings=[{"seq": 1, "at": "2026-03-02T06:00:00Z", "at_uncertainty_s": -1}]),
        "number_below",
    ),
    (readings_body(readings=[{"seq": 1, "at": "2026-03-02T06:00:00Z"}] * 2), "number_twice"),
    *((readings_body(readings=[reading]), "not_a_quantity_name") for reading in RESERVED),
    *((columns_body(columns={name: [1, 2, 3, 4]}), "not_a_quantity_name") for name in NAMES),
    (readings_body(first_seq=3), "of_the_other_layout"),
    (readings_body(readings=[{"seq": 1, "at": "2026-03-02T06:00:00Z"}] * 5001), "too_many_readings"),
    (columns_body(step_ms=[0, 1.5, 1, 1]), "step_not_whole"),
    (columns_body(step_ms=[0, 1]), "list_of_another_length"),
    (columns_body(columns={"restriction": [1, 2, 3, "4"]}), "not_a_number"),
    (columns_body(columns={"restriction": [1, 2, 3, False]}), "not_a_number"),
    (columns_body(at_uncertainty_s=[1, 2]), "list_of_another_length"),
    (columns_body(start="2026-03-02T06:14:07"), "start_not_an_instant"),
    (columns_body(start="2016-12-31T23:59:60Z"), "start_too_fine"),
    (columns_body(step_ms=[0, 2**53, 1, 1]), "steps_lead_too_far"),
    (columns_body(seq=[1, 2, 3, 4]), "first_seq_or_seq"),
    (columns_body(first_seq=2**53 - 2), "not_whole"),
    (columns_body(opaque={"seq": 183, "base64": "eA=="}), "number_twice"),
    (
        columns_body(
            opaque={"seq": 7, "base64": "eA=="}, shed=[{"first": 3, "last": 9, "reason": "disk_budget"}]
        ),
        "sent_and_shed",
    ),
    (columns_body(shed=[{"first": 9, "last": 3, "reason": "disk_budget"}]), "not_whole"),
    (
        columns_body(shed=[{"first": 1, "last": 5, "reason": "a"}, {"first": 5, "last": 6, "reason": "a"}]),
        "shed_overlap",
    ),
    (columns_body(shed=[{"first": 184, "last": 190, "reason": "disk_budget"}]), "sent_and_shed"),
    (columns_body(shed=[{"first": i, "last": i, "reason": "a"} for i in range(1001, 2002)]), "too_many_shed"),
    (columns_body(opaque={"seq": 500, "base64": "a"}), "opaque_not_base64"),
    (columns_body(gateway=[]), "gateway_not_an_object"),
    (columns_body(gateway={"boots": [{"a": [[[[[[1]]]]]]}]}), "gateway_not_an_object"),
    ({"device": "loader-02"}, "empty"),
    ({"device": "loader-02", "shed": [{"first": 1, "last": 2, "reason": "x"}]}, "stream_needed"),
]


@pytest.mark.parametrize(("document", "code"), REFUSED)
def test_what_is_not_a_batch_is_answered_422(document: Any, code: str) -> None:
    error = refusal(document)
    assert error.status == 422
    assert code in {problem.code for problem in error.problems}
    assert all(problem.pointer.startswith("#") for problem in error.problems)


def test_a_number_too_large_for_a_double_is_refused_in_both_layouts() -> None:
    assert refusal(json.dumps(columns_body()).replace("3.05", "1e999").encode()).status == 422
    assert refusal(json.dumps(readings_body()).replace("3.05", "1e999").encode()).status == 422


def test_a_batch_of_very_many_quantities_is_refused_before_it_costs_memory() -> None:
    readings = [{"seq": i, "at": "2026-03-02T06:00:00Z", f"q{i}": 1} for i in range(1, 1001)]
    [*_, problem] = refusal(readings_body(readings=readings)).problems
    assert (problem.code, problem.values["most"]) == ("too_many_quantities", 64)
    columns = {f"q{i}": [1, 2, 3, 4] for i in range(65)}
    [problem] = refusal(columns_body(columns=columns)).problems
    assert (problem.code, problem.values["most"]) == ("too_many_quantities", 64)


def test_all_problems_are_named_at_once_and_the_list_is_bounded() -> None:
    readings = [{"seq": i, "at": 5, "restriction": "x"} for i in range(1, 101)]
    error = refusal(readings_body(readings=readings))
    assert error.problems[0].pointer == "#/readings/0/at"
    assert error.problems[1].pointer == "#/readings/0/restriction"
    assert len(error.problems) == wire.MAX_LISTED
    assert error.more == 200 - wire.MAX_LISTED


@pytest.mark.parametrize("version", ["mine 1", "1.2.0+5", "2026/03"])
def test_a_version_is_any_short_text(version: str) -> None:
    """SemVer 2.0.0 section 10 allows 1.2.0+5; a label that people read refused every reading beside it."""
    report = decode(columns_body(gateway={"version": version, "built": version})).gateway
    assert report is not None
    assert (report.version, report.built) == (version, version)
    for wrong in ("", "a" * 65, "a\nb", 5):
        [problem] = refusal(columns_body(gateway={"version": wrong})).problems
        assert problem.code == "not_a_short_text"


def test_a_newer_gateway_may_report_what_this_version_does_not_know() -> None:
    batch = decode(columns_body(gateway={"version": "9.0", "cell": {"id": 7}}))
    assert batch.gateway is not None
    assert batch.gateway.extra == {"cell": {"id": 7}}


def test_an_opaque_record_and_shed_ranges_alone_are_batches() -> None:
    content = bytes(range(256))
    encoded = base64.b64encode(content).decode()
    batch = decode({"device": "loader-02", "stream": STREAM, "opaque": {"seq": 5, "base64": encoded}})
    assert batch.opaque == wire.Opaque(5, content)
    assert wire.decode(wire.encode(batch)) == batch
    shed = decode(
        {"device": "loader-02", "stream": STREAM, "shed": [{"first": 1, "last": 4, "reason": "damaged"}]}
    )
    assert len(shed) == 0
    assert wire.decode(wire.encode(shed)) == shed


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(),
        lambda c: st.lists(c) | st.dictionaries(st.text(), c),
    )
)
def test_no_json_makes_the_decoder_fail_otherwise_than_by_refusing(value: Any) -> None:
    for document in (
        value,
        columns_body(columns=value),
        readings_body(readings=[value]),
        columns_body(gateway=value),
    ):
        with suppress(BatchRefused):
            assert len(wire.decode(json.dumps(document).encode())) > 0 or document is value


# ---------------------------------------------------------------- answers

ANSWER = Answer(
    stream=STREAM,
    acknowledged_through=96,
    stored=1,
    gaps=((97, 101),),
    quarantined=(QuarantineNote(first=182, last=182, code="time_in_future", detail="3 h ahead"),),
    server_time_us=1772442000_000_000,
)


def test_an_answer_written_is_read_back_and_looks_as_the_contract_shows() -> None:
    body = wire.encode_answer(ANSWER)
    assert wire.decode_answer(body, stream=STREAM, highest_sent=182) == ANSWER
    assert json.loads(body) == {
        "stream": STREAM,
        "acknowledged_through": 96,
        "stored": 1,
        "duplicates": 0,
        "gaps": [[97, 101]],
        "quarantined": [{"seq": 182, "code": "time_in_future", "detail": "3 h ahead"}],
        "server_time": "2026-03-02T09:00:00Z",
    }


def test_lists_in_an_answer_are_capped_with_a_count_of_the_rest() -> None:
    gaps = tuple((n, n) for n in range(1, 401, 2))
    body = wire.encode_answer(Answer(stream=STREAM, acknowledged_through=0, gaps=gaps, server_time_us=0))
    document = json.loads(body)
    assert len(document["gaps"]) == 64
    assert document["gaps_more"] == 200 - 64
    assert wire.decode_answer(body, stream=STREAM, highest_sent=400).gaps_more == 136


@pytest.mark.parametrize(
    "body",
    [
        b"<html>Welcome to the site office network</html>",
        b"{}",
        b"[]",
        b"null",
        json.dumps({"stream": STREAM, "acknowledged_through": 96}).encode(),
        wire.encode_answer(ANSWER).replace(b"96", b"183"),
        wire.encode_answer(ANSWER).replace(b"96", b"-1"),
        wire.encode_answer(ANSWER).replace(b"96", b"true"),
        wire.encode_answer(ANSWER).replace(STREAM.encode(), b"019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"),
    ],
)
def test_what_is_not_an_answer_to_what_was_sent_is_not_believed(body: bytes) -> None:
    with pytest.raises(wire.NotAnAnswer):
        wire.decode_answer(body, stream=STREAM, highest_sent=182)


@pytest.mark.parametrize(
    ("entry", "many", "code"),
    [
        (b"{}", 30_000, "too_many_nested"),
        (b"[]", 30_000, "too_many_nested"),
        (b"0", 400_000, "too_many_values"),
        (b'"a"', 400_000, "too_many_values"),
    ],
)
@pytest.mark.parametrize("begins", [b"[", b'{"device":"loader-02","units":{},"readings":[', b'{"shed":['])
def test_a_body_of_very_many_parts_is_refused_before_it_costs_memory(
    begins: bytes, entry: bytes, many: int, code: str
) -> None:
    """8 kB compressed became 2.7 million objects. A count takes one array of the body's length at most."""
    body = begins + b",".join([entry] * many) + (b"]" if begins == b"[" else b"]}")
    tracemalloc.start()
    try:
        for decode in (wire.decode, quick_decoder.decode):
            with pytest.raises(wire.BatchRefused) as refused:
                decode(body)
            assert (refused.value.status, refused.value.problems[0].code) == (422, code)
        _, most_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most_bytes < 2 * len(body) + 2**16, "no object for each part"


def test_the_largest_batch_has_fewer_parts_than_are_refused() -> None:
    """5,000 readings of 64 quantities, each with a boot and two events of its own, and 1,000 shed ranges."""
    numbers = range(1, wire.MAX_READINGS + 1)
    names = [f"q{n}" for n in range(wire.MAX_QUANTITIES)]
    reading = {"at": "2026-03-02T06:00:00Z", "at_uncertainty_s": 1} | dict.fromkeys(names, 1)
    document = readings_body(
        units=dict.fromkeys(names, "kPa"),
        readings=[{"seq": n} | reading for n in numbers],
        shed=[{"first": n, "last": n, "reason": "a"} for n in range(6001, 6001 + wire.MAX_SHED_RANGES)],
    )
    assert len(wire.decode(json.dumps(document).encode())) == wire.MAX_READINGS
    boots = [{"boot": str(n), "first_seq": n} for n in numbers]
    events = [{"at_seq": n, "event": event} for n in numbers for event in ("key_on", "key_off")]
    small = readings_body(readings=[{"seq": n, "at": "2026-03-02T06:00:00Z"} for n in numbers])
    small |= {"gateway": {"boots": boots, "events": events}}
    assert len(wire.decode(json.dumps(small).encode())) == wire.MAX_READINGS


def test_the_state_of_a_stream_written_is_read_back() -> None:
    state = wire.StreamAtServer(
        stream=STREAM, device="loader-02", acknowledged_through=5, highest=9, gaps=((6, 8),), server_time_us=0
    )
    assert wire.decode_stream_state(wire.encode_stream_state(state), stream=STREAM) == state


def test_a_problem_says_value_rule_and_next_step() -> None:
    """One of each kind of sentence: the codes above say which."""
    sentences = {p.code: p.detail for document, _ in REFUSED for p in refusal(document).problems}
    assert sentences["not_a_name"].endswith("give 1 to 64 characters from A-Z a-z 0-9 - : . _")
    assert sentences["at_not_a_text"] == "reading 0: at is null; send an RFC 3339 text"
    assert sentences["too_many_readings"] == "5,001 readings; a batch takes at most 5000; split it"
    assert sentences["list_of_another_length"].endswith(
        "has 2 entries; step_ms has 4 and all lists have one length"
    )
    assert sentences["empty"] == "the batch is empty; send readings, columns, shed, opaque or gateway"


@pytest.mark.parametrize(("count", "counts"), [(600, 600), (10**9, 10**9), (10**9 + 1, 0), (2**53 - 1, 0)])
def test_an_absurd_number_of_lost_readings_counts_for_none(count: int, counts: int) -> None:
    """One device could make the figure of all, and its alert, say nothing any more."""
    assert readings_in("readings_lost", {"event": "readings_lost", "count": count}) == counts
