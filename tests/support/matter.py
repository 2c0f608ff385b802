"""A matter and a message of it, without waiting for a machine to come over its limit."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store import matters, messages, people


def a_matter(connection: sa.Connection, machine: str, person: str) -> dict[str, Any]:
    """A matter that is open, and a message of it that was given up."""
    [to] = people.named(connection, person, None)
    subject = f"machines/{machine}/housings/main"
    opened: dict[str, Any] = {"kind": "over_limit", "subject": subject, "site": None, "severity": 1}
    opened |= {"step": 1, "opened_us": 0, "changed_us": 0, "about": {}}
    matter = matters.create(connection, owner_id=to.owner_id, **opened)
    message = messages.NewMessage(
        owner_id=to.owner_id,
        person_id=to.id,
        name=f"over_limit.{machine}",
        kind="over_limit",
        about={},
        language="en",
        zone="UTC",
        written_us=0,
        next_us=0,
        matter_id=matter,
    )
    messages.put(connection, [message])
    written, *_ = messages.list_of(connection, to.owner_id)
    messages.settle(connection, written.id, {"state": messages.GIVEN_UP, "settled_us": 0})
    return {"matter": matter, "message": written.id}
