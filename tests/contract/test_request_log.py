"""Request ids and the line each request may leave, on a real server."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.support.databases import migrated_sqlite
from tests.support.serving import ServerProcess, batch, make_keys


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    url = migrated_sqlite(tmp_path_factory.mktemp("logged"))
    running = ServerProcess(url, make_keys(url, ["grader-07-intake"]), "--log-format", "json", "--access-log")
    try:
        running.start()
        yield running
    finally:
        running.close()


def lines_of(server: ServerProcess, request_id: str) -> list[dict[str, object]]:
    """The lines of a request; the first is written right after its answer."""
    deadline, pause = time.monotonic() + 20, threading.Event()
    while True:
        lines = map(json.loads, server.log().splitlines())
        if found := [line for line in lines if line.get("request_id") == request_id]:
            return found
        assert time.monotonic() < deadline
        pause.wait(0.02)


def test_a_request_leaves_one_line_that_says_whose_it_was_and_never_the_key(server: ServerProcess) -> None:
    with server.client("device") as http:
        answer = http.post("/v1/readings", json=batch(1, [3.0]))
    (line,) = lines_of(server, answer.headers["request-id"])
    handle, _, secret = server.tokens["device"].partition(".")
    assert line.pop("at")
    assert line.pop("duration_ms")
    assert line == {
        "level": "info",
        "event": "ingest.request",
        "request_id": answer.headers["request-id"],
        "method": "POST",
        "route": "/v1/readings",
        "status": 200,
        "key": handle,
        "owner": 1,
    }
    assert secret not in server.log()


def test_the_route_is_its_template_so_that_lines_can_be_counted(server: ServerProcess) -> None:
    with server.client("admin") as http:
        answer = http.get("/v1/machines/no-such-machine")
    (line,) = lines_of(server, answer.headers["request-id"])
    assert (line["route"], line["status"]) == ("/v1/machines/{machine}", 404)


@pytest.mark.parametrize("given", ["shop-4711-abc", "0" * 64, "a.b_c-d.e"])
def test_a_sane_request_id_of_the_caller_is_kept(server: ServerProcess, given: str) -> None:
    with server.client("admin") as http:
        answer = http.get("/v1/machines/x", headers={"Request-Id": given})
    assert answer.headers["request-id"] == answer.json()["request_id"] == given
    assert len(lines_of(server, given)) == 1


@pytest.mark.parametrize("given", ["short", "0" * 65, "with space in it", 'quote"quote"', "semi;colon;id"])
def test_any_other_request_id_is_replaced(server: ServerProcess, given: str) -> None:
    answer = httpx.get(f"{server.url}/healthz", headers={"Request-Id": given}, trust_env=False)
    assert answer.headers["request-id"] != given
    assert len(answer.headers["request-id"]) == 16


def test_without_being_asked_for_requests_leave_no_line(tmp_path: Path) -> None:
    url = migrated_sqlite(tmp_path)
    quiet = ServerProcess(url, make_keys(url, []))
    try:
        quiet.start()
        with quiet.client("admin") as http:
            assert http.get("/v1/machines").status_code == 200
        quiet.stop()
        [line] = quiet.log().splitlines()
        assert "ingest.stopped" in line
    finally:
        quiet.close()
