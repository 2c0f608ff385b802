"""What became of matters, who gets a message, and under which name: pure."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from cleanside.ingest.messages.matters import (
    CHECK_FIRST,
    LOSS,
    MATTER_KINDS,
    OPENED,
    OVER_LIMIT,
    SETTLED,
    WORSE,
    Look,
    SeenMatter,
    changes_of,
    unchanged,
)
from cleanside.ingest.messages.telling import HOUR_US, Reader, after, escalations, messages_of, name_of
from cleanside.ingest.store.matters import Matter
from cleanside.ingest.store.message_choices import MessageChoices, Rules
from cleanside.ingest.store.people import Person

SUBJECT = "machines/grader-07/housings/main"


def seen(severity: int = 1, kind: str = OVER_LIMIT, site: str | None = "oberkies") -> SeenMatter:
    return SeenMatter(kind=kind, subject=SUBJECT, site=site, severity=severity, about={})


def look(*found: SeenMatter, unknown: tuple[tuple[str, str], ...] = ()) -> Look:
    return Look(findings=found, unknown=frozenset(unknown))


def matter(**more: Any) -> Matter:
    values: dict[str, Any] = {"id": 1, "owner_id": 1, "kind": OVER_LIMIT, "subject": SUBJECT}
    values |= {"site": "oberkies", "severity": 2, "step": 1, "opened_us": 0, "changed_us": 0}
    values |= {"settled_us": None, "answered_us": None, "answered_by": None, "escalated_us": None}
    return Matter(**values | {"about": {}} | more)


def reader(number: int, role: str = "planner", sites: tuple[str, ...] = (), **chosen: Any) -> Reader:
    person = Person(
        *(number, 1, "kargrund", f"p{number}", f"p000000{number}", None, role, None, "hash", 0, "x"),
        *(None, None, None, frozenset(sites)),
    )
    values = {"address": f"p{number}@kargrund.example", "alerts": frozenset(MATTER_KINDS)} | chosen
    return Reader(person=person, choices=MessageChoices(person_id=number, **values))


def whats(known: list[Matter], found: Look) -> list[str]:
    return [change.what for change in changes_of(known, found)]


def test_a_matter_is_told_as_it_opens_as_it_becomes_worse_and_as_it_is_settled() -> None:
    assert whats([], look(seen())) == [OPENED]
    assert whats([matter()], look(seen(2))) == []
    assert whats([matter()], look(seen(3))) == [WORSE]
    assert whats([matter()], look(seen(1))) == [], "better, and still open"
    assert whats([matter()], look()) == [SETTLED]


def test_what_is_settled_or_worse_now_is_not_escalated_in_the_same_look() -> None:
    for found in (look(), look(seen(3))):
        assert unchanged([matter()], changes_of([matter()], found)) == []
    assert unchanged([matter()], changes_of([matter()], look(seen(2)))) == [matter()]


def test_a_matter_of_which_nothing_can_be_said_stays_as_it_is() -> None:
    silent = look(unknown=((OVER_LIMIT, SUBJECT),))
    assert whats([matter()], silent) == []


def test_what_became_worse_waits_for_an_answer_again() -> None:
    [change] = changes_of([matter(answered_us=5, answered_by="mara.lindt")], look(seen(3)))
    values = after(change, 9)
    assert (values["severity"], values["step"], values["changed_us"]) == (3, 2, 9)
    assert values["answered_us"] is values["answered_by"] is None


def told(what: str, of: Matter, *readers: Reader, before: tuple[int, ...] = ()) -> list[int]:
    found = messages_of(what, of, readers, 0, told=before, escalate_to_id=9)
    return [message.person_id for message in found]


def test_a_person_is_told_of_the_kinds_they_chose_at_the_sites_they_see() -> None:
    chose_other = reader(2, alerts=frozenset({CHECK_FIRST}))
    elsewhere, here = reader(3, sites=("talgrund",)), reader(4, sites=("oberkies",))
    assert told(OPENED, matter(), reader(1), chose_other, elsewhere, here) == [1, 4]
    assert told(OPENED, matter(site=None), reader(1), here) == [1], "no site: who sees all"


def test_a_loss_is_told_to_whose_role_sees_the_account() -> None:
    loss = matter(kind=LOSS, subject="devices/grader-07-intake", site=None)
    assert told(OPENED, loss, reader(1), reader(2, "technician"), reader(3, "viewer")) == [1]


def test_who_heard_of_a_matter_hears_that_it_is_settled_unless_they_left() -> None:
    left, escalated_to = reader(2, alerts=frozenset()), reader(9, alerts=frozenset())
    before = (1, 2, 9)
    assert told(SETTLED, matter(), reader(1), left, reader(3), escalated_to, before=before) == [1, 9]


@pytest.mark.parametrize("state", [{"revoked_us": 1}, {"suspended_us": 1}, {"password_hash": None}])
def test_who_may_not_sign_in_is_told_nothing(state: dict[str, Any]) -> None:
    one = reader(1)
    assert told(OPENED, matter(), replace(one, person=one.person._replace(**state))) == []


def test_a_name_follows_from_the_matter_and_its_step() -> None:
    first = matter()
    names = {name_of(first, OPENED), name_of(replace(first, step=2), WORSE), name_of(first, SETTLED)}
    assert len(names) == 3
    assert name_of(replace(first, id=7, about={"x": 1}), OPENED) == name_of(first, OPENED)
    assert name_of(replace(first, opened_us=1), OPENED) != name_of(first, OPENED)


def test_an_answer_that_is_missing_escalates_once_to_whom_the_rules_name() -> None:
    rules = Rules(owner_id=1, escalate_to_id=2, escalate_after_h=4)
    readers = [reader(1), reader(2, alerts=frozenset())]

    def escalated(of: Matter, hours: float) -> list[int]:
        found = escalations([of], rules, readers, int(hours * HOUR_US))
        return [message.person_id for _, message in found]

    assert escalated(matter(), 3.9) == []
    assert escalated(matter(), 4.0) == [2]
    assert escalated(matter(answered_us=1), 5.0) == []
    assert escalated(matter(escalated_us=1), 5.0) == []
    assert escalations([matter()], replace(rules, escalate_to_id=None), readers, 10 * HOUR_US) == []
