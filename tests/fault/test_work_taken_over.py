"""
What a server process had in hand when it hung (SIGSTOP) or was killed, another process takes over: nothing is
lost, nothing is recorded twice, and what is sent again is sent under the same id.

Two processes over one PostgreSQL: one is the real command, the other the app in this process. Leases go by
the database's clock, so the test ends them there, and no lease has to be waited for.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from cleanside.ingest.keeping import retention
from cleanside.ingest.keeping.retention import MoveReport
from cleanside.ingest.messages import mailer
from cleanside.ingest.settings import load
from cleanside.ingest.store import account, archive, key_file
from tests.contract.test_messages import mailing, settings_of, states
from tests.contract.test_webhooks import ALL, delivering, ids_of, put_events
from tests.fault.test_archive_killed import at
from tests.fault.test_mailer_killed import DEVICES, PEOPLE, declare_loss, who_want_messages
from tests.support.archiving import LaterDisk, archive_all, files_of, whole_readings
from tests.support.databases import Postgres
from tests.support.ended_leases import end_leases
from tests.support.gatewaying import wait_until
from tests.support.mail_sink import MailSink
from tests.support.receiver import Receiver
from tests.support.serving import DEVICE, Api, ServerProcess, in_process, make_keys

#: a server process starts on a busy machine, and leases of another one are not waited for
pytestmark = [pytest.mark.postgres, pytest.mark.timeout(300)]

ENDS = pytest.mark.parametrize("end", ["killed", "hung"])


@contextmanager
def server_and_app(url: str, tokens: dict[str, str], *flags: str, module: str = "ingest") -> Iterator[Any]:
    """A server process, and the app in this process with the same settings."""
    server = ServerProcess(url, tokens, *flags, module=module)
    names = [flag.removeprefix("--").replace("-", "_") for flag in flags[::2]]
    settings = load(flags=dict(zip(names, flags[1::2], strict=True)) | {"database": url}, environ={})
    try:
        server.start()
        with in_process(url, settings=settings, tokens=tokens) as api:
            api.clock.now_us = time.time_ns() // 1_000
            yield server, api
    finally:
        server.close()


def strike(server: ServerProcess, end: str) -> None:
    """It ends, or it hangs."""
    if end == "killed":
        server.kill()
    else:
        os.kill(server.pid, signal.SIGSTOP)


def wake(server: ServerProcess, end: str, event: str) -> None:
    """One that hung goes on, and finds that its work is no longer its own."""
    if end == "hung":
        os.kill(server.pid, signal.SIGCONT)
        wait_until(lambda: lost_its_lease(server, event), f"{event} after it woke up", deadline_s=60)


def lost_its_lease(server: ServerProcess, event: str) -> bool:
    return any(event in line and "taken over" in line for line in server.log().splitlines())


# ---------------------------------------------------------------- webhooks


@ENDS
def test_deliveries_are_taken_over_in_order_under_the_same_ids(
    postgres: Postgres, tmp_path: Path, end: str
) -> None:
    url = postgres.migrated()
    key_file.create(tmp_path / "keys")
    flags = ("--webhook-networks", "127.0.0.0/8", "--webhook-key-file", str(tmp_path / "keys"))
    with Receiver() as receiver, server_and_app(url, make_keys(url, [DEVICE]), *flags) as (server, api):
        receiver.may_answer.clear()
        with server.client("admin") as http:
            made = http.post("/v1/webhooks", json={"url": receiver.url, "types": ALL})
        assert made.status_code == 201
        receiver.wait_for(1)  # under way
        strike(server, end)
        end_leases(api)
        put_events(api, 2)
        receiver.may_answer.set()
        with delivering(api):
            assert ids_of(receiver.wait_for(4)) == [1, 1, 2, 3]
        wake(server, end, "ingest.webhooks_wait")
        found = api.get("/v1/webhooks/1/deliveries").json()["deliveries"]
        assert [(entry["state"], entry["tries"]) for entry in found] == [("delivered", 1)] * 3
        assert len(receiver.received) == 4


# ---------------------------------------------------------------- messages


@ENDS
def test_messages_are_taken_over_under_the_same_message_id(
    postgres: Postgres, tmp_path: Path, end: str
) -> None:
    url = postgres.migrated()
    key_file.create(tmp_path / "keys")
    with MailSink() as sink:
        tokens = make_keys(url, DEVICES)
        who_want_messages(url)
        declare_loss(url)
        flags = (*sink.flags, "--webhook-key-file", str(tmp_path / "keys"))
        sink.may_answer.clear()
        with server_and_app(url, tokens, *flags) as (server, api):
            sink.wait_for(len(PEOPLE))  # under way, one to each
            strike(server, end)
            end_leases(api)
            sink.may_answer.set()
            with mailing(api):
                sink.wait_for(2 * len(PEOPLE))
                wait_until(lambda: all(state == "sent" for state, *_ in states(api)), "each is recorded")
            wake(server, end, "ingest.mail_waits")
            assert states(api) == [("sent", 1, None)] * len(PEOPLE)
            for address in PEOPLE.values():
                first, again = sink.of(address)
                assert first.id == again.id


def test_processes_share_the_people_that_messages_go_to(
    postgres: Postgres, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where one process has all its ways in use, another sends to the next person."""
    monkeypatch.setattr(mailer, "MAILS_AT_ONCE", 1)
    url = postgres.migrated()
    key_file.create(tmp_path / "keys")
    tokens = make_keys(url, DEVICES)
    who_want_messages(url)
    declare_loss(url)
    with MailSink() as sink:
        settings = settings_of(url, sink, webhook_key_file=str(tmp_path / "keys"))
        with in_process(url, settings=settings, tokens=tokens) as api:
            sink.may_answer.clear()
            with mailing(api), mailing(api):
                sink.wait_for(2)  # neither is answered
                sink.may_answer.set()
                wait_until(lambda: all(state == "sent" for state, *_ in states(api)), "each is recorded")
            assert {mail.to for mail in sink.received} == set(PEOPLE.values())
            assert len(sink.received) == 2


