"""
Webhooks: told once for each cause, in order, signed, until they are taken; and whatever is killed when.

Signatures are checked by the library http-message-signatures (RFC 9421, RFC 9530), envelopes are read by the
library cloudevents: neither is ours.
"""

from __future__ import annotations

import base64
import json
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import jsonschema
import pytest
import sqlalchemy as sa
import trustme
from cloudevents.core.bindings.http import HTTPMessage, from_http_event
from http_message_signatures import HTTPMessageVerifier, InvalidSignature, MappingKeyResolver, algorithms

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.keeping import accountant
from cleanside.ingest.settings import load
from cleanside.ingest.store import key_file, leases, outbox, stored
from cleanside.ingest.store.models import events
from cleanside.ingest.webhooks import announcing, sending
from cleanside.ingest.webhooks import courier as webhooks
from cleanside.ingest.webhooks.announcing import LOSS_DECLARED, TYPES, Views, announce
from cleanside.ingest.webhooks.courier import Courier
from cleanside.ingest.webhooks.signing import COVERED, EVENT_MEDIA_TYPE
from cleanside.ingest.writer.lease import Lease
from tests.support import held
from tests.support.coded import sentence
from tests.support.databases import Postgres
from tests.support.gatewaying import wait_until
from tests.support.receiver import LOST, Received, Receiver
from tests.support.serving import DEVICE, Api, ServerProcess, batch, in_process, make_keys

LOOPBACK = "127.0.0.0/8"
HELD = "cleanside.readings.held"
ALL = ["cleanside.state.changed", "cleanside.element.change_found", HELD, "cleanside.account.out_of_balance"]
DAY_S = 86_400.0


def event_of(received: Received) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(received.body)
    return document


def ids_of(received: list[Received]) -> list[int]:
    return [int(event_of(entry)["id"]) for entry in received]


def register(api: Api, url: str, types: list[str] | None = None) -> dict[str, Any]:
    response = api.post("/v1/webhooks", {"url": url, "types": types or ALL})
    assert response.status_code == 201, response.text
    made: dict[str, Any] = response.json()
    return made


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with Receiver() as running:
        yield running


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    flags = {"database": sqlite_database_url, "webhook_networks": LOOPBACK}
    with in_process(sqlite_database_url, settings=load(flags=flags, environ={})) as running:
        running.register()
        yield running


def views_of(api: Api) -> Views:
    return api.services.views


@contextmanager
def delivering(api: Api, **more: Any) -> Iterator[Courier]:
    """A courier over the app in this process; waits are on the test's clock."""
    courier = Courier(api.resources, views_of(api), jitter=lambda: 0.0, pause_s=0.01, **more)
    courier.start()
    try:
        yield courier
    finally:
        api.resources.stopping.set()
        courier.join()
        api.resources.stopping.clear()


def hold(api: Api, first: int) -> None:
    """A cause: a reading out of range."""
    assert api.send(batch(first, [900.0]))["quarantined"]


def put_events(api: Api, count: int) -> None:
    """Events for all webhooks, without waiting for causes."""

    def put(connection: sa.Connection) -> None:
        wanted = outbox.wanted(connection)
        for i in range(count):
            event = outbox.Event(type=HELD, subject="quarantine", at_us=0, data={"i": i})
            outbox.put(connection, wanted[0].owner_id, event, wanted)

    api.resources.writer.call(put)


def deliveries(api: Api, webhook: int = 1) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = api.get(f"/v1/webhooks/{webhook}/deliveries").json()["deliveries"]
    return found


# ---------------------------------------------------------------- a real server


@pytest.fixture
def server(sqlite_database_url: str) -> Iterator[ServerProcess]:
    running = ServerProcess(
        sqlite_database_url, make_keys(sqlite_database_url, [DEVICE]), "--webhook-networks", LOOPBACK
    )
    try:
        running.start()
        yield running
    finally:
        running.close()


def test_a_webhook_is_told_at_once_that_it_is_registered_in_a_way_anyone_can_check(
    server: ServerProcess, receiver: Receiver
) -> None:
    with server.client("admin") as http:
        made = http.post("/v1/webhooks", json={"url": receiver.url, "types": ALL}).json()
    (first,) = receiver.wait_for(1)
    assert_signed(first, receiver.url, made)

    parsed = from_http_event(HTTPMessage(headers=first.headers, body=first.body))
    assert parsed.get_specversion() == "1.0"
    assert parsed.get_type() == "cleanside.webhook.registered"
    assert parsed.get_subject() == "webhooks/1"
    assert parsed.get_extension("sequence") == f"{int(parsed.get_id()):020d}"
    assert parsed.get_data() == {"webhook": made["webhook"], "types": sorted(ALL)}


