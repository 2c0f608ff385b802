"""One error shape for every route and every kind of error: application/problem+json (RFC 9457)."""

from __future__ import annotations

import gzip
import itertools
import json
import re
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
import zstandard

from cleanside.gateway.wire import MAX_BODY_BYTES, MAX_DECODED_BYTES, MAX_LISTED, parse_instant
from cleanside.ingest.api.app import all_routes
from cleanside.ingest.intake.codes import NEXT_STEPS, TITLES
from tests.support.coded import sentence
from tests.support.databases import migrated_sqlite
from tests.support.serving import Api, batch, in_process

JSON = {"Content-Type": "application/json"}


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """The shape does not depend on the database."""
    with in_process(sqlite_database_url) as running:
        running.register()
        yield running


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    """One app for all requests without a valid key: none of them gets as far as to change anything."""
    with in_process(migrated_sqlite(tmp_path_factory.mktemp("closed"))) as running:
        running.register()
        yield running


def assert_is_problem(response: httpx.Response, status: int, code: str) -> dict[str, Any]:
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    document: dict[str, Any] = response.json()
    assert document["code"] == code
    assert document["type"] == f"/docs/problems/{code}"
    assert document["title"] == TITLES[code]
    assert document["status"] == status
    assert document["detail"]
    assert document["next_step"] == NEXT_STEPS[code]
    assert document["request_id"] == response.headers["request-id"]
    assert len(document["request_id"]) == 16
    assert all(set(error) == {"pointer", "detail"} for error in document["errors"])
    assert document.keys() - {"errors_more"} == {
        *("type", "code", "title", "status", "detail", "next_step", "errors", "request_id", "server_time")
    }
    assert parse_instant(document["server_time"]).us > 0
    return document


#: guesses of keys are counted by address
ADDRESSES = (f"10.0.{number // 256}.{number % 256}" for number in itertools.count())
ROUTES = sorted((method, route.path) for route in all_routes() for method in route.methods or ())
OPEN = {"/healthz", "/readyz", "/v1/enrol"}  # the last takes a one-time code instead
#: ways in for people: a password, a passkey or the code of a link instead
OPEN |= {"/v1/sessions", "/v1/sessions/passkey", "/v1/sessions/passkey-options", "/v1/invitations/accept"}


def test_the_routes_are_found() -> None:
    assert ("POST", "/v1/readings") in ROUTES
    assert len(ROUTES) > 15


@pytest.mark.parametrize(("method", "path"), [r for r in ROUTES if r[1] not in OPEN])
@pytest.mark.parametrize(
    "header",
    [None, "Bearer", "Bearer nonsense", "Bearer k00000000.00", "Basic a2V5OnNlY3JldA=="],
    ids=["none", "empty", "no dot", "unknown", "another scheme"],
)
def test_without_a_valid_key_every_route_says_401(
    closed: Api, method: str, path: str, header: str | None
) -> None:
    headers = {} if header is None else {"Authorization": header}
    filled = re.sub(r"{\w+}", "1", path)
    response = closed.from_address(next(ADDRESSES)).request(method, filled, key=None, headers=headers)
    assert_is_problem(response, 401, "key_unknown")
    assert response.headers["www-authenticate"] == "Bearer"


def test_a_wrong_secret_with_a_known_handle_is_unknown(api: Api) -> None:
    handle = api.tokens["admin"].partition(".")[0]
    response = api.get("/v1/machines", key=None, headers={"Authorization": f"Bearer {handle}.{'0' * 64}"})
    assert_is_problem(response, 401, "key_unknown")


def test_an_address_that_is_not_there(api: Api) -> None:
    assert_is_problem(api.get("/v1/nothing"), 404, "not_found")


def test_a_method_that_is_not_for_the_address_names_those_that_are(api: Api) -> None:
    response = api.request("PUT", "/v1/machines")
    assert_is_problem(response, 405, "method_not_allowed")
    assert response.headers["allow"] == "GET, HEAD, POST"


