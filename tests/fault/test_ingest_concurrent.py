"""Many batches in flight at once, of many streams and of one, in any order: none lost, none twice."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable

import httpx
import pytest

from cleanside.ingest.store import account, database
from tests.support import held
from tests.support.serving import DEVICE, ServerProcess, batch, bearer

THREADS = 8
ROWS = 20


@pytest.mark.parametrize("processes", [1, 2])
def test_interleaved_and_repeated_batches_of_shared_streams_are_stored_once(
    database_url: str,
    start_server: Callable[..., ServerProcess],
    processes: int,
    backend: str,
) -> None:
    """
    Eight threads share three streams; every batch is sent twice, in random order, from different threads.

    With two processes on PostgreSQL the lock of a stream is the database's.
    """
    if processes == 2 and backend == "sqlite":
        processes = 1  # SQLite has one writing process, held by a lock
    servers = [start_server(database_url)]
    if processes == 2:
        second = ServerProcess(database_url, servers[0].tokens)
        second.start()
        servers.append(second)
    with servers[0].client("operator") as http:
        http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
    streams = [f"019abc00-7e1a-7c3e-8f00-{n:012d}" for n in range(3)]
    work = [
        batch(first, [3.0 + first / 1000] * ROWS, stream=stream)
        for stream in streams
        for first in range(1, 20 * ROWS, ROWS)
    ] * 2
    random.Random(7).shuffle(work)
    statuses: list[int] = []

    def send(part: list[dict[str, object]], server: ServerProcess) -> None:
        with httpx.Client(headers=bearer(server.tokens["device"]), timeout=30.0, trust_env=False) as http:
            for document in part:
                statuses.append(http.post(f"{server.url}/v1/readings", json=document).status_code)

    threads = [
        threading.Thread(target=send, args=(work[i::THREADS], servers[i % len(servers)]))
        for i in range(THREADS)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60.0)
    if processes == 2:
        servers[1].close()
    assert statuses == [200] * len(work)
    servers[0].stop()

    engine = database.reading_engine(database_url)
    with engine.connect() as connection:
        numbers: dict[int, list[int]] = {}
        for row in held.stored(connection):
            numbers.setdefault(row["stream_id"], []).append(row["seq"])
        assert list(numbers.values()) == [list(range(1, 20 * ROWS + 1))] * 3
        accounts = list(account.accounts(connection))
    engine.dispose()
    assert [(a.acknowledged_through, a.duplicates, a.faults) for a in accounts] == [
        (20 * ROWS, 20 * ROWS, ())
    ] * 3


def test_bad_input_of_every_kind_leaves_a_real_server_answering(server: ServerProcess) -> None:
    """2 MiB, a bomb, broken JSON, a wrong type, another device: each a problem; a good one still goes in."""
    import zstandard

    with server.client("operator") as http:
        http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
    json_type = {"Content-Type": "application/json"}
    bomb = zstandard.compress(b"0" * (256 * 2**20))
    wrong: list[tuple[bytes, dict[str, str], int]] = [
        (b" " * (2 * 2**20), {}, 413),
        (bomb, {"Content-Encoding": "zstd"}, 413),
        (b'{"device": ', {}, 400),
        (b'{"device": 7, "readings": [{}]}', {}, 422),
        (b"\x00" * 1000, {"Content-Encoding": "gzip"}, 400),
    ]
    for content, headers, status in wrong:
        with server.client() as http:
            response = http.post("/v1/readings", content=content, headers=json_type | headers)
            assert response.status_code == status
            assert response.headers["content-type"] == "application/problem+json"
    with server.client() as http:
        other = http.post("/v1/readings", json=batch(1, [3.0]) | {"device": "loader-02-intake"})
        assert (other.status_code, other.json()["code"]) == (403, "key_not_for_device")
        assert http.post("/v1/readings", json=batch(1, [3.0])).json()["stored"] == 1
    with server.client("admin") as http:
        assert http.get("/v1/account").json()["streams"][0]["stored"] == 1
        assert http.get("/readyz").json()["status"] == "ready"