def assert_signed(received: Received, url: str, made: dict[str, Any]) -> None:
    """By an implementation of the RFC that is not ours."""
    keys = {made["key_id"]: base64.b64decode(made["secret"])}
    verifier = HTTPMessageVerifier(
        signature_algorithm=algorithms.HMAC_SHA256,
        key_resolver=MappingKeyResolver(public_keys=keys, private_keys={}),
    )

    def verify(**other: Any) -> Any:
        seen = {"method": "POST", "url": url, "headers": received.headers} | other
        body = seen.pop("body", received.body)
        return verifier.verify(SimpleNamespace(**seen), body=body, require_components=COVERED)

    assert len(verify()) == 1
    for forged in ({"url": url + "x"}, {"body": received.body + b" "}, {"method": "PUT"}):
        with pytest.raises(InvalidSignature):
            verify(**forged)


def test_a_server_killed_between_cause_and_delivery_delivers_after_it(
    server: ServerProcess, receiver: Receiver
) -> None:
    receiver.always = 500
    with server.client("operator") as http:
        http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
    with server.client("admin") as http:
        http.post("/v1/webhooks", json={"url": receiver.url, "types": ALL}).raise_for_status()
    receiver.wait_for(1)  # tried, and not taken
    with server.client() as http:
        http.post("/v1/readings", json=batch(1, [900.0])).raise_for_status()
    server.kill()
    receiver.always = 204
    with receiver.lock:
        receiver.received.clear()
    server.start()
    with server.client() as http:
        http.post("/v1/readings", json=batch(2, [900.0])).raise_for_status()
    told = receiver.wait_for(2)
    assert ids_of(told) == sorted(set(ids_of(told)))
    registered, *held = [event_of(entry)["type"] for entry in told]
    assert registered == "cleanside.webhook.registered"
    assert set(held) == {HELD}  # both readings in one event, or each in its own
    counted = sum(event_of(entry)["data"]["readings"] for entry in told[1:])
    if counted == 1:  # the second came in an event of its own
        counted += event_of(receiver.wait_for(3)[2])["data"]["readings"]
    assert counted == 2


# ---------------------------------------------------------------- order, failures, giving up


def test_order_is_kept_through_errors_and_lost_replies(api: Api, receiver: Receiver) -> None:
    receiver.answers = [500, LOST, 503, 204, 204, LOST]
    register(api, receiver.url)
    put_events(api, 4)
    with delivering(api):
        for came in (1, 2, 3):
            receiver.wait_for(came)
            advance_to_next_try(api)
        receiver.wait_for(6)
        advance_to_next_try(api)
        received = receiver.wait_for(9)
    assert ids_of(received) == [1, 1, 1, 1, 2, 3, 3, 4, 5]
    assert [entry["state"] for entry in deliveries(api)] == ["delivered"] * 5
    assert received[0].body == received[3].body  # the same bytes at every try


def advance_to_next_try(api: Api) -> None:
    """Once the failure is written down, which puts the next try off, let the wait pass."""
    deadline = time.monotonic() + 20
    while not any(is_put_off(api, entry) for entry in deliveries(api)):
        assert time.monotonic() < deadline
    api.clock.advance(3_600)


def is_put_off(api: Api, delivery: dict[str, Any]) -> bool:
    next_at = delivery["next_try_at"] if delivery["state"] == "waiting" else None
    return next_at is not None and parse_instant(next_at).us > api.clock.now_us


def test_what_is_not_taken_for_days_is_given_up_visibly_and_can_be_sent_again(
    api: Api, receiver: Receiver
) -> None:
    receiver.answers = [500, 500]
    register(api, receiver.url)
    put_events(api, 1)
    with delivering(api):
        receiver.wait_for(1)
        advance_to_next_try(api)
        api.clock.advance(3 * DAY_S)
        receiver.wait_for(3)  # the second try failed too late, and the next event went out
    first, second = deliveries(api)
    assert (first["state"], first["tries"], first["reason"]) == ("dead", 2, "status 500")
    assert first["failure"] == {"code": "status", "values": {"status": 500}}
    assert second["state"] == "delivered"
    assert api.get("/v1/webhooks").json()["webhooks"][0]["dead"] == 1

    again = api.post("/v1/webhooks/1/replays", {}, key="operator")
    assert again.json() == {"webhook": 1, "waiting_again": 1}
    with delivering(api):
        assert ids_of(receiver.wait_for(4))[-1] == 1
    audit = api.get("/v1/audit").json()
    assert "webhook_replay" in json.dumps(audit)


