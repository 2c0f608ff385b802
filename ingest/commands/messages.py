"""The command `messages`: send a message to a person now, to see whether messages arrive."""

from __future__ import annotations

import argparse
import asyncio
import ssl
from typing import Any

import sqlalchemy as sa

from cleanside.ingest import settings
from cleanside.ingest.commands.command_database import add_owner, owner_id, reader
from cleanside.ingest.console.letters import letter_of
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.messages.choices import is_address
from cleanside.ingest.messages.letter import Outgoing, message_id, mime_of
from cleanside.ingest.messages.smtp import Relay, relay_of, send
from cleanside.ingest.messages.telling import Reader, trial_message
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import message_choices, messages, people
from cleanside.ingest.writer import system_clock

#: settings that say how mail goes out
_OF_MAIL = (
    *("smtp_host", "smtp_port", "smtp_security", "smtp_user", "smtp_password_file", "smtp_sender"),
    *("public_address", "webhook_key_file"),
)


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser("messages", help="messages to people")
    actions = parser.add_subparsers(required=True, metavar="ACTION")
    test = actions.add_parser("test", help="send a message to a person now, past the outbox")
    test.add_argument("name", help="what they sign in with")
    test.add_argument("--to", metavar="ADDRESS", help="where to; default: the address that they chose")
    settings.add_flags(test, "database", *_OF_MAIL)
    add_owner(test)
    test.set_defaults(run=run_messages_test)


def run_messages_test(chosen: Settings, given: argparse.Namespace) -> int:
    """Send a message; the mail server's own answer says why where it does not take it."""
    relay = relay_of(chosen)
    if relay is None:
        raise CalledWrongly("no_mail_server")
    with reader(chosen) as connection:
        outgoing = _outgoing(connection, relay, given)
    content = mime_of(letter_of(outgoing), outgoing)
    unsent = asyncio.run(send(relay, outgoing.to, content, ssl.create_default_context()))
    if unsent is not None:
        raise CalledWrongly("mail_not_taken", host=relay.host, port=relay.port, why=unsent.why.detail)
    sent_id = message_id(outgoing.message.name, outgoing.person, relay)
    print(f"{relay.host}:{relay.port} took the message to {outgoing.to}, Message-ID {sent_id}")
    return 0


def _outgoing(connection: sa.Connection, relay: Relay, given: argparse.Namespace) -> Outgoing:
    person = people.find(connection, owner_id(connection, given.owner), given.name)
    if person is None:
        raise CalledWrongly("no_person", name=given.name)
    choices = message_choices.of(connection, person.id)
    to = given.to or choices.address
    if not is_address(to):
        raise CalledWrongly("no_address_of_person", name=given.name)
    new = trial_message(Reader(person=person, choices=choices), system_clock.now_us())
    return Outgoing(
        message=messages.unwritten(new), person=person, to=to, relay=relay, first_name=None, leave_link=None
    )
