"""The rows of messages, matters and calendars on both databases."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.store import calendars, fleet, matters, message_choices, messages, people
from cleanside.ingest.store.calendars import ShownDay
from cleanside.ingest.store.messages import GIVEN_UP, SENT, NewMessage
from tests.support.databases import opened

OPENED: dict[str, Any] = {"kind": "over_limit", "subject": "machines/x/housings/main", "site": None}
OPENED |= {"severity": 1, "step": 1, "opened_us": 1, "changed_us": 1, "about": {"machine": "x"}}


@pytest.fixture
def connection(database_url: str) -> Iterator[sa.Connection]:
    with opened(database_url) as engine, engine.begin() as connection:
        yield connection


def person(connection: sa.Connection, name: str = "mara.lindt") -> people.Person:
    owner = fleet.keep_owner(connection, "plateau", 0)
    values = {"owner_id": owner, "name": name, "handle": f"p{name[:8]}", "role": "planner"}
    return people.create(connection, sites=(), **values, display_name=None, created_us=1, who="command")


def new(to: people.Person, name: str, next_us: int = 0, **more: Any) -> NewMessage:
    values: dict[str, Any] = {"kind": "over_limit", "about": {"x": 1}, "language": "en", "zone": "UTC"}
    values |= {"written_us": 1, "next_us": next_us} | more
    return NewMessage(owner_id=to.owner_id, person_id=to.id, name=name, **values)


def test_a_message_of_a_name_is_written_once_and_goes_in_order(connection: sa.Connection) -> None:
    mara, jonas = person(connection), person(connection, "jonas.reit")
    messages.put(connection, [new(mara, "a"), new(mara, "b"), new(jonas, "a", next_us=50)])
    messages.put(connection, [new(mara, "a", about={"x": 2})])
    assert messages.people_waiting(connection, 49) == [mara.id]
    assert set(messages.people_waiting(connection, 50)) == {mara.id, jonas.id}
    first = messages.next_of(connection, mara.id)
    assert first is not None
    assert (first.name, first.about) == ("a", {"x": 1})
    messages.settle(connection, first.id, {"state": SENT, "settled_us": 5})
    second = messages.next_of(connection, mara.id)
    assert second is not None
    messages.settle(connection, second.id, {"state": GIVEN_UP, "settled_us": 5, "reason": "550"})
    assert messages.next_of(connection, mara.id) is None
    assert messages.count_by_state(connection) == {"waiting": 1, "sent": 1, "given_up": 1}
    assert messages.send_again(connection, mara.owner_id, second.id)
    assert messages.people_waiting(connection, 0) == [mara.id]


def test_of_one_kind_and_subject_one_matter_is_open(connection: sa.Connection) -> None:
    mara = person(connection)
    first = matters.create(connection, owner_id=mara.owner_id, **OPENED)
    with pytest.raises(sa.exc.IntegrityError), connection.begin_nested():
        matters.create(connection, owner_id=mara.owner_id, **OPENED)
    matters.edit(connection, first, settled_us=2)
    again = matters.create(connection, owner_id=mara.owner_id, **OPENED)
    assert [one.id for one in matters.open_of(connection, mara.owner_id)] == [again]


def test_who_heard_of_an_open_matter_is_not_forgotten(connection: sa.Connection) -> None:
    mara = person(connection)
    matter = matters.create(connection, owner_id=mara.owner_id, **OPENED)
    messages.put(connection, [new(mara, "a", matter_id=matter), new(mara, "digest", kind="digest")])
    for message in messages.list_of(connection, mara.owner_id):
        messages.settle(connection, message.id, {"state": SENT, "settled_us": 5})
    assert messages.forget_settled(connection, 10) == 1
    assert messages.told(connection, [matter]) == {matter: {mara.id}}
    matters.edit(connection, matter, settled_us=6)
    assert messages.forget_settled(connection, 10) == 1


def test_choices_and_rules_are_changed_one_column_at_a_time(connection: sa.Connection) -> None:
    mara = person(connection)
    message_choices.keep(connection, mara.id, address="m@x.example", alerts={"over_limit"})
    message_choices.keep(connection, mara.id, digest="daily")
    kept = message_choices.of_owner(connection, mara.owner_id)[mara.id]
    assert (kept.address, kept.alerts, kept.digest) == ("m@x.example", frozenset({"over_limit"}), "daily")
    assert message_choices.owners_to_tell(connection) == [mara.owner_id]
    message_choices.keep_rules(connection, mara.owner_id, looked_us=3)
    message_choices.keep_rules(connection, mara.owner_id, escalate_to_id=mara.id)
    rules = message_choices.rules_of(connection, mara.owner_id)
    assert (rules.looked_us, rules.escalate_to_id, rules.escalate_after_h) == (3, mara.id, 24)


def test_a_calendar_remembers_its_days_and_ends(connection: sa.Connection) -> None:
    mara = person(connection)
    values = {"site": None, "zone": "UTC", "language": "en", "token_hash": "ab", "created_us": 1}
    link = calendars.create(connection, person_id=mara.id, **values)
    calendars.keep_days(connection, link.id, {"x": ShownDay("2026-03-02", 1, 0, 1)})
    calendars.keep_days(connection, link.id, {"x": ShownDay("2026-03-04", 2, 1, 2)})
    assert calendars.days_of(connection, link.id) == {"x": ShownDay("2026-03-04", 2, 1, 2)}
    assert calendars.with_token(connection, "ab") == link
    assert not calendars.end(connection, mara.id + 1, link.id, 5)
    assert calendars.end(connection, mara.id, link.id, 5)
    assert calendars.with_token(connection, "ab") is None