def test_all_from_an_event_on_can_be_sent_again(api: Api, receiver: Receiver) -> None:
    register(api, receiver.url)
    put_events(api, 3)
    with delivering(api):
        receiver.wait_for(4)
    assert api.post("/v1/webhooks/1/replays", {"from_event": 3}).json()["waiting_again"] == 2
    with delivering(api):
        assert ids_of(receiver.wait_for(6))[-2:] == [3, 4]


def test_what_is_under_way_at_a_stop_is_written_down_and_nothing_new_begins(
    api: Api, receiver: Receiver
) -> None:
    receiver.may_answer.clear()
    register(api, receiver.url)
    put_events(api, 2)
    with delivering(api):
        receiver.wait_for(1)
        api.resources.stopping.set()  # before its answer
        receiver.may_answer.set()
    assert [entry["state"] for entry in deliveries(api)] == ["delivered", "waiting", "waiting"]
    with delivering(api):
        assert ids_of(receiver.wait_for(3)) == [1, 2, 3]


def test_a_receiver_that_says_nothing_does_not_hold_up_a_stop(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(webhooks, "FINISH_S", 0.1)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        register(api, f"http://127.0.0.1:{mute.getsockname()[1]}/")
        with delivering(api) as courier:
            asked, _ = mute.accept()
            with asked:  # the request is under way
                api.resources.stopping.set()
                courier.join()
    assert deliveries(api)[0]["state"] == "waiting"


def test_a_redirect_is_not_followed(api: Api, receiver: Receiver) -> None:
    with Receiver() as elsewhere:
        receiver.always, receiver.location = 307, elsewhere.url
        register(api, receiver.url)
        with delivering(api):
            receiver.wait_for(1)
            advance_to_next_try(api)
        assert elsewhere.received == []
    assert deliveries(api)[0]["reason"] == "status 307"


def test_a_receiver_that_says_nothing_costs_one_try_and_no_other_webhook(
    api: Api, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sending, "TRY_S", 0.3)
    with socket.create_server(("127.0.0.1", 0)) as mute:  # it takes the connection and never answers
        register(api, f"http://127.0.0.1:{mute.getsockname()[1]}/")
        register(api, receiver.url)
        with delivering(api):
            receiver.wait_for(1)
            advance_to_next_try(api)
    assert deliveries(api, 1)[0]["reason"] == "no answer within 0.3 s"
    assert deliveries(api, 1)[0]["failure"] == {"code": "no_answer", "values": {"seconds": 0.3}}
    assert deliveries(api, 2)[0]["state"] == "delivered"


def test_a_name_that_turns_to_a_private_address_is_not_sent_to(sqlite_database_url: str) -> None:
    """The name was public when it was registered; what counts is where it leads now."""
    with in_process(sqlite_database_url) as api:
        register(api, "https://shop.example/hook")
        with delivering(api, resolve=lambda _host, _port: ["169.254.169.254"]):
            advance_to_next_try(api)
        assert "not a public address" in deliveries(api)[0]["reason"]
        failure = {"code": "address_not_public", "values": {"address": "169.254.169.254"}}
        assert deliveries(api)[0]["failure"] == failure


@pytest.mark.parametrize(("name", "taken"), [("shop.example", True), ("other.example", False)])
def test_over_tls_the_certificate_must_be_that_of_the_name_and_not_of_the_address(
    api: Api, name: str, taken: bool
) -> None:
    """It is the checked address that is connected to, and yet the name that has to show who it is."""
    authority = trustme.CA()
    shown, trusted = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), ssl.create_default_context()
    authority.issue_cert(name).configure_cert(shown)
    authority.configure_trust(trusted)
    with Receiver(shown) as receiver:
        register(api, f"https://shop.example:{receiver.port}/hook")
        with delivering(api, resolve=lambda _host, _port: ["127.0.0.1"], verify=trusted):
            if taken:
                (received,) = receiver.wait_for(1)
                assert received.headers["Host"] == f"shop.example:{receiver.port}"
            else:
                advance_to_next_try(api)
                assert "certificate" in deliveries(api)[0]["reason"].casefold()
                assert deliveries(api)[0]["failure"]["code"] == "certificate"


