"""Addresses of e-mail in tests: confirmed, as if their person had opened the link."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store import message_choices, messages, people
from tests.support.serving import Api


def confirm_address(api: Api, name: str) -> None:
    """The address that waits is in use."""

    def save(connection: sa.Connection) -> None:
        [person] = people.named(connection, name, None)
        waits = message_choices.of(connection, person.id).new_address
        assert waits, f"no address of {name} waits"
        values = {"address": waits, "new_address": "", "new_until_us": None}
        message_choices.keep(connection, person.id, **values)
        messages.drop_waiting(connection, person.id, messages.ADDRESS)

    api.resources.writer.call(save)
