"""What holds for answers of every route: HEAD, compression, a slash too many, clients that leave."""

from __future__ import annotations

import gzip
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from cleanside.ingest.api.app import all_routes
from cleanside.ingest.api.compression import LEAST_BYTES, takes_gzip
from cleanside.ingest.api.edge import CUT_OFF_STATUS
from tests.support.databases import migrated_sqlite
from tests.support.gatewaying import wait_until
from tests.support.prepared import Prepared, prepared
from tests.support.raw_http import connect, exchange
from tests.support.serving import DEVICE, STREAM, Api, ServerProcess, batch, bearer, make_keys


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    return prepared(tmp_path_factory.mktemp("shop"), fill)


@pytest.fixture
def api(shop: Prepared, tmp_path: Path) -> Iterator[Api]:
    with shop.copied(tmp_path) as running:
        running.analyse()  # what it found stays in the memory of the app
        yield running


def fill(running: Api) -> None:
    running.register()
    for first in range(1, 401, 100):
        running.send(batch(first, [3.0] * 100))
    running.analyse()


# ---------------------------------------------------------------- HEAD

GETS = sorted(route.path for route in all_routes() if "GET" in (route.methods or ()))
NAMES = {"machine": "grader-07", "device": DEVICE, "stream": STREAM}


def filled(path: str) -> str:
    return re.sub(r"{(\w+)}", lambda match: NAMES.get(match[1], "1"), path)


@pytest.mark.parametrize("path", [*GETS, "/openapi.json", "/v1/nothing"])
def test_head_answers_like_get_without_content(api: Api, path: str) -> None:
    """RFC 9110 section 9.3.2. What changes from one answer to the next is left out."""
    with_get, with_head = (api.request(method, filled(path)) for method in ("GET", "HEAD"))
    assert with_head.status_code == with_get.status_code
    assert with_head.content == b""
    left_out = {"request-id"} | ({"content-length"} if path == "/metrics" else set())
    of_get, of_head = (dict(answer.headers) for answer in (with_get, with_head))
    # A problem that names the request has its id in the content too, of one length.
    assert {k: v for k, v in of_head.items() if k not in left_out} == {
        k: v for k, v in of_get.items() if k not in left_out
    }


def test_head_of_what_takes_no_get_names_the_methods(api: Api) -> None:
    answer = api.request("HEAD", "/v1/readings", key="device")
    assert (answer.status_code, answer.headers["allow"]) == (405, "POST")


def test_head_of_an_export_ends_with_its_head(api: Api) -> None:
    path = f"/v1/devices/{DEVICE}/readings?format=csv"
    answer = api.request("HEAD", path)
    assert (answer.status_code, answer.content) == (200, b"")
    assert answer.headers["content-type"] == api.get(path).headers["content-type"]


def test_head_is_counted_as_such(api: Api) -> None:
    api.request("HEAD", "/v1/machines")
    wanted = 'cleanside_requests_total{method="HEAD",route="/v1/machines",status="200"} 1.0'
    assert wanted in api.get("/metrics").text


# ---------------------------------------------------------------- compression

READINGS = f"/v1/devices/{DEVICE}/readings"


@pytest.mark.parametrize("path", [READINGS, f"{READINGS}?format=csv", "/openapi.json"])
def test_an_answer_is_compressed_for_who_takes_gzip_and_says_the_same(api: Api, path: str) -> None:
    plain = api.get(path, headers={"Accept-Encoding": "identity"})
    coded = api.get(path, headers={"Accept-Encoding": "gzip"})
    assert "content-encoding" not in plain.headers
    assert coded.headers["content-encoding"] == "gzip"
    assert int(coded.headers.get("content-length", len(plain.content))) <= len(plain.content)
    assert coded.content == plain.content  # the client undid the coding
    for answer in (plain, coded):
        assert "accept-encoding" in answer.headers["vary"].lower()


def test_parquet_is_compressed_already(api: Api) -> None:
    answer = api.get(f"{READINGS}?format=parquet", headers={"Accept-Encoding": "gzip"})
    assert "content-encoding" not in answer.headers


def test_plain_and_compressed_share_a_weak_tag_and_either_is_known_again(api: Api) -> None:
    """RFC 9110 section 8.8.3.3; a 304 names the tag that the client's copy has (RFC 9111 section 4.3.4)."""
    plain = api.get(READINGS, headers={"Accept-Encoding": "identity"}).headers["etag"]
    coded = api.get(READINGS, headers={"Accept-Encoding": "gzip"}).headers["etag"]
    assert coded == f"W/{plain}"
    for tag in (plain, coded):
        again = api.get(READINGS, headers={"If-None-Match": tag})
        assert (again.status_code, again.headers["etag"]) == (304, tag)


def test_nothing_that_shows_a_secret_is_compressed(api: Api) -> None:
    """A long note beside a key: chosen by others, and long enough to be worth it."""
    answer = api.post(
        "/v1/keys",
        {"role": "planner", "note": "a" * 200, "devices": []},
        headers={"Accept-Encoding": "gzip"},
    )
    assert answer.status_code in (200, 201), answer.text
    assert "content-encoding" not in answer.headers
    taken = api.post("/v1/readings", batch(900, [3.0]), key="device", headers={"Accept-Encoding": "gzip"})
    assert "content-encoding" not in taken.headers