@pytest.mark.parametrize(
    ("path", "code"),
    [
        ("/v1/machines/none", "unknown_machine"),
        ("/v1/machines/none/restriction", "unknown_machine"),
        ("/v1/machines/grader-07/restriction?housing=none", "unknown_housing"),
        ("/v1/devices/none", "unknown_device"),
        ("/v1/streams/none", "unknown_stream"),
    ],
)
def test_an_object_that_is_not_there(api: Api, path: str, code: str) -> None:
    assert_is_problem(api.get(path), 404, code)


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, "#/machine"),
        ({"machine": 7}, "#/machine"),
        ({"machine": "grader 07"}, "#/machine"),
        ({"machine": "grader-07", "colour": "yellow"}, "#/colour"),
        (
            {
                "machine": "grader-07",
                "housings": [{"housing": "main", "terminal_restriction": {"value": "6.2", "unit": "kPa"}}],
            },
            "#/housings/0/terminal_restriction/value",
        ),
        (
            {
                "machine": "grader-07",
                "housings": [{"housing": "main", "terminal_restriction": {"value": 25, "unit": "IN WC"}}],
            },
            "#/housings/0/terminal_restriction/unit",
        ),
    ],
)
def test_a_body_that_is_not_as_described_is_named_by_pointer(
    api: Api, body: dict[str, Any], pointer: str
) -> None:
    document = assert_is_problem(api.post("/v1/machines", body), 422, "not_valid")
    assert pointer in [error["pointer"] for error in document["errors"]]


@pytest.mark.parametrize("at", ["2026-03-02T06:00:00", "2026-03-02", 1772431200, "2026-03-02 06:00:00Z"])
def test_times_are_rfc_3339_and_nothing_looser_everywhere(api: Api, at: Any) -> None:
    response = api.post("/v1/machines/grader-07/element-changes", {"changed_at": at})
    assert_is_problem(response, 422, "not_valid")


# ---------------------------------------------------------------- bad batches


def send(api: Api, content: bytes, **headers: str) -> httpx.Response:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return api.request("POST", "/v1/readings", key="device", content=content, headers=JSON | named)


@pytest.mark.parametrize(
    ("content", "status", "code"),
    [
        (b"", 400, "body_not_json"),
        (b"{", 400, "body_not_json"),
        (b"\xff\xfe", 400, "body_not_json"),
        (b'{"device": NaN}', 400, "body_not_json"),
        (b'{"device": "a", "device": "b"}', 400, "body_not_json"),
        (b"[" * 20_000, 400, "body_not_json"),
        (b"[" * 100_000, 422, "not_a_batch"),  # more lists than a batch has, seen before it is parsed
        (b"[]", 422, "not_a_batch"),
        (b"7", 422, "not_a_batch"),
        (b"{}", 422, "not_a_batch"),
    ],
)
def test_what_is_not_a_batch_is_refused_whole(api: Api, content: bytes, status: int, code: str) -> None:
    assert_is_problem(send(api, content), status, code)
    assert api.account()["streams"] == []


def test_all_problems_of_a_batch_are_named_at_once_and_the_rest_is_counted(api: Api) -> None:
    document = batch(1, [3.0] * 100)
    for reading in document["readings"]:
        reading["restriction"] = "3.0"
    found = assert_is_problem(send(api, json.dumps(document).encode()), 422, "not_a_batch")
    assert len(found["errors"]) == MAX_LISTED
    assert found["errors_more"] == 100 - MAX_LISTED
    assert found["errors"][7]["pointer"] == "#/readings/7/restriction"


def test_a_media_type_we_do_not_take_gets_415_without_accept_encoding(api: Api) -> None:
    """RFC 9110 section 15.5.16: only a content coding problem names codings."""
    response = send(api, b"{}", Content_Type="text/plain")
    assert_is_problem(response, 415, "type_not_supported")
    assert "accept-encoding" not in response.headers
    assert response.headers["accept-post"] == "application/json, application/senml+json"


