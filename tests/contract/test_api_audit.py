"""
What leaves a trace and what must not: everything that changes state is in the audit log, no secret is in any.

The writing routes are read from the app: a new one without a row in the log fails.
OWASP API Security Top 10 2023: rows 2 (authentication: secrets) and 8 (misconfiguration: logging).
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from cleanside.ingest.api.app import all_routes
from tests.conftest import sqlite_url
from tests.contract.test_api_access import ALLOWED
from tests.contract.test_api_object_access import (  # noqa: F401 - fixtures
    REQUESTS,
    ROUTES,
    Route,
    World,
    ask,
    filled,
    read_world,
    request,
    template,
    world,
)
from tests.support.serving import DEVICE, Api, ServerProcess, batch, bearer, in_process, make_keys

#: what writes without a row of its own in the log -> why
ELSEWHERE = {
    ("POST", "/v1/readings"): "a reading is its own record: stream, number, time of receipt",
    ("POST", "/v1/bundles"): "needs a bundle: test_api_bundles.py shows that importing one is recorded",
}
#: writing routes whose success needs a code that another request made
BY_CODE = {("POST", "/v1/enrol"), ("POST", "/v1/transfers/accept")}
WRITING = sorted(
    (method, route.path) for route in all_routes() for method in route.methods or () if method != "GET"
)


def newest(api: Api, key: str | None = "admin", headers: dict[str, str] | None = None) -> dict[str, Any]:
    found = api.get("/v1/audit?limit=1", key=key, headers=headers or {}).json()["entries"]
    entry: dict[str, Any] = found[0]
    return entry


def for_good(body: Any) -> Any:
    """A request that is not a preview."""
    return {k: v for k, v in body.items() if k != "preview"} if isinstance(body, dict) else body


@pytest.mark.parametrize(
    "route", [r for r in WRITING if r not in BY_CODE and r not in ELSEWHERE], ids="{0[0]} {0[1]}".format
)
def test_everything_that_changes_state_is_in_the_audit_log(world: World, route: Route) -> None:  # noqa: F811
    allowed = ALLOWED[route]
    assert allowed is not None
    role = "admin" if "admin" in allowed else "operator"
    token, names = world.quarry.tokens[role], world.quarry.names
    before = newest(world.api, key="quarry admin")
    query, body = REQUESTS.get(route, ({}, None))
    path = filled(route[1], names)
    body = for_good(filled(body, names)) if body is not None else ({} if route[0] == "POST" else None)
    response = ask(world.api, route, token, path=path, query=filled(query, names), body=body)
    assert response.is_success, response.text
    after = newest(world.api, key="quarry admin")
    assert after["entry"] > before["entry"]
    assert after["who"] == token.partition(".")[0]
    # At the other owner nothing was noted.
    assert "crusher-01" not in world.api.get("/v1/audit").text


def test_using_a_code_is_in_the_log_of_its_owner(world: World) -> None:  # noqa: F811
    body = {"device": "crusher-01-second", "machine": "crusher-01", "housing": "rear"}
    code = world.api.post("/v1/enrolments", body, key="quarry admin").json()["code"]
    enrolled = world.api.post("/v1/enrol", {"code": code}, key=None).json()
    entry = newest(world.api, key="quarry admin")
    assert (entry["what"], entry["who"]) == ("enrolled", enrolled["handle"])
    offered = world.api.post("/v1/transfers", {"machine": "crusher-01"}, key="quarry admin").json()["code"]
    assert world.api.post("/v1/transfers/accept", {"code": offered}).status_code == 200
    assert newest(world.api, key="quarry admin")["what"] == "transfer_given"
    assert newest(world.api)["what"] == "transfer_taken"


def test_the_audit_log_is_read_newest_first_a_page_at_a_time_and_by_kind(world: World) -> None:  # noqa: F811
    everything = world.api.get("/v1/audit").json()["entries"]
    assert [e["entry"] for e in everything] == sorted((e["entry"] for e in everything), reverse=True)
    paged, more = [], "/v1/audit?limit=3"
    while more:
        page = world.api.get(more).json()
        paged += page["entries"]
        more = f"/v1/audit?limit=3&cursor={page['next']}" if page["next"] else ""
    assert paged == everything
    keys = world.api.get("/v1/audit?what=key").json()["entries"]
    assert keys == [e for e in everything if e["what"] == "key"] != []
    mine = world.api.get(f"/v1/audit?who={keys[0]['who']}").json()["entries"]
    assert {e["who"] for e in mine} == {keys[0]["who"]}


def test_nobody_can_write_or_delete_in_the_audit_log(world: World) -> None:  # noqa: F811
    for method in ("POST", "PUT", "PATCH", "DELETE"):
        for role in ("operator", "admin"):
            assert world.api.request(method, "/v1/audit", key=role).status_code in (401, 405)


# ---------------------------------------------------------------- no secret in logs, database or answers


class OverHttp:
    """Requests as `ask` makes them, to a real process."""

    def __init__(self, client: httpx.Client) -> None:
        self._client = client

    def request(self, method: str, path: str, **more: Any) -> httpx.Response:
        assert more.pop("key", None) is None
        return self._client.request(method, path, **more)


MARK = "c0ffee" * 10
GUESS = "a5" * 32


@pytest.fixture
def talkative(tmp_path: Path) -> Iterator[ServerProcess]:
    """A server that logs all it can."""
    url = sqlite_url(tmp_path)
    flags = ("--log-level", "debug", "--log-format", "json", "--access-log", "on")
    server = ServerProcess(url, make_keys(url, [DEVICE]), *flags)
    try:
        server.start()
        yield server
    finally:
        server.close()


def test_no_secret_is_in_any_log_or_in_the_database(talkative: ServerProcess, tmp_path: Path) -> None:
    """Every route with every key, keys and codes that are wrong, and secrets where they do not belong."""
    secrets = {token.partition(".")[2] for token in talkative.tokens.values()} | {MARK, GUESS}
    names = {"machine": "grader-07", "housing": "main", "device": DEVICE, "handle": "k00000000", "entry": 1}
    names |= {"amendment": 1, "enrolment": 1, "transfer": 1, "webhook": 1, "correction": 1}
    names |= {"stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"}
    with talkative.client(None) as client:
        api: Any = OverHttp(client)
        admin = bearer(talkative.tokens["admin"])
        client.post("/v1/machines", json={"machine": "grader-07"}, headers=admin).raise_for_status()
        made = client.post("/v1/keys", json={"role": "device", "devices": [DEVICE]}, headers=admin).json()
        body = {"device": DEVICE, "machine": "grader-07"}
        code = client.post("/v1/enrolments", json=body, headers=admin).json()["code"]
        enrolled = client.post("/v1/enrol", json={"code": code, "attempt": MARK}).json()
        offered = client.post("/v1/transfers", json={"machine": "grader-07"}, headers=admin).json()["code"]
        for one in (code, offered):
            secrets |= {one, one.replace("-", "")}
        secrets |= {made["key"].partition(".")[2], enrolled["key"].partition(".")[2]}
        answered = []
        for route in ROUTES:
            for token in (*talkative.tokens.values(), f"k0000000.{GUESS}", MARK):
                answered.append(request(api, route, token, names))
            in_query = {"key": MARK, "code": MARK}
            answered.append(ask(api, route, talkative.tokens["admin"], query=in_query, path="/v1/keys"))
        for header in (f"Basic {MARK}", f"Bearer {MARK}.{MARK}", f"Token {MARK}"):
            answered.append(client.get("/v1/machines", headers={"Authorization": header}))
        answered.append(client.post("/v1/enrol", json={"code": f"K7M3A-{MARK[:10]}", "attempt": MARK}))
        answered.append(client.get(f"/v1/machines/{MARK}-not", headers=bearer(GUESS)))
        assert all(response.status_code < 500 for response in answered)
        assert sum(response.is_success for response in answered) > 40
        # What was asked for with a secret is not said back: not even to who sent it.
        repeated = [r for r in answered if any(s in r.text for s in secrets if s != MARK)]
        assert repeated == []
    assert talkative.stop() == 0
    said = talkative.log()
    assert said.count("ingest.request") >= len(answered)
    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert any(path.name == "ingest.db" for path in files)
    kept = {path.name: path.read_bytes() for path in files}
    for secret in sorted(secrets):
        assert secret not in said, secret[:6]
        assert [name for name, content in kept.items() if secret.encode() in content] == [], secret[:6]


def test_a_break_in_the_middle_of_a_request_shows_no_secret(
    sqlite_database_url: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A traceback goes to the log: with the place, not with what was in it."""

    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError

    with in_process(sqlite_database_url) as api, caplog.at_level(logging.DEBUG):
        monkeypatch.setattr("cleanside.ingest.intake.receive.receive", broken)
        assert api.post("/v1/readings", batch(1, [3.0]), key="device").status_code == 500
        secret = api.tokens["device"].partition(".")[2]
    assert "ZeroDivisionError" in caplog.text
    assert secret not in caplog.text
    assert secret not in json.dumps([vars(record) for record in caplog.records], default=str)
