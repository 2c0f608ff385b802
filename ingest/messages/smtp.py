"""
The way of a message to the mail relay: SMTP with TLS and authentication (RFC 5321, RFC 3207, RFC 4954).

Promises: one try has one limit in all, and can be cancelled. What the relay refuses for good differs
from what it may take later. In the clear only to this machine. The password comes from a file, and is in no
text. aiosmtplib rather than smtplib in a thread: a thread can be neither cancelled nor limited in all, and a
receiver that sends a byte a second would hold it for ever.
Leaves to others: when to try (`ingest.messages.mailer`), what is sent (`ingest.messages.letter`).
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import aiosmtplib

from cleanside.gateway.this_machine import is_loopback
from cleanside.ingest.errors import CalledWrongly, first_kind, why
from cleanside.ingest.messages.choices import is_address
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import database
from cleanside.ingest.store.coded_failures import DETAIL
from cleanside.ingest.store.message_failures import MessageFailure

TRY_MAIL_S = 30.0  # of one message, from the connection to the last answer; chosen
STARTTLS, TLS, IN_THE_CLEAR = "starttls", "tls", "none"
#: kinds of errors of a try, the most telling first
CODES: tuple[tuple[type[BaseException], str], ...] = (
    (socket.gaierror, "name_not_found"),
    (ssl.SSLError, "certificate"),
    (aiosmtplib.SMTPConnectError, "no_connection"),
    (ConnectionError, "broken_off"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Relay:
    """The mail server that takes messages, and who sends them."""

    host: str
    port: int
    security: str
    #: "": it asks for no user
    user: str
    password_file: Path | None
    #: address that messages come from, and that a relay sends word to of what it could not deliver
    sender: str
    #: where people open the pages; without a slash at its end
    pages: str

    @property
    def domain(self) -> str:
        """The domain of the sender: in message ids, and in the greeting."""
        return self.sender.rpartition("@")[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsent:
    """Why the relay did not take a message."""

    why: MessageFailure
    #: True: it never will
    is_final: bool = False


def relay_of(settings: Settings) -> Relay | None:
    """The relay of the settings; None: none is named, so no mail is sent. Raises CalledWrongly."""
    if not settings.smtp_host:
        return None
    _check(settings)
    return Relay(
        host=settings.smtp_host,
        port=settings.smtp_port,
        security=settings.smtp_security,
        user=settings.smtp_user,
        password_file=Path(settings.smtp_password_file) if settings.smtp_password_file else None,
        sender=settings.smtp_sender,
        pages=settings.public_address.rstrip("/"),
    )


def _check(settings: Settings) -> None:
    if not is_address(settings.smtp_sender):
        raise CalledWrongly("smtp_sender_not_an_address", sender=settings.smtp_sender)
    if not settings.public_address.startswith(("https://", "http://")):
        raise CalledWrongly("mail_needs_public_address", address=settings.public_address)
    if bool(settings.smtp_user) != bool(settings.smtp_password_file):
        raise CalledWrongly("smtp_user_without_password")
    if settings.smtp_security == IN_THE_CLEAR and not is_loopback(settings.smtp_host):
        raise CalledWrongly("smtp_in_the_clear", host=settings.smtp_host)
    if database.sqlite_path(settings.database) is None and not settings.webhook_key_file:
        raise CalledWrongly("mail_needs_key_file")


async def send(relay: Relay, to: str, content: bytes, verify: ssl.SSLContext) -> Unsent | None:
    """Hand one message to the relay. Returns why not; None: it took it."""
    try:
        await asyncio.wait_for(_send(relay, to, content, verify), TRY_MAIL_S)
    except TimeoutError:
        return _unsent("no_answer", seconds=TRY_MAIL_S)
    except (aiosmtplib.SMTPException, OSError, ValueError) as error:
        return unsent_of(error)
    return None


async def _send(relay: Relay, to: str, content: bytes, verify: ssl.SSLContext) -> None:
    smtp = aiosmtplib.SMTP(
        hostname=relay.host,
        port=relay.port,
        use_tls=relay.security == TLS,
        start_tls=relay.security == STARTTLS,
        tls_context=None if relay.security == IN_THE_CLEAR else verify,
        local_hostname=relay.domain,
        timeout=TRY_MAIL_S,
    )
    try:
        await smtp.connect()
        if relay.password_file is not None:
            await smtp.login(relay.user, await asyncio.to_thread(_password, relay.password_file))
        await smtp.sendmail(relay.sender, [to], content)
    finally:
        await _hang_up(smtp)


async def _hang_up(smtp: aiosmtplib.SMTP) -> None:
    """Close the connection now: over TLS a mere close waits for the other side, and may outlive this loop."""
    transport = smtp.transport
    smtp.close()
    if isinstance(transport, asyncio.WriteTransport):
        transport.abort()
        await asyncio.sleep(0)  # what closes the socket is called next


def _password(file: Path) -> str:
    return file.read_text("utf-8").strip()


def unsent_of(error: Exception) -> Unsent:
    """
    What an error of a try means. Pure.

    Final is a 5xx about the recipient or the content (RFC 5321 section 4.2.1). A 5xx about the sender, the
    user or the greeting is about the settings: a person corrects them, and the message goes then.
    """
    if isinstance(error, aiosmtplib.SMTPRecipientsRefused):
        return unsent_of(error.recipients[0])
    if isinstance(error, aiosmtplib.SMTPAuthenticationError):
        return _unsent("password_refused", status=error.code)  # its text may have them
    if isinstance(error, aiosmtplib.SMTPResponseException):
        about_message = isinstance(error, aiosmtplib.SMTPRecipientRefused | aiosmtplib.SMTPDataError)
        refused = _unsent("answered", status=error.code, detail=_short(error.message))
        return replace(refused, is_final=about_message and 500 <= error.code < 600)
    return _unsent(first_kind(error, CODES) or "not_sent", detail=_short(why(error)))


def _unsent(code: str, **values: Any) -> Unsent:
    return Unsent(why=MessageFailure(code, values))


def _short(text: str) -> str:
    return " ".join(text.split())[:DETAIL]