def test_a_refusal_of_a_post_is_not_compressed_however_long(api: Api) -> None:
    document = batch(1, [3.0] * 100)
    for reading in document["readings"]:
        reading["restriction"] = "3.0"
    answer = api.post("/v1/readings", document, key="device", headers={"Accept-Encoding": "gzip"})
    assert len(answer.content) > LEAST_BYTES
    assert "content-encoding" not in answer.headers


@pytest.mark.parametrize(
    ("accepted", "taken"),
    [
        ("gzip", True),
        ("GZIP;q=0.5, br", True),
        ("*", True),
        ("x-gzip", True),
        ("gzip; q=0", False),
        ("gzip;q=0, *", False),
        ("*;q=0", False),
        ("br, zstd", False),
        ("", False),
        ("gzip;q=nonsense", False),
    ],
)
def test_gzip_is_sent_to_who_takes_it(accepted: str, taken: bool) -> None:
    """RFC 9110 section 12.5.3; RFC 9110 section 8.4.1.3: x-gzip is gzip."""
    assert takes_gzip(accepted) is taken


# ---------------------------------------------------------------- a slash too many


@pytest.mark.parametrize("path", ["/healthz/", "/v1/machines/", "/v1/readings/", "/v1/machines/grader-07/"])
def test_a_slash_too_many_is_not_sent_on_to_whatever_host_says(api: Api, path: str) -> None:
    answer = api.get(path, headers={"Host": "other.example"})
    assert (answer.status_code, answer.json()["code"]) == (404, "not_found")
    assert "location" not in answer.headers


# ---------------------------------------------------------------- a real server


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    url = migrated_sqlite(tmp_path_factory.mktemp("general"))
    running = ServerProcess(url, make_keys(url, [DEVICE]), "--log-format", "json")
    try:
        running.start()
        yield running
    finally:
        running.close()


def test_over_a_socket_nothing_follows_the_head(server: ServerProcess) -> None:
    more = b"Host: a\r\n\r\n" + b"GET /healthz HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n"
    with connect(server.port) as connection:
        connection.sendall(b"HEAD /healthz HTTP/1.1\r\n" + more)
        received = b""
        while piece := connection.recv(65_536):
            received += piece
    head, _, rest = received.partition(b"\r\n\r\n")
    assert b"content-length: " in head.lower()
    assert rest.startswith(b"HTTP/1.1 200 ")


@pytest.mark.parametrize(
    ("path", "key", "framing"),
    [
        ("/v1/readings", "device", b"Content-Length: 1000\r\n\r\n{"),
        ("/v1/readings", "device", b"Transfer-Encoding: chunked\r\n\r\n1\r\n{\r\n"),
        ("/v1/machines", "admin", b"Content-Length: 1000\r\n\r\n{"),
        ("/v1/bundles", "operator", b"Content-Length: 1000\r\n\r\nx"),
    ],
    ids=["readings", "readings in chunks", "a machine", "a bundle"],
)
def test_an_upload_that_is_cut_off_is_an_outcome_of_its_own(
    server: ServerProcess, path: str, key: str, framing: bytes
) -> None:
    before = cut_offs(server, path)
    (name, value) = next(iter(bearer(server.tokens[key]).items()))
    kind = "application/octet-stream" if path == "/v1/bundles" else "application/json"
    head = f"POST {path} HTTP/1.1\r\nHost: a\r\n{name}: {value}\r\nContent-Type: {kind}\r\n"
    with connect(server.port) as connection:
        connection.sendall(head.encode() + framing)
    wait_until(lambda: cut_offs(server, path) == before + 1, "the cut-off is counted")
    wait_until(lambda: len(told(server, path)) == before + 1, "the answer says that it was cut off")
    line = told(server, path)[-1]
    assert line["level"] == "info"
    assert "trace" not in server.log()
    assert '"level": "error"' not in server.log()
    with server.client("operator") as client:
        assert 'status="500"' not in client.get("/metrics").text


def cut_offs(server: ServerProcess, path: str) -> int:
    with server.client("operator") as client:
        text = client.get("/metrics").text
    found = re.search(
        rf'cleanside_requests_total{{method="POST",route="{path}",status="{CUT_OFF_STATUS}"}} (\d+)', text
    )
    return 0 if found is None else int(found[1])


def told(server: ServerProcess, path: str) -> list[dict[str, object]]:
    lines = [json.loads(line) for line in server.log().splitlines()]
    return [line for line in lines if line["event"] == "ingest.cut_off" and line["route"] == path]


def test_compressed_bytes_are_gzip(server: ServerProcess) -> None:
    """Undone by the standard library, not by the client that asked for it."""
    sent = b"GET /openapi.json HTTP/1.1\r\nHost: a\r\nAccept-Encoding: gzip\r\nConnection: close\r\n\r\n"
    (answer,) = exchange(server.port, sent)
    assert answer.headers["content-encoding"] == "gzip"
    assert json.loads(gzip.decompress(answer.body))["openapi"].startswith("3.")