def test_a_receiver_with_a_certificate_of_the_systems_authorities_is_trusted(
    api: Api, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    authority = trustme.CA()
    shown = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("shop.example").configure_cert(shown)
    authority.cert_pem.write_to_path(str(tmp_path / "authority.pem"))
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "authority.pem"))
    with Receiver(shown) as receiver:
        register(api, f"https://shop.example:{receiver.port}/hook")
        with delivering(api, resolve=lambda _host, _port: ["127.0.0.1"]):
            (received,) = receiver.wait_for(1)
    assert received.headers["Host"] == f"shop.example:{receiver.port}"


@pytest.mark.parametrize(
    "url", ["http://127.0.0.1:9/", "https://10.0.0.1/", "http://shop.example/", "file:///etc"]
)
def test_an_address_that_may_not_be_sent_to_is_refused(sqlite_database_url: str, url: str) -> None:
    with in_process(sqlite_database_url) as api:
        response = api.post("/v1/webhooks", {"url": url, "types": ALL})
        assert (response.status_code, response.json()["errors"][0]["pointer"]) == (422, "#/url")


def test_a_type_that_there_is_not_is_refused_with_those_there_are(api: Api) -> None:
    response = api.post("/v1/webhooks", {"url": "https://shop.example/", "types": ["nothing"]})
    assert response.status_code == 422
    said = sentence("no_such_type", type="nothing", there=", ".join(announcing.TYPES))
    assert response.json()["errors"][0]["detail"] == said


def test_an_ended_webhook_is_told_nothing_and_what_waited_says_why(api: Api, receiver: Receiver) -> None:
    register(api, receiver.url)
    assert api.request("DELETE", "/v1/webhooks/1").json() == {"webhook": 1, "ended": True}
    with delivering(api):
        hold(api, 1)
    assert receiver.received == []
    assert [(e["state"], e["reason"]) for e in deliveries(api)] == [("dead", "the webhook was ended")]
    assert deliveries(api)[0]["failure"] == {"code": "webhook_ended", "values": {}}
    assert api.get("/v1/webhooks").json()["webhooks"] == []


def test_the_secret_is_shown_once(api: Api) -> None:
    made = register(api, "https://shop.example/")
    assert len(base64.b64decode(made["secret"])) == 32
    assert made["secret"] not in api.get("/v1/webhooks").text + api.get("/v1/audit").text


def test_an_owner_has_a_bounded_number_of_webhooks(api: Api) -> None:
    for _ in range(20):
        register(api, "https://shop.example/")
    response = api.post("/v1/webhooks", {"url": "https://shop.example/", "types": ALL})
    assert (response.status_code, response.json()["code"]) == (409, "too_many_webhooks")


def test_webhooks_of_one_owner_are_nothing_to_another(api: Api) -> None:
    register(api, "https://shop.example/")
    assert api.get("/v1/webhooks", key="quarry admin").json()["webhooks"] == []
    for method, path in (("GET", "deliveries"), ("POST", "replays")):
        response = api.request(method, f"/v1/webhooks/1/{path}", key="quarry admin", json={})
        assert response.status_code == 404
    assert api.request("DELETE", "/v1/webhooks/1", key="quarry admin").status_code == 404


# ---------------------------------------------------------------- one process at a time


def test_two_processes_over_one_database_deliver_each_event_once(
    database_url: str, backend: str, receiver: Receiver, tmp_path: Path
) -> None:
    if backend == "sqlite":
        return  # one serving process, held by a lock: test_ingest_killed
    tokens = make_keys(database_url, [DEVICE])
    key_file.create(tmp_path / "keys")
    flags = ("--webhook-networks", LOOPBACK, "--webhook-key-file", str(tmp_path / "keys"))
    both = [ServerProcess(database_url, tokens, *flags) for _ in range(2)]
    try:
        for one in both:
            one.start()
        with both[1].client("admin") as http:
            made = [http.post("/v1/webhooks", json={"url": receiver.url, "types": ALL}) for _ in range(4)]
        assert [response.status_code for response in made] == [201] * 4
        receiver.wait_for(4)
        for one in both:
            assert one.stop() == 0
        assert sorted(ids_of(receiver.received)) == [1, 2, 3, 4]
    finally:
        for one in both:
            one.close()


