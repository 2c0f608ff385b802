"""Why a message was not handed over. Leaves to others: what failed (`ingest.messages.mailer`)."""

from __future__ import annotations

from typing import ClassVar

from cleanside.gateway.wire import Sentences
from cleanside.ingest.store.coded_failures import CodedFailure

#: code -> sentence; the relay is the mail server of the settings
SENTENCES: Sentences = {
    "no_address": "the person has no address, or may not sign in",
    "no_link": "its link cannot be made: the server's key file does not open",
    "not_written": "it could not be written: {error}",
    "no_answer": "the mail server did not take it within {seconds:g} s",
    "password_refused": "the relay refused user and password: {status}",
    "answered": "{status} {detail}",
    "name_not_found": "the name of the mail server was not found: {detail}",
    "no_connection": "no connection to the mail server: {detail}",
    "certificate": "the certificate of the mail server was not accepted: {detail}",
    "broken_off": "the connection to the mail server broke off: {detail}",
    "not_sent": "it could not be sent: {detail}",
}


class MessageFailure(CodedFailure):
    """Why a try of a message failed."""

    __slots__ = ()
    sentences: ClassVar[Sentences] = SENTENCES
