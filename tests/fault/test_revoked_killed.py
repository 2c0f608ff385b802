"""A key is revoked, the server is killed once it has said so, its database is lost: it stays revoked."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import httpx

from tests.support.nursery import ran
from tests.support.serving import DEVICE, ServerProcess, batch, bearer


def command(*words: str) -> str:
    done = ran("cleanside.ingest", *words)
    assert done.returncode == 0, done.stderr
    return done.stdout


def post(server: ServerProcess, token: str) -> int:
    with server.client(None) as client:
        return client.post("/v1/readings", json=batch(1, [3.0]), headers=bearer(token)).status_code


def test_a_revocation_that_was_answered_outlives_the_database(
    tmp_path: Path, sqlite_database_url: str, start_server: Callable[..., ServerProcess]
) -> None:
    """The archive folder outlives it, and the restore goes beside it. A key that is not revoked goes on."""
    server = start_server(sqlite_database_url)
    with server.client("admin") as admin:
        body = {"role": "device", "devices": [DEVICE]}
        token: str = admin.post("/v1/keys", json=body).json()["key"]
        assert post(server, token) == 200
        command("backup", "--database", sqlite_database_url, "--to", str(tmp_path / "backup"))
        revoked = admin.delete(f"/v1/keys/{token.partition('.')[0]}")
        server.kill()
        assert revoked.status_code == 200
    for leftover in tmp_path.glob("ingest.db*"):
        if not leftover.is_dir():
            leftover.unlink()
    command("restore", "--database", sqlite_database_url, "--from", str(tmp_path / "backup"))
    server.start()
    assert post(server, token) == 401
    assert post(server, server.tokens["device"]) == 200
    with server.client("admin") as admin:
        shown = admin.get("/v1/keys")
        assert shown.status_code == httpx.codes.OK