def shared(postgres: Postgres, folder: Path, **more: Any) -> AbstractContextManager[Api]:
    """The app over a database that several processes serve."""
    url = postgres.migrated()
    key_file.create(folder / "keys")
    flags = {"database": url, "webhook_networks": LOOPBACK, "webhook_key_file": str(folder / "keys")}
    return in_process(url, settings=load(flags=flags, environ={}), **more)


@pytest.mark.postgres
def test_processes_share_the_webhooks_and_send_to_each_one_at_a_time(
    postgres: Postgres, receiver: Receiver, tmp_path: Path
) -> None:
    """Receivers that answer late hold as many ways as one process has; another process takes the others."""
    many = webhooks.DELIVERIES_AT_ONCE + 2
    with shared(postgres, tmp_path) as api:
        api.register()
        for _ in range(many):
            register(api, receiver.url)
        put_events(api, 2)
        receiver.may_answer.clear()
        with delivering(api), delivering(api):
            held = receiver.wait_for(many)
            receiver.may_answer.set()
            received = receiver.wait_for(3 * many)
        assert sorted(ids_of(held)) == list(range(1, many + 1))  # the first of each
        assert sorted(ids_of(received)) == sorted([*range(1, many + 1), *[many + 1, many + 2] * many])
        for number in range(1, many + 1):
            assert [entry["state"] for entry in deliveries(api, number)] == ["delivered"] * 3


