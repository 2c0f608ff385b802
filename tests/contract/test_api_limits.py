"""Quotas over HTTP: a key over its rate gets 429 with Retry-After, others go on, and the gateway waits."""

from __future__ import annotations

import gzip
import json
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime

import pytest

from cleanside.gateway.uplink.decision import LinkState, Sent, decide
from cleanside.gateway.uplink.transport import Reply
from cleanside.ingest.owners.quotas import BURST_S
from cleanside.ingest.settings import load
from tests.support.serving import STREAM, Api, batch, in_process


@pytest.fixture
def slow(sqlite_database_url: str) -> Iterator[Api]:
    """A request a second and 1000 bytes a second for each key."""
    rates = {"key_requests_per_s": 1, "key_bytes_per_s": 1000}
    settings = load(flags={"database": sqlite_database_url, **rates}, environ={})
    with in_process(sqlite_database_url, settings=settings) as running:
        running.register()
        yield running


def test_a_key_over_its_rate_is_told_when_to_come_back_and_others_go_on(slow: Api) -> None:
    answers = [slow.get("/v1/streams", key="device") for _ in range(int(BURST_S) + 3)]
    assert [a.status_code for a in answers][: int(BURST_S)] == [200] * int(BURST_S)
    assert answers[-1].status_code == 429
    assert answers[-1].json()["code"] == "over_quota"
    assert 1 <= int(answers[-1].headers["retry-after"]) <= 2
    assert slow.get("/v1/streams", key="planner").status_code == 200


def test_bytes_count_before_the_body_is_read(slow: Api) -> None:
    document = batch(1, [3.0] * 500)  # some 38 kB: more than 20 s of 1000 B/s; one such passes
    assert slow.post("/v1/readings", document, key="device").status_code == 200
    refused = slow.post("/v1/readings", batch(501, [3.0]), key="device")
    assert (refused.status_code, refused.json()["code"]) == (429, "over_quota")
    assert int(refused.headers["retry-after"]) > 1
    assert slow.account()["streams"][0]["highest"] == 500


def test_a_body_that_decompresses_to_very_much_is_charged_to_its_key(slow: Api) -> None:
    """8 kB became 8 MB, and cost its key 8 kB: a key could keep a server busy for as long as it liked."""
    headers = {"Content-Type": "application/json", "Content-Encoding": "gzip"}
    body = gzip.compress(b'{"device": "' + b"a" * 1_000_000 + b'"}')
    assert len(body) < 2_000, "by itself it is a tenth of what is saved up"
    answer = slow.request("POST", "/v1/readings", key="device", content=body, headers=headers)
    assert answer.status_code == 422
    refused = slow.post("/v1/readings", batch(1, [3.0]), key="device")
    assert (refused.status_code, refused.json()["code"]) == (429, "over_quota")
    assert 100 <= int(refused.headers["retry-after"]) <= 120, "125 kB at 1000 B/s, less 20 s saved up"


def test_the_gateway_waits_as_long_as_it_is_told_and_loses_nothing(slow: Api) -> None:
    """The server's own answer, put to the gateway's own decision."""
    assert slow.post("/v1/readings", batch(1, [3.0] * 500), key="device").status_code == 200
    refused = slow.post("/v1/readings", batch(501, [3.0]), key="device")
    headers = {name.lower(): value for name, value in refused.headers.items()}
    reply = Reply(status=refused.status_code, headers=headers, body=refused.content, trusted=True)
    sent = Sent(stream=STREAM, count=1, first=501, last=501, highest=501, released=501)
    state = LinkState(asked=frozenset({STREAM}))
    decision = decide(state, sent, reply, jitter=0.0, now=datetime.now(UTC))
    assert decision.wait_s == float(refused.headers["retry-after"])
    assert decision.acknowledge_through is None
    assert decision.shed is None


def test_a_size_that_is_only_declared_locks_no_key(slow: Api) -> None:
    """A declared length of 10^15 was charged unread: 429 with a Retry-After of 345 days."""
    for _ in range(5):
        declared = {"Content-Length": str(10**15)}
        refused = slow.request("POST", "/v1/readings", key="device", content=b"{}", headers=declared)
        assert refused.status_code in (413, 415), refused.text
    assert slow.post("/v1/readings", batch(1, [3.0]), key="device").status_code == 200


def test_of_a_body_of_unknown_size_only_what_came_is_charged(slow: Api) -> None:
    async def pieces() -> AsyncIterator[bytes]:
        yield json.dumps(batch(1, [3.0])).encode()

    for _ in range(5):  # each is some 200 B, of 20,000 saved up
        headers = {"Content-Type": "application/json", "Transfer-Encoding": "chunked"}
        answer = slow.request("POST", "/v1/readings", key="device", content=pieces(), headers=headers)
        assert answer.status_code == 200, answer.text
