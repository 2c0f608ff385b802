"""Invariant 8 by the commands: a backup while serving, the server lost, restored, and caught up with."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.invariants.test_nothing_lost import a_gateway, append_through_power_cuts, drain, register
from tests.support.held import readings_of
from tests.support.nursery import ran
from tests.support.serving import DEVICE, ServerProcess


def command(*words: str) -> str:
    done = ran("cleanside.ingest", *words)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.timeout(110)
def test_invariant_8_a_server_restored_from_a_backup_catches_up(
    tmp_path: Path, sqlite_database_url: str, start_server: Callable[..., ServerProcess]
) -> None:
    """
    What the gateway holds and the backup does not comes again, nothing twice, and the account balances.

    The appending process is killed three times; the backup is made while the gateway sends.
    """
    with ExitStack() as stack:
        server = start_server(sqlite_database_url)
        register(server)
        gateway = a_gateway(tmp_path, server, server.url, stack)
        append_through_power_cuts(gateway.spool_path, cuts=1, seed=8)
        drain(gateway)
        at_backup = len(readings_of(sqlite_database_url, DEVICE))
        append_through_power_cuts(gateway.spool_path, cuts=1, seed=9)
        gateway.start()
        said = command("backup", "--database", sqlite_database_url, "--to", str(tmp_path / "backup"))
        assert "checked" in said
        gateway.end_input()
        assert gateway.wait() == 0, gateway.log()
        before = readings_of(sqlite_database_url, DEVICE)
        assert len(before) == gateway.appended()

        server.kill()  # and its disk with it
        for leftover in tmp_path.glob("ingest.db*"):
            shutil.rmtree(leftover) if leftover.is_dir() else leftover.unlink()
        command("restore", "--database", sqlite_database_url, "--from", str(tmp_path / "backup"))
        # Without the file of revoked keys only device keys go on until a person confirms the others.
        operator = server.tokens["operator"].partition(".")[0]
        command("keys", "confirm", operator, "--database", sqlite_database_url)
        restored = len(readings_of(sqlite_database_url, DEVICE))
        assert at_backup <= restored <= len(before)

        server.start()
        append_through_power_cuts(gateway.spool_path, cuts=1, seed=10)
        drain(gateway)
        held = readings_of(sqlite_database_url, DEVICE)
        assert held[: len(before)] == before
        assert len(held) == gateway.appended() > len(before)
        with server.client("operator") as client:
            account = client.get("/v1/account").json()
        assert account["balances"] is True
        assert sum(line["stored"] for line in account["streams"]) == len(held)
