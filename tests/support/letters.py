"""A message on its way to a person, ready to be put into words."""

from __future__ import annotations

from typing import Any

from cleanside.ingest.messages.letter import Outgoing
from cleanside.ingest.messages.smtp import Relay
from cleanside.ingest.store.messages import Message
from cleanside.ingest.store.people import Person

#: a name that is anything but plain
HOSTILE_NAME = "<b>Grader</b> sieben 🚜 " + "W" * 64
RELAY = Relay(
    host="127.0.0.1",
    port=25,
    security="none",
    user="",
    password_file=None,
    sender="filters@kargrund.example",
    pages="https://filters.example",
)
PERSON = Person(
    *(1, 1, "kargrund", "mara.lindt", "p00000001", HOSTILE_NAME, "planner", None, "hash", 0, "x"),
    *(None, None, None),
)


def outgoing(kind: str, about: dict[str, Any], language: str) -> Outgoing:
    """It tells Mara of a matter, or what is due. kind, about : as in the store."""
    message = Message(
        id=1,
        owner_id=1,
        person_id=1,
        name=f"{kind}.1",
        kind=kind,
        matter_id=None,
        about=about,
        language=language,
        zone="Europe/Vienna",
        written_us=1_772_442_000_000_000,
        state="waiting",
        tries=0,
        first_tried_us=None,
        next_us=0,
        settled_us=None,
        reason=None,
        failure=None,
    )
    link = "https://filters.example/messages/leave?code=x"
    return Outgoing(
        message=message, person=PERSON, to="m@x.example", relay=RELAY, first_name=None, leave_link=link
    )
