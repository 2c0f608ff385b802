"""
A mail server for tests: a real SMTP server (aiosmtpd) on loopback that keeps what came and answers as told.

Promises: a message is kept before it is answered. It is read by the standard library's parser, which shares
nothing with what wrote it but the RFCs.
"""

from __future__ import annotations

import asyncio
import ssl
import threading
import time
from dataclasses import dataclass
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

#: instead of an answer: the connection is cut, once the message was kept
LOST = "lost"
TAKEN = "250 taken"


@dataclass(frozen=True)
class Mail:
    """One message as it came."""

    to: str
    content: bytes

    @property
    def parsed(self) -> EmailMessage:
        """Its head and its parts."""
        parsed = message_from_bytes(self.content, policy=policy.default)
        assert isinstance(parsed, EmailMessage)
        return parsed

    @property
    def id(self) -> str:
        """Its Message-ID."""
        return str(self.parsed["Message-ID"])

    @property
    def subject(self) -> str:
        """Its subject, decoded."""
        return str(self.parsed["Subject"])

    def part(self, subtype: str) -> str:
        """The text of a part: plain or html."""
        body = self.parsed.get_body((subtype,))
        assert body is not None
        return str(body.get_content())


class MailSink:
    """Use as a context manager."""

    def __init__(self, *, tls: ssl.SSLContext | None = None, login: tuple[str, str] | None = None) -> None:
        """tls : STARTTLS is asked for. login : user and password that are asked for."""
        self.received: list[Mail] = []
        #: answers to the next messages, in turn; then TAKEN
        self.answers: list[str] = []
        #: address -> answer to it as a recipient
        self.refused: dict[str, str] = {}
        #: recipients whose messages are kept and not answered while `may_answer` is cleared; None: all
        self.held: set[str] | None = None
        self.may_answer = threading.Event()
        self.may_answer.set()
        self.lock = threading.Lock()
        self._tls, self._login = tls, login
        self._sessions: list[SMTP] = []
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self.port = 0

    @property
    def flags(self) -> tuple[str, ...]:
        """What a server is started with, so that it sends here."""
        return (
            *("--smtp-host", "127.0.0.1", "--smtp-port", str(self.port), "--smtp-security", "none"),
            *("--smtp-sender", "filters@kargrund.example", "--public-address", "https://filters.example"),
        )

    def __enter__(self) -> MailSink:
        self._thread.start()
        listening = self._loop.create_server(self._new_session, "127.0.0.1", 0)
        self._server = asyncio.run_coroutine_threadsafe(listening, self._loop).result(30)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    def __exit__(self, *_: object) -> None:
        self.may_answer.set()
        asyncio.run_coroutine_threadsafe(self._end(), self._loop).result(30)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    async def _end(self) -> None:
        self._server.close()
        await self._server.wait_closed()
        left = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)
        for session in self._sessions:
            if isinstance(session.transport, asyncio.WriteTransport):
                session.transport.abort()  # else a socket of a slow machine would outlive the loop
        await asyncio.sleep(0)  # what closes them is called next
        await self._loop.shutdown_default_executor()

    def _new_session(self) -> SMTP:
        more: dict[str, Any] = {}
        if self._login is not None:
            more |= {"authenticator": self._authenticate, "auth_required": True}
            more |= {"auth_require_tls": self._tls is not None}
        if self._tls is not None:
            more |= {"tls_context": self._tls, "require_starttls": True}
        self._sessions.append(SMTP(self, hostname="sink.test", loop=self._loop, **more))
        return self._sessions[-1]

    def _authenticate(self, _server: SMTP, _s: Session, _e: Envelope, _m: str, given: Any) -> AuthResult:
        assert isinstance(given, LoginPassword)
        shown = (given.login.decode(), given.password.decode())
        return AuthResult(success=shown == self._login, handled=False)

    async def handle_RCPT(self, _s: SMTP, _x: Session, envelope: Envelope, to: str, _o: list[str]) -> str:
        """A recipient is taken, or refused as told."""
        if to in self.refused:
            return self.refused[to]
        envelope.rcpt_tos.append(to)
        return "250 fine"

    async def handle_DATA(self, server: SMTP, _session: Session, envelope: Envelope) -> str:
        """A message is kept, then answered."""
        to, content = envelope.rcpt_tos[0], envelope.content
        assert isinstance(content, bytes)
        with self.lock:
            self.received.append(Mail(to, content))
            answer = self.answers.pop(0) if self.answers else TAKEN
        if self.held is None or to in self.held:
            await self._loop.run_in_executor(None, self.may_answer.wait, 30.0)
        if answer == LOST:
            assert isinstance(server.transport, asyncio.Transport)
            server.transport.abort()
        return answer

    def wait_for(self, count: int, *, within_s: float = 30.0) -> list[Mail]:
        """Until so many messages came."""
        deadline, waiting = time.monotonic() + within_s, threading.Event()
        while len(self.received) < count:
            assert time.monotonic() < deadline, f"{len(self.received)} of {count} came"
            waiting.wait(0.02)
        return list(self.received)

    def of(self, to: str) -> list[Mail]:
        """What came for an address."""
        return [mail for mail in list(self.received) if mail.to == to]