# ---------------------------------------------------------------- the archive


@ENDS
def test_an_archive_pass_is_taken_over_and_moves_each_reading_once(
    postgres: Postgres, tmp_path: Path, end: str
) -> None:
    url = postgres.migrated()
    tokens = make_keys(url, [DEVICE])
    with in_process(url, tokens=tokens) as filling:
        filling.register(history_from="2016-01-01T00:00:00Z")
        filling.send(at("2026-01-31T23:50:00Z", 100))
        before = whole_readings(filling)
    flags: tuple[str, ...] = ("--archive-folder", str(tmp_path / "older"), "--retention-days", "30")
    flags += ("--archive-interval-s", "1")
    module = "tests.support.hanging_archive"
    with server_and_app(url, tokens, *flags, module=module) as (server, api):
        wait_until(lambda: is_stopped(server), "it hangs in its first step", deadline_s=60)
        assert retention.keep(api.resources) == MoveReport()  # the other process has it
        if end == "killed":
            server.kill()
        end_leases(api)
        moved = retention.keep(api.resources)
        assert (moved.readings, moved.joined, moved.swept) == (100, 0, 0)
        wake(server, end, "ingest.archive_waits")
        assert whole_readings(api) == before
        left_over = set(files_of(api)) - registered(api)
        assert len(left_over) == 1  # of the step that was not recorded
        archive_all(api, LaterDisk(), retention_days=30)
        assert set(files_of(api)) == registered(api)
        assert whole_readings(api) == before
        with api.resources.reading() as connection:
            assert all(a.balances for a in account.accounts(connection))


def registered(api: Api) -> set[str]:
    with api.resources.reading() as connection:
        return {entry.file for entry in archive.all_of(connection)}


def is_stopped(server: ServerProcess) -> bool:
    """True while it hangs, by SIGSTOP."""
    status = Path(f"/proc/{server.pid}/stat").read_text()
    return status.rpartition(")")[2].split()[0] == "T"