def test_a_content_coding_we_do_not_take_gets_415_with_those_we_do(api: Api) -> None:
    response = send(api, b"{}", Content_Encoding="br")
    assert_is_problem(response, 415, "coding_not_supported")
    assert response.headers["accept-encoding"] == "zstd, gzip"


@pytest.mark.parametrize("coding", ["gzip", "zstd"])
def test_a_body_that_does_not_decompress(api: Api, coding: str) -> None:
    assert_is_problem(send(api, b"no such thing", Content_Encoding=coding), 400, "coding_broken")


@pytest.mark.parametrize("coding", ["gzip", "zstd"])
def test_a_compression_bomb_is_refused(api: Api, coding: str) -> None:
    zeros = b"0" * (64 * 2**20)
    bomb = gzip.compress(zeros) if coding == "gzip" else zstandard.compress(zeros)
    assert len(bomb) < MAX_BODY_BYTES < MAX_DECODED_BYTES
    assert_is_problem(send(api, bomb, Content_Encoding=coding), 413, "body_too_large")


def test_a_body_over_the_limit(api: Api) -> None:
    assert_is_problem(send(api, b" " * (MAX_BODY_BYTES + 1)), 413, "body_too_large")


def test_a_body_over_the_limit_is_refused_on_every_route(api: Api) -> None:
    content = b'{"machine": "' + b"x" * MAX_BODY_BYTES + b'"}'
    response = api.request("POST", "/v1/machines", content=content, headers=JSON)
    assert_is_problem(response, 413, "body_too_large")


# RFC 9530 appendix B.1 and D: the digests of {"hello": "world"} with and without a line feed.
HELLO = b'{"hello": "world"}'
HELLO_LINE = b'{"hello": "world"}\n'
HELLO_SHA_256 = "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:"
HELLO_LINE_SHA_256 = "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:"


@pytest.mark.parametrize(("content", "digest"), [(HELLO, HELLO_SHA_256), (HELLO_LINE, HELLO_LINE_SHA_256)])
def test_a_body_that_is_what_its_digest_says_is_read(api: Api, content: bytes, digest: str) -> None:
    assert_is_problem(send(api, content, Content_Digest=digest), 422, "not_a_batch")


def test_a_body_that_differs_from_its_digest_is_refused(api: Api) -> None:
    response = send(api, HELLO, Content_Digest=HELLO_LINE_SHA_256)
    assert_is_problem(response, 400, "digest_differs")


def test_a_digest_nobody_can_check_is_refused(api: Api) -> None:
    response = send(api, HELLO, Content_Digest="md5=:AAAA:")
    assert_is_problem(response, 400, "digest_not_supported")
    assert "sha-256" in response.headers["want-content-digest"]


def test_a_device_key_posts_for_its_devices_only(api: Api) -> None:
    other = batch(1, [3.0]) | {"device": "loader-02-intake"}
    assert_is_problem(api.post("/v1/readings", other, key="device"), 403, "key_not_for_device")


@pytest.mark.parametrize("key", ["planner", "operator", "admin"])
def test_roles_that_do_not_post_may_not_post(api: Api, key: str) -> None:
    assert_is_problem(api.post("/v1/readings", batch(1, [3.0]), key=key), 403, "role_not_allowed")