def test_a_webhook_that_is_always_due_holds_up_no_other(
    api: Api, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whose event is the oldest comes first, not whose webhook is."""
    monkeypatch.setattr(webhooks, "DELIVERIES_AT_ONCE", 2)
    monkeypatch.setattr(webhooks, "IN_A_ROW", 3)
    for _ in range(3):
        register(api, receiver.url)
    put_events(api, 9)
    with delivering(api):
        received = receiver.wait_for(3 * 10)
    assert ids_of(received).index(3) <= 4 * 3  # the first of the third, long before the others are done


def test_news_that_a_process_saw_before_it_lost_its_turn_are_left_to_another(api: Api) -> None:
    """It hung (SIGSTOP) between its look and its record."""
    register(api, "https://shop.example/")
    announce(api.resources, views_of(api), api.resources.writer.call)
    hold(api, 1)
    lease = Lease(api.resources, webhooks.ANNOUNCING_LEASE, 60_000_000)
    assert lease.take()

    def hanging(connection: sa.Connection, owner_id: int) -> Any:
        def take(connection: sa.Connection) -> bool:
            late_us = leases.now_us(connection, api.clock()) + 61_000_000
            return leases.take(connection, lease.name, "other", late_us, late_us)

        assert api.resources.writer.call(take)
        assert announce(api.resources, views_of(api), api.resources.writer.call) > 0
        return views_of(api)(connection, owner_id)

    with pytest.raises(TryAgain):
        announce(api.resources, hanging, lease.write)
    assert [entry["type"] for entry in deliveries(api)].count(HELD) == 1


# ---------------------------------------------------------------- what it says


@dataclass
class Told:
    """What was written into the outbox since the last look."""

    api: Api
    seen: int = 0

    def types(self) -> list[str]:
        announce(self.api.resources, views_of(self.api), self.api.resources.writer.call)
        found = deliveries(self.api)
        new, self.seen = found[self.seen :], len(found)
        return [entry["type"] for entry in new]


@pytest.fixture
def told(api: Api) -> Told:
    register(api, "https://shop.example/")
    watcher = Told(api)
    assert watcher.types() == ["cleanside.webhook.registered"]  # what is seen now is where telling begins
    return watcher


def test_a_change_of_state_is_announced_once(told: Told) -> None:
    told.api.send(loading(hours=80, last_kpa=5.0))
    assert told.types() == []  # hours that are not summarised yet: left for the next look
    told.api.analyse()
    assert told.types() == ["cleanside.state.changed"]
    data = deliveries(told.api)[-1]["data"]
    assert (data["machine"], data["housing"], data["from"]) == ("grader-07", "main", "silent")
    seen = told.api.get("/v1/machines/grader-07/restriction").json()
    assert (data["to"], data["state_text"]) == (seen["state"], seen["state_text"])
    assert told.types() == []


def test_the_advice_is_the_planned_day_where_pages_say_that(told: Told) -> None:
    planned = told.api.post("/v1/machines/grader-07/planned-change", {"on": "2026-03-06"})
    assert planned.status_code == 200, planned.text
    told.api.send(loading(hours=80, last_kpa=2.2))
    told.api.analyse()
    assert told.types() == ["cleanside.state.changed"]
    [seen] = told.api.get("/v1/fleet").json()["housings"]
    assert seen["advice_code"] == "advice_planned"
    assert "2026-03-06" in seen["advice"]
    assert deliveries(told.api)[-1]["data"]["advice"] == seen["advice"]


def test_what_is_told_is_as_the_description_says(api: Api) -> None:
    """Judged by the library jsonschema. What it does not reach is in the test of the description."""
    register(api, "https://shop.example/", list(TYPES))
    announce(api.resources, views_of(api), api.resources.writer.call)
    api.send(loading(hours=80, last_kpa=5.0))
    api.analyse()
    hold(api, 80 * 60 + 1)
    for _ in range(2):
        announce(api.resources, views_of(api), api.resources.writer.call)
        api.clock.advance(20 * DAY_S)
    described = api.get("/openapi.json", key=None).json()
    found = deliveries(api)
    assert {entry["type"] for entry in found} >= {"cleanside.state.changed", "cleanside.device.silent", HELD}
    for entry in found:
        event = described["webhooks"][entry["type"]]["post"]["requestBody"]["content"][EVENT_MEDIA_TYPE]
        name = event["schema"]["$ref"].rpartition("/")[2]
        schema = described["components"]["schemas"][name]["properties"]["data"]
        whole = schema | {"components": described["components"]}
        jsonschema.Draft202012Validator(whole).validate(entry["data"])


def loading(*, hours: int, last_kpa: float) -> dict[str, Any]:
    """One reading a minute at rated speed up to the server's now, restriction rising from 2 kPa."""
    count = hours * 60
    return {
        "device": DEVICE,
        "stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11",
        "units": {"restriction": "kPa", "engine_speed": "r/min"},
        "first_seq": 1,
        "start": "2026-02-27T01:00:00Z",
        "step_ms": [0] + [60_000] * (count - 1),
        "columns": {
            "restriction": [2.0 + (last_kpa - 2.0) * i / count for i in range(count)],
            "engine_speed": [1800.0 + i % 7 for i in range(count)],
        },
    }


def test_quarantined_readings_are_announced_as_one_sum_by_device_and_code(told: Told) -> None:
    told.api.send(batch(1, [900.0, 3.0, 900.0]))
    told.api.send(batch(4, [3.0]) | {"units": {"restriction": "IN WC"}})
    assert told.types() == [HELD]
    assert deliveries(told.api)[-1]["data"] == {
        "readings": 3,
        "groups": [
            {"device": DEVICE, "code": "out_of_range", "readings": 2},
            {"device": DEVICE, "code": "unit_not_accepted", "readings": 1},
        ],
    }
    assert told.types() == []


def count_account(api: Api) -> None:
    api.resources.counted = accountant.count(
        api.resources.reading, api.resources.clock, stopping=threading.Event()
    )


def test_an_account_out_of_balance_is_announced_and_again_when_it_balances(told: Told) -> None:
    told.api.send(batch(1, [3.0, 3.1, 3.2]))
    kept: list[dict[str, Any]] = []

    def lose(connection: sa.Connection) -> None:
        kept.extend(held.lose(connection, 2))

    told.api.resources.writer.call(lose)
    told.api.clock.advance(DAY_S)
    assert "cleanside.account.out_of_balance" not in told.types(), "the account is not counted for this alone"
    count_account(told.api)
    assert "cleanside.account.out_of_balance" in told.types()
    assert "2 are acknowledged" in json.dumps(deliveries(told.api)[-1]["data"]["faults"])
    told.api.resources.writer.call(lambda c: stored.put_back(c, kept[0]["stream_id"], kept))
    told.api.clock.advance(DAY_S)
    for _ in range(2):
        count_account(told.api)
        announce(told.api.resources, views_of(told.api), told.api.resources.writer.call)
    with told.api.resources.reading() as connection:
        types = connection.scalars(sa.text("SELECT type FROM events")).all()
    assert types.count("cleanside.account.balances_again") == 1


def test_owners_who_want_to_know_nothing_cost_nothing(api: Api) -> None:
    hold(api, 1)
    asked: list[int] = []

    def views(_connection: sa.Connection, owner_id: int) -> list[Any]:
        asked.append(owner_id)
        return []

    assert announce(api.resources, views, api.resources.writer.call) == 0
    assert asked == []


def test_what_was_delivered_long_ago_is_forgotten_and_nothing_else(api: Api, receiver: Receiver) -> None:
    receiver.answers = [204, *[500] * 20]  # it may be tried once more before the courier has stopped
    register(api, receiver.url)
    put_events(api, 1)
    with delivering(api):
        receiver.wait_for(2)
        advance_to_next_try(api)
    now_us = api.clock()
    assert api.resources.writer.call(lambda c: outbox.forget_delivered(c, now_us + 1)) == 1
    assert [entry["event"] for entry in deliveries(api)] == [2]


def settle_all(api: Api, state: str) -> None:
    statement = sa.text(f"UPDATE deliveries SET state = '{state}', settled_us = 1")
    api.resources.writer.call(lambda connection: connection.execute(statement).rowcount)


def events_left(api: Api) -> int:
    with api.resources.reading() as connection:
        return int(connection.scalar(sa.text("SELECT count(*) FROM events")) or 0)


def test_all_that_is_due_is_forgotten_not_one_step_an_hour(api: Api, receiver: Receiver) -> None:
    """With more events an hour than one step forgets the tables grew for ever."""
    register(api, receiver.url)
    put_events(api, 2_500)
    settle_all(api, "delivered")
    api.clock.advance(40 * 24 * 3600.0)
    with delivering(api):
        # that of the registration lay at another time
        wait_until(lambda: events_left(api) <= 1, "all that is due is forgotten")


def test_what_an_ended_webhook_gave_up_is_forgotten_and_what_can_be_sent_again_is_not(
    api: Api, receiver: Receiver
) -> None:
    register(api, receiver.url)
    put_events(api, 3)
    settle_all(api, "dead")
    now_us = api.clock() + 1
    assert api.resources.writer.call(lambda c: outbox.forget_delivered(c, now_us)) == 0
    assert api.request("DELETE", "/v1/webhooks/1").is_success
    assert api.resources.writer.call(lambda c: outbox.forget_delivered(c, now_us)) == 4
    assert events_left(api) == 0


def test_an_event_that_is_deleted_is_not_looked_for_in_every_delivery(api: Api) -> None:
    """
    SQLite looks for children of each row that is deleted, through the whole table where no index has them
    (sqlite.org/foreignkeys.html, "Required and Suggested Database Indexes").
    """
    with api.resources.reading() as connection:
        plan = connection.execute(sa.text("EXPLAIN QUERY PLAN SELECT 1 FROM deliveries WHERE event_id = 7"))
        [line] = [row.detail for row in plan]
    assert line.startswith("SEARCH")


def test_an_owner_whose_housings_cannot_be_looked_at_holds_up_nobody(api: Api, receiver: Receiver) -> None:
    register(api, receiver.url)

    def broken(_connection: sa.Connection, _owner_id: int) -> list[Any]:
        raise ZeroDivisionError("a fault of the analysis")

    assert announce(api.resources, broken, api.resources.writer.call) == 0
    courier = Courier(api.resources, broken, pause_s=0.01)
    courier.start()
    try:
        assert ids_of(receiver.wait_for(1)) == [1]
    finally:
        api.resources.stopping.set()
        courier.join()


# ---------------------------------------------------------------- declared losses


def test_losses_that_a_gateway_declares_are_announced_once(api: Api) -> None:
    def declare(name: str) -> int:
        event = {"at_seq": 1, "event": name, "count": 600}
        body = {"device": DEVICE, "events": [{"content": event}]}
        assert api.post("/v1/declared-events", body, key="device").status_code == 200
        return announce(api.resources, views_of(api), api.resources.writer.call)

    register(api, "https://shop.example/hook", [LOSS_DECLARED])
    assert declare("spool_replaced") == 0  # telling begins with what there is
    assert declare("readings_lost") == 1
    assert declare("readings_lost") == 0
    with api.resources.reading() as connection:
        [data] = connection.scalars(sa.select(events.c.data).where(events.c.type == LOSS_DECLARED))
    group = {"device": DEVICE, "event": "readings_lost", "times": 1, "readings": 600}
    assert json.loads(data) == {"readings": 600, "groups": [group]}


# ---------------------------------------------------------------- failing, and a trial


def listed(api: Api) -> dict[str, Any]:
    [webhook] = api.get("/v1/webhooks").json()["webhooks"]
    found: dict[str, Any] = webhook
    return found


def trial(api: Api, webhook: int = 1, *, key: str = "operator") -> dict[str, Any]:
    response = api.post(f"/v1/webhooks/{webhook}/trials", None, key=key)
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.json()
    return document


def test_a_webhook_that_fails_says_why_since_when_and_when_it_is_tried_next(
    api: Api, receiver: Receiver
) -> None:
    receiver.always = 503
    register(api, receiver.url)
    put_events(api, 2)
    assert listed(api)["failing"] is None
    since = api.clock()
    with delivering(api):
        receiver.wait_for(1)
        advance_to_next_try(api)
        receiver.wait_for(2)
        advance_to_next_try(api)
    failing, waiting = listed(api)["failing"], listed(api)["waiting"]
    assert waiting == 3
    assert failing["failure"] == {"code": "status", "values": {"status": 503}}
    assert failing["tries"] >= 2
    assert parse_instant(failing["since"]).us == since
    page = api.get("/webhooks").text
    assert "the first of 3 events that wait has not been taken" in page
    assert "The receiver answered with status 503." in page


def test_a_trial_goes_at_once_signed_and_says_what_came_back(api: Api, receiver: Receiver) -> None:
    register(api, receiver.url)
    done = trial(api)
    [received] = receiver.received
    assert (done["taken"], done["status"], done["failure"]) == (True, 204, None)
    assert event_of(received)["type"] == "cleanside.webhook.trial"
    assert int(event_of(received)["id"]) == done["event"]
    assert "Signature" in received.headers
    assert listed(api)["last_trial"] == {name: value for name, value in done.items() if name != "webhook"}
    assert listed(api)["waiting"] == 1  # the courier still sends the first event of its own


def test_a_trial_that_is_taken_has_what_waits_tried_now(api: Api, receiver: Receiver) -> None:
    receiver.answers = [503]
    register(api, receiver.url)
    with delivering(api):
        receiver.wait_for(1)
        wait_until(lambda: listed(api)["failing"] is not None, "the try failed")
        assert trial(api)["taken"]
        receiver.wait_for(3)
        wait_until(lambda: listed(api)["waiting"] == 0, "all was taken")
    assert listed(api)["failing"] is None


def test_a_trial_goes_nowhere_that_events_may_not_go(sqlite_database_url: str, receiver: Receiver) -> None:
    """Its network was allowed when the webhook was made, and is not any more."""
    flags = {"database": sqlite_database_url, "webhook_networks": LOOPBACK}
    with in_process(sqlite_database_url, settings=load(flags=flags, environ={})) as before:
        register(before, receiver.url)
    with in_process(sqlite_database_url, tokens=before.tokens) as after:
        done = trial(after)
    assert (done["taken"], done["status"], receiver.received) == (False, None, [])
    assert done["failure"]["code"] == "address_refused"


def test_a_trial_is_sent_on_the_page_and_stands_there(api: Api, receiver: Receiver) -> None:
    receiver.always = 410
    made = register(api, receiver.url)
    sent = api.request("POST", f"/webhooks/{made['webhook']}/trial")
    assert (sent.status_code, sent.headers["location"]) == (303, f"/webhooks#webhook-{made['webhook']}")
    assert "The receiver answered with status 410." in api.get("/webhooks").text
    assert len(receiver.received) == 1


def test_a_second_trial_at_the_same_time_is_asked_to_wait(api: Api, receiver: Receiver) -> None:
    made = register(api, receiver.url)
    receiver.may_answer.clear()
    first = threading.Thread(target=trial, args=(api,))
    first.start()
    receiver.wait_for(1)
    again = api.post(f"/v1/webhooks/{made['webhook']}/trials", None, key="operator")
    page = api.request("POST", f"/webhooks/{made['webhook']}/trial")
    receiver.may_answer.set()
    first.join()
    assert (again.status_code, again.json()["code"], again.headers["Retry-After"]) == (
        429,
        "over_quota",
        "10",
    )
    assert (page.status_code, 'role="alert"' in page.text) == (429, True)
