"""What an error on the way to the mail server is, as a code with values."""

from __future__ import annotations

import socket
import ssl
from typing import get_args

import aiosmtplib
import pytest

from cleanside.ingest.api.routes.described_kinds import MessageFailureCode
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from cleanside.ingest.messages.smtp import unsent_of
from cleanside.ingest.store.coded_failures import MOST, document
from cleanside.ingest.store.message_failures import SENTENCES


def caused(error: Exception, cause: Exception) -> Exception:
    error.__cause__ = cause
    return error


def refused(code: int) -> aiosmtplib.SMTPRecipientsRefused:
    return aiosmtplib.SMTPRecipientsRefused(
        [aiosmtplib.SMTPRecipientRefused(code, "no such box", "a@b.example")]
    )


# Which replies are final: RFC 5321 section 4.2.1.
@pytest.mark.parametrize(
    ("error", "code", "is_final"),
    [
        (caused(aiosmtplib.SMTPConnectError("x"), socket.gaierror(-2, "not known")), "name_not_found", False),
        (caused(aiosmtplib.SMTPConnectError("x"), ConnectionRefusedError(111, "no")), "no_connection", False),
        (
            caused(aiosmtplib.SMTPConnectError("x"), ssl.SSLCertVerificationError("failed")),
            "certificate",
            False,
        ),
        (aiosmtplib.SMTPServerDisconnected("Connection lost"), "broken_off", False),
        (aiosmtplib.SMTPAuthenticationError(535, "user bob"), "password_refused", False),
        (refused(550), "answered", True),
        (refused(451), "answered", False),
        (aiosmtplib.SMTPSenderRefused(550, "who", "a@b.example"), "answered", False),
        (ValueError("what"), "not_sent", False),
        (FileNotFoundError(2, "no such file"), "not_sent", False),
    ],
)
def test_an_error_has_its_code_and_a_sentence(error: Exception, code: str, is_final: bool) -> None:
    unsent = unsent_of(error)
    assert (unsent.why.code, unsent.is_final) == (code, is_final)
    assert 0 < len(unsent.why.detail) <= MOST


def test_what_a_mail_server_says_is_cut_and_of_one_line() -> None:
    failure = unsent_of(aiosmtplib.SMTPDataError(552, "too\r\nbig " * 99)).why
    assert (document(failure) or {})["values"]["detail"].startswith("too big")
    assert len(failure.detail) <= MOST


def test_every_failure_of_a_message_has_words_and_is_described() -> None:
    for language in LANGUAGES:
        assert {f"messages.failed.{code}" for code in SENTENCES} <= table(language).keys()
    assert set(get_args(get_args(MessageFailureCode.__value__)[0])) == set(SENTENCES)