def test_an_overloaded_server_says_when_to_come_back(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    api.send(batch(1, [3.0]))
    monkeypatch.setattr(api.resources.writer._lanes, "max_jobs", 0)
    response = api.post("/v1/readings", batch(2, [3.0]), key="device")
    assert_is_problem(response, 503, "overloaded")
    assert int(response.headers["retry-after"]) >= 1


def test_what_breaks_says_so_and_tells_nothing_else(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: Any) -> None:
        raise ZeroDivisionError("a secret of the inside")

    monkeypatch.setattr("cleanside.ingest.intake.receive.receive_all", broken)
    response = api.post("/v1/readings", batch(1, [3.0]), key="device")
    assert_is_problem(response, 500, "server_broken")
    assert "secret" not in response.text


def test_every_answer_has_the_headers_that_keep_browsers_out(api: Api) -> None:
    for response in (api.get("/healthz"), api.get("/v1/machines"), api.get("/v1/nothing")):
        assert response.headers["x-content-type-options"] == "nosniff"
        assert response.headers["cache-control"] == "no-store"
        assert "default-src 'none'" in response.headers["content-security-policy"]


def test_there_is_no_page_that_needs_scripts_from_elsewhere(api: Api) -> None:
    """
    A shop without internet could not show it; the description itself is one file, at /openapi.json.

    `/docs` is the site of documents: `test_docs_site` holds that it loads nothing from elsewhere.
    """
    found = assert_is_problem(api.get("/redoc", key=None), 404, "not_found")
    assert "/openapi.json" in found["detail"]


def test_a_misspelt_parameter_is_refused_and_not_left_out(api: Api) -> None:
    """A filter that is silently ignored would show readings that were not asked for."""
    found = assert_is_problem(api.get("/v1/quarantine?devcie=grader-07-intake"), 422, "not_valid")
    assert found["errors"][0]["pointer"] == "query/devcie"
    assert "device" in found["errors"][0]["detail"]


def test_every_code_says_what_to_do() -> None:
    assert TITLES.keys() == NEXT_STEPS.keys()
    assert all(len(step) > 15 for step in NEXT_STEPS.values())


@pytest.mark.parametrize(
    ("path", "body", "pointer", "said"),
    [
        (
            "/v1/keys",
            {"role": "chief"},
            "#/role",
            "\"chief\": it is none of the choices; give 'device', 'int",
        ),
        ("/v1/sites", {"site": ""}, "#/site", '"": 1 to 64 letters'),
        (
            "/v1/parts",
            {"part": "KG", "lead_time_days": -1},
            "#/lead_time_days",
            "-1: it is below 0; give 0 or more",
        ),
        (
            "/v1/parts",
            {"part": "K" * 65},
            "#/part",
            f'"{"K" * 65}": it is longer than 64 characters; shorten it',
        ),
        ("/v1/keys", {"rol": "admin", "role": "admin"}, "#/rol", "rol is not known here; leave it out"),
        ("/v1/keys", {}, "#/role", "role is missing; give it"),
    ],
)
def test_an_invalid_member_is_named_with_its_value_and_the_rule(
    api: Api, path: str, body: dict[str, Any], pointer: str, said: str
) -> None:
    document = assert_is_problem(api.post(path, body), 422, "not_valid")
    assert [error["pointer"] for error in document["errors"]] == [pointer]
    assert document["errors"][0]["detail"].startswith(said)


def test_a_step_that_is_none_is_shown_with_the_form_of_one(api: Api) -> None:
    answer = api.get("/v1/machines/grader-07/readings", params={"resolution": "1h"})
    detail = assert_is_problem(answer, 422, "not_valid")["detail"]
    assert detail == '"1h": it must be a number of seconds with an s behind it, like 60s or 3600s'


@pytest.mark.parametrize(("value", "unit", "kpa"), [(25_000, "kPa", 25_000), (25, "inHg", 84.6597)])
def test_a_limit_that_no_reading_can_reach_is_refused(api: Api, value: float, unit: str, kpa: float) -> None:
    """25 inH2O, typed as inHg: an alarm that never comes. inHg: 3386.389 Pa, NIST SP 811 appendix B."""
    limit = {"housing": "main", "terminal_restriction": {"value": value, "unit": unit}}
    answer = api.post("/v1/machines", {"machine": "loader-02", "housings": [limit]})
    detail = assert_is_problem(answer, 422, "not_valid")["detail"]
    about = {"value": value, "unit": unit, "value_kpa": kpa, "highest_kpa": 50.0}
    assert detail == sentence("limit_out_of_reach", **about)
    assert ("(" in detail) is (unit != "kPa")  # 25000 kPa is not said to be 25000 kPa
    assert api.get("/v1/machines/loader-02").status_code == 404
