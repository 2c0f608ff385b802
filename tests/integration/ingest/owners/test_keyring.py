"""The keys of a busy fleet are read together, and one that ended is refused within a moment."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager

import pytest
import sqlalchemy as sa

from cleanside.ingest.errors import TryAgain
from cleanside.ingest.owners.access import (
    IN_USE_S,
    READ_AGAIN_S,
    REMEMBERED_S,
    KeyRejected,
    Keyring,
    new_key,
)
from cleanside.ingest.store import fleet, keys
from cleanside.ingest.store.models import keys as table
from tests.support.databases import opened
from tests.support.sent_statements import noted

MANY = 40
NOW_US = 10**15


class Fleet:
    """A keyring on a set time, and a fleet of keys."""

    def __init__(self, engine: sa.Engine) -> None:
        self.engine = engine
        self.now_s = 100.0
        self.keyring = Keyring(lambda: self.now_s)
        self.headers = []
        self.reads = 0
        with engine.begin() as connection:
            owner = fleet.keep_owner(connection, "plateau", 0)
            for number in range(MANY):
                fleet.keep_device(connection, owner, f"dev-{number}")
                new = new_key()
                keys.create(
                    connection,
                    handle=new.handle,
                    secret_hash=new.secret_hash,
                    owner_id=owner,
                    role="device",
                    note="",
                    devices=[f"dev-{number}"],
                    now_us=0,
                )
                self.headers.append(f"Bearer {new.token}")

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        self.reads += 1
        with self.engine.connect() as connection:
            yield connection

    def shows(self, header: str) -> keys.Key:
        """As a request does."""
        return self.keyring.remembered(header, NOW_US) or self.keyring.find(self.reading, header, NOW_US)

    def revoke(self, number: int) -> None:
        """As another process does, which tells this one nothing."""
        with self.engine.begin() as connection:
            handle = self.headers[number].partition(" ")[2].partition(".")[0]
            connection.execute(sa.update(table).where(table.c.handle == handle).values(revoked_us=1))


@pytest.fixture
def busy(database_url: str) -> Iterator[Fleet]:
    """Every key was shown a moment ago."""
    with opened(database_url) as engine:
        fleet_of_keys = Fleet(engine)
        for header in fleet_of_keys.headers:
            fleet_of_keys.shows(header)
        fleet_of_keys.now_s += 1.1 * REMEMBERED_S
        fleet_of_keys.reads = 0
        yield fleet_of_keys


def test_the_keys_of_a_fleet_are_read_together(busy: Fleet) -> None:
    with noted() as sent:
        found = [busy.shows(header) for header in busy.headers]
    assert busy.reads == 1
    assert len([one for one in sent if one.startswith("SELECT")]) == 2
    assert [key.devices for key in found] == [{f"dev-{number}"} for number in range(MANY)]


def test_what_several_requests_show_at_once_is_read_together(busy: Fleet) -> None:
    wrong, unknown = f"{busy.headers[5][:-4]}beef", "Bearer k0000000.none"
    busy.revoke(7)
    shown = [busy.headers[3], wrong, unknown, busy.headers[7], busy.headers[4]]
    first, *refused, last = busy.keyring.find_all(busy.reading, shown, NOW_US)
    assert busy.reads == 1
    assert [one.devices for one in (first, last) if isinstance(one, keys.Key)] == [{"dev-3"}, {"dev-4"}]
    reasons = [one.reason for one in refused if isinstance(one, KeyRejected)]
    assert reasons == ["key_unknown", "key_unknown", "key_revoked"]
    assert not busy.keyring.was_valid(unknown)


def test_keys_in_use_are_read_again_before_a_request_would_have_to(busy: Fleet) -> None:
    for header in busy.headers:
        busy.shows(header)
    busy.reads = 0
    for _ in range(20):
        busy.now_s += READ_AGAIN_S
        assert busy.keyring.is_due()
        assert not busy.keyring.is_due(), "one request has it done, and no other"
        busy.keyring.read_again(busy.reading, NOW_US)
        assert all(busy.keyring.remembered(header, NOW_US) for header in busy.headers)
    assert busy.reads <= 20 * READ_AGAIN_S / (REMEMBERED_S / 2) + 1


def test_what_was_revoked_elsewhere_is_refused_once_it_was_read_again(busy: Fleet) -> None:
    for header in busy.headers:
        busy.shows(header)
    busy.revoke(7)
    busy.now_s += 0.6 * REMEMBERED_S
    busy.keyring.read_again(busy.reading, NOW_US)
    assert busy.keyring.remembered(busy.headers[8], NOW_US)
    with pytest.raises(KeyRejected) as refused:
        busy.shows(busy.headers[7])
    assert refused.value.reason == "key_revoked"


def test_where_they_cannot_be_read_again_each_request_reads_its_own(busy: Fleet) -> None:
    @contextmanager
    def broken() -> Iterator[sa.Connection]:
        raise TryAgain("store_unavailable")
        yield

    for header in busy.headers:
        busy.shows(header)
    busy.now_s += 0.6 * REMEMBERED_S
    with pytest.raises(TryAgain):
        busy.keyring.read_again(broken, NOW_US)
    assert busy.keyring.remembered(busy.headers[3], NOW_US)
    busy.now_s += REMEMBERED_S
    assert busy.shows(busy.headers[3]).devices == {"dev-3"}


def test_a_key_that_is_not_in_use_is_read_when_it_is_shown(busy: Fleet) -> None:
    busy.now_s += IN_USE_S
    for header in busy.headers:
        busy.shows(header)
    assert busy.reads == MANY


def test_one_that_was_revoked_elsewhere_is_refused_with_its_reason(busy: Fleet) -> None:
    busy.revoke(7)
    busy.shows(busy.headers[3])  # reads the others too
    for _ in range(2):
        with pytest.raises(KeyRejected) as refused:
            busy.shows(busy.headers[7])
        assert refused.value.reason == "key_revoked"
    assert not busy.keyring.was_valid(busy.headers[7])
    assert busy.keyring.was_valid(busy.headers[8])


def test_a_wrong_secret_is_refused_and_the_key_stays(busy: Fleet) -> None:
    for _ in range(2):
        with pytest.raises(KeyRejected):
            busy.shows(f"{busy.headers[5][:-4]}beef")
    assert busy.shows(busy.headers[5]).devices == {"dev-5"}


def test_what_was_being_read_while_all_were_forgotten_is_not_remembered(busy: Fleet) -> None:
    """A revocation by this process holds at once, also for keys that another request was just reading."""

    @contextmanager
    def revoked_meanwhile() -> Iterator[sa.Connection]:
        with busy.reading() as connection:
            yield connection
        busy.revoke(7)
        busy.keyring.forget()

    busy.keyring.find(revoked_meanwhile, busy.headers[3], NOW_US)
    with pytest.raises(KeyRejected):
        busy.shows(busy.headers[7])


def test_a_database_that_hangs_holds_up_one_request_and_not_one_after_the_other(busy: Fleet) -> None:
    hangs, goes_on = threading.Event(), threading.Event()

    def hanging() -> AbstractContextManager[sa.Connection]:
        hangs.set()
        goes_on.wait(30)
        return busy.reading()

    thread = threading.Thread(target=lambda: busy.keyring.find(hanging, busy.headers[0], NOW_US))
    thread.start()
    hangs.wait(30)
    assert busy.shows(busy.headers[1]).devices == {"dev-1"}  # after LONGEST_TURN_S
    assert not goes_on.is_set()
    goes_on.set()
    thread.join()
