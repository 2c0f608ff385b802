"""What bodies may hold of the server's memory, all together."""

from __future__ import annotations

import json
import socket
import time

import pytest
import zstandard

from cleanside.gateway.wire import MAX_BODY_BYTES
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.writer.bytes_in_flight import BytesInFlight
from tests.support.serving import Api, ServerProcess, batch


def test_bytes_are_counted_and_free_again_at_the_end() -> None:
    room = BytesInFlight(100)
    with room.share() as one, room.share() as other:
        one.take(60)
        other.take(40)
        with pytest.raises(TryAgain) as refused:
            one.take(1)
        assert refused.value.case == "bytes_in_flight"
        assert refused.value.values == {"held_bytes": 100, "most_bytes": 100}
        assert room.held_bytes == 100
    assert room.held_bytes == 0


def test_a_request_beyond_the_room_is_told_to_come_back_and_the_next_is_taken(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = json.dumps(batch(1, [3.0] * 20)).encode()
    monkeypatch.setattr(api.resources, "room", BytesInFlight(len(body) + 10))
    packed = zstandard.ZstdCompressor().compress(body)
    coded = {"Content-Type": "application/json", "Content-Encoding": "zstd"}
    assert len(packed) > 10  # what is sent and what it unfolds to count together
    response = api.request("POST", "/v1/readings", key="device", content=packed, headers=coded)
    assert (response.status_code, response.json()["code"]) == (503, "overloaded")
    assert int(response.headers["retry-after"]) >= 1
    assert api.resources.room.held_bytes == 0
    assert api.post("/v1/readings", batch(1, [3.0] * 20), key="device").status_code == 200


def test_slow_senders_hold_what_they_sent_and_let_go_of_it_when_they_leave(server: ServerProcess) -> None:
    """Sixty connections promise a large body each and stop half way; others are served meanwhile."""
    head = f"POST /v1/readings HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {server.tokens['device']}\r\n"
    head += f"Content-Type: application/json\r\nContent-Length: {MAX_BODY_BYTES}\r\n\r\n"
    slow = []
    for _ in range(60):
        connection = socket.create_connection(("127.0.0.1", server.port), timeout=10)
        connection.sendall(head.encode() + b" " * 1_000)
        slow.append(connection)
    with server.client("admin") as http:
        assert http.post("/v1/devices", json={"device": "grader-07-intake"}).status_code == 200
    with server.client() as http:
        began_s = time.monotonic()
        assert http.post("/v1/readings", json=batch(1, [3.0])).status_code == 200
        assert time.monotonic() - began_s < 10.0
    for connection in slow:
        connection.close()
    assert server.stop() == 0
