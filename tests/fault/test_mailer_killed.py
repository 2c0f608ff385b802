"""
A server killed while messages are noticed, written, sent and recorded: each matter reaches each person at
least once, and never under two Message-IDs.

A real server process with SIGKILL, a real SMTP server (aiosmtpd) that holds, refuses and loses answers.
"""

from __future__ import annotations

import random
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

import pytest

from cleanside.gateway.wire import DeclaredEvent
from cleanside.ingest.messages.matters import LOSS
from cleanside.ingest.store import declared, fleet, message_choices, people
from tests.support.databases import migrated_sqlite, opened
from tests.support.gatewaying import wait_until
from tests.support.mail_sink import LOST, TAKEN, MailSink
from tests.support.serving import STREAM, ServerProcess, make_keys

PEOPLE = {"mara.lindt": "mara@kargrund.example", "jonas.reit": "jonas@kargrund.example"}
LOST_READINGS = {"at_seq": 3, "event": "readings_lost", "source": "ndjson-1", "count": 600}
DEVICES = [f"grader-{number:02}-intake" for number in range(1, 7)]


@pytest.fixture
def sink() -> Iterator[MailSink]:
    with MailSink() as running:
        yield running


def who_want_messages(url: str) -> None:
    """Two planners of the owner who hear of losses; its first look lies behind."""
    with opened(url) as engine, engine.begin() as connection:
        owner = fleet.owner_id(connection, "plateau")
        assert owner is not None
        message_choices.keep_rules(connection, owner, looked_us=1)
        for number, (name, address) in enumerate(PEOPLE.items()):
            values = {"owner_id": owner, "name": name, "handle": f"p{number:08}", "role": "planner"}
            values |= {"display_name": None, "created_us": 1, "who": "command"}
            made = people.create(connection, sites=(), **values)
            people.edit(connection, made.id, password_hash="not to sign in with")
            message_choices.keep(connection, made.id, address=address, alerts={LOSS})


def declare_loss(url: str) -> None:
    with opened(url) as engine, engine.begin() as connection:
        owner = fleet.owner_id(connection, "plateau")
        assert owner is not None
        event = DeclaredEvent(stream=STREAM, content=LOST_READINGS)
        declared.keep(connection, owner, DEVICES[0], [event], time.time_ns() // 1_000)


@contextmanager
def server_over(url: str, sink: MailSink, *, lost: bool = False) -> Iterator[ServerProcess]:
    """lost : a gateway declared a loss before, so the first look finds it at once."""
    tokens = make_keys(url, DEVICES)
    who_want_messages(url)
    if lost:
        declare_loss(url)
    server = ServerProcess(url, tokens, *sink.flags)
    try:
        server.start()
        yield server
    finally:
        server.close()


def lose(server: ServerProcess, number: int) -> None:
    """A cause: a gateway declares a loss."""
    stream = f"{STREAM[:-2]}{number:02}"
    body = {"device": DEVICES[number], "events": [{"stream": stream, "content": LOST_READINGS}]}
    with server.client("device") as http:
        assert http.post("/v1/declared-events", json=body).status_code == 200


def figure(server: ServerProcess, state: str) -> float:
    with server.client("operator") as http:
        lines = http.get("/metrics").text.splitlines()
    found = [line for line in lines if line.startswith(f'cleanside_messages{{state="{state}"}}')]
    return float(found[0].split()[1])


def more_came(sink: MailSink, before: int) -> bool:
    return len(sink.received) > before


def ids_by_message(sink: MailSink) -> dict[tuple[str, str], set[str]]:
    """Recipient and subject -> the Message-IDs under which it came."""
    found: dict[tuple[str, str], set[str]] = defaultdict(set)
    for mail in list(sink.received):
        found[mail.to, mail.subject].add(mail.id)
    return found


def test_a_message_that_was_taken_and_not_recorded_comes_again_as_the_same(
    sqlite_database_url: str, sink: MailSink
) -> None:
    sink.may_answer.clear()
    with server_over(sqlite_database_url, sink, lost=True) as server:
        sink.wait_for(2)  # one to each person, neither answered
        server.kill()
        sink.may_answer.set()
        server.start()
        received = sink.wait_for(4)
        wait_until(lambda: figure(server, "sent") == 2, "both are recorded")
    assert len(received) == 4
    for address in PEOPLE.values():
        first, again = sink.of(address)
        assert first.content == again.content


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_whenever_it_is_killed_each_matter_reaches_each_person_under_one_id(
    tmp_path_factory: pytest.TempPathFactory, sink: MailSink, seed: int
) -> None:
    chance, pause = random.Random(seed), threading.Event()
    sink.answers = [chance.choice([TAKEN, TAKEN, "451 later", LOST]) for _ in range(8)]
    with server_over(migrated_sqlite(tmp_path_factory.mktemp("killed")), sink) as server:
        for number in range(len(DEVICES)):
            lose(server, number)
            if chance.random() < 0.5:  # some once it is on its way, some while it is noticed or written
                came = len(sink.received)
                wait_until(partial(more_came, sink, came), "it is on its way", deadline_s=60)
            pause.wait(chance.random() * 0.3)
            server.kill()
            server.start()
        wanted = len(DEVICES) * len(PEOPLE)
        wait_until(lambda: figure(server, "sent") == wanted, "all are sent", deadline_s=100)
        assert figure(server, "waiting") == figure(server, "given_up") == 0
    found = ids_by_message(sink)
    assert len(found) == wanted
    assert {len(ids) for ids in found.values()} == {1}
