"""
A message as it is sent: text and HTML in one MIME document, the same bytes at every try.

Promises: pure. The Message-ID follows from the message's name and its person, so a resend is the same
message to whoever receives it. What became of a matter is a reply to its first message. No program answers it
(RFC 3834), and a mail program can offer to leave with one click (RFC 2369, RFC 8058).
Leaves to others: the words (`ingest.console.letters`), the link to leave (`ingest.messages.leaving`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import EmailPolicy
from typing import Any

from cleanside.ingest.messages.smtp import Relay
from cleanside.ingest.store.messages import Message
from cleanside.ingest.store.people import Person

SENDER_NAME = "cleanside"
#: fields of which programs read every letter: the library would fold a long one into encoded words
AS_WRITTEN = frozenset({"message-id", "in-reply-to", "references", "list-unsubscribe"})


class _Policy(EmailPolicy):
    """Lines as SMTP has them; fields in AS_WRITTEN on one line, at most 998 characters (RFC 5322)."""

    def fold_binary(self, name: str, value: Any) -> bytes:
        if name.lower() in AS_WRITTEN:
            return f"{name}: {value}{self.linesep}".encode("ascii")
        return super().fold_binary(name, value)


_POLICY = _Policy(linesep="\r\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """The words of a message."""

    subject: str
    text: str
    html: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """A message with all that its words and its head need."""

    message: Message
    person: Person
    to: str
    relay: Relay
    #: name of the first message of the same matter to the same person; None: this is it
    first_name: str | None
    #: address under which one leaves; None: there is no key to make it with
    leave_link: str | None
    #: address under which one confirms a new address; None: the message is about no new address
    confirm_link: str | None = None


def mime_of(letter: Letter, outgoing: Outgoing) -> bytes:
    """The document as it goes over the wire."""
    made = EmailMessage(policy=_POLICY)
    for name, value in _head(letter, outgoing).items():
        made[name] = value
    made.set_content(letter.text, cte="quoted-printable")
    made.add_alternative(letter.html, subtype="html", cte="quoted-printable")
    made.set_boundary(f"=_{outgoing.message.name}_=")
    return made.as_bytes()


def _head(letter: Letter, outgoing: Outgoing) -> dict[str, str | Address]:
    message, person, relay = outgoing.message, outgoing.person, outgoing.relay
    written = datetime.fromtimestamp(message.written_us // 1_000_000, UTC)
    head: dict[str, str | Address] = {
        "From": Address(SENDER_NAME, addr_spec=relay.sender),
        "To": Address(one_line(person.display_name or person.name), addr_spec=outgoing.to),
        "Subject": one_line(letter.subject),
        "Date": written.strftime("%a, %d %b %Y %H:%M:%S +0000"),
        "Message-ID": message_id(message.name, person, relay),
        "Auto-Submitted": "auto-generated",
    }
    if outgoing.first_name is not None:
        first = message_id(outgoing.first_name, person, relay)
        head |= {"In-Reply-To": first, "References": first}
    return head | _leaving(outgoing.leave_link)


def _leaving(link: str | None) -> dict[str, str]:
    """RFC 8058 section 3.1: one click is for an https address alone."""
    if link is None:
        return {}
    one_click = {"List-Unsubscribe-Post": "List-Unsubscribe=One-Click"} if link.startswith("https:") else {}
    return {"List-Unsubscribe": f"<{link}>", **one_click}


def message_id(name: str, person: Person, relay: Relay) -> str:
    """The Message-ID (RFC 5322 section 3.6.4): the person's handle says nothing of who they are."""
    return f"<{name}.{person.handle}@{relay.domain}>"


def one_line(text: str) -> str:
    """A text for a head: no line ends, nothing that turns the direction of what follows."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
