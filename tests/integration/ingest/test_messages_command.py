"""The command `messages test`, and the way to the mail server: TLS, authentication, wrong settings."""

from __future__ import annotations

import asyncio
import ssl
from pathlib import Path
from typing import Any

import aiosmtplib
import pytest
import trustme

from cleanside.ingest.cli import main
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.messages import smtp
from cleanside.ingest.messages.smtp import Unsent, relay_of, send, unsent_of
from cleanside.ingest.settings import load
from cleanside.ingest.store import fleet, message_choices, people
from tests.support.coded import refused
from tests.support.databases import opened
from tests.support.mail_sink import MailSink

MARA = "mara@kargrund.example"
PASSWORD = "gravel-and-lime-42"
FLAGS = {
    "smtp_host": "127.0.0.1",
    "smtp_security": "none",
    "smtp_sender": "filters@kargrund.example",
    "public_address": "https://filters.example",
}


@pytest.fixture
def person(sqlite_database_url: str) -> str:
    with opened(sqlite_database_url) as engine, engine.begin() as connection:
        owner = fleet.keep_owner(connection, "own", 0)
        values = {"owner_id": owner, "name": "mara.lindt", "handle": "p00000001", "role": "planner"}
        values |= {"display_name": "Mara Lindt", "created_us": 1, "who": "command"}
        made = people.create(connection, sites=(), **values)
        message_choices.keep(connection, made.id, address=MARA, zone="Europe/Vienna")
    return sqlite_database_url


def words(url: str, port: int, **more: Any) -> list[str]:
    flags = FLAGS | {"database": url, "smtp_port": port} | more
    given = [(f"--{name.replace('_', '-')}", str(value)) for name, value in flags.items()]
    return ["messages", "test", "mara.lindt", *(word for pair in given for word in pair)]


def test_a_message_goes_out_and_the_command_says_to_where(
    person: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with MailSink() as sink:
        assert main(words(person, sink.port)) == 0
        [mail] = sink.received
        assert main([*words(person, sink.port), "--to", "else@kargrund.example"]) == 0
    assert mail.to == MARA
    assert mail.subject == "Messages from cleanside arrive here"
    assert mail.id in capsys.readouterr().out
    assert sink.received[1].to == "else@kargrund.example"


def test_what_the_mail_server_says_is_said(person: str, capsys: pytest.CaptureFixture[str]) -> None:
    with MailSink() as sink:
        sink.refused[MARA] = "550 5.1.1 no such mailbox"
        assert main(words(person, sink.port)) == 2
    assert "550 5.1.1 no such mailbox" in capsys.readouterr().err


def test_a_person_that_is_not_there_and_one_without_an_address(
    person: str, capsys: pytest.CaptureFixture[str]
) -> None:
    unknown = ["messages", "test", "nobody", *words(person, 9)[3:]]
    assert main(unknown) == 2
    with opened(person) as engine, engine.begin() as connection:
        [mara] = people.named(connection, "mara.lindt", None)
        message_choices.keep(connection, mara.id, address="")
    assert main(words(person, 9)) == 2
    said = capsys.readouterr().err
    assert "people list" in said
    assert "--to" in said


# ---------------------------------------------------------------- TLS and authentication


def relay(port: int, **more: Any) -> smtp.Relay:
    flags = FLAGS | {"smtp_port": port, "database": "sqlite:////nowhere.db"} | more
    made = relay_of(load(flags=flags, environ={}))
    assert made is not None
    return made


@pytest.mark.parametrize(
    ("shown", "password", "code"),
    [
        ("localhost", PASSWORD, None),
        ("localhost", "mistyped", "password_refused"),
        ("other.example", PASSWORD, "certificate"),
    ],
)
def test_a_password_goes_to_the_server_of_that_name_alone(
    tmp_path: Path, shown: str, password: str, code: str | None
) -> None:
    """STARTTLS (RFC 3207) with the name checked, then AUTH (RFC 4954); the password is in no failure."""
    authority = trustme.CA()
    server, trusted = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), ssl.create_default_context()
    authority.issue_cert(shown).configure_cert(server)
    authority.configure_trust(trusted)
    (tmp_path / "password").write_text(f"{password}\n")
    more = {"smtp_security": "starttls", "smtp_host": "localhost", "smtp_user": "filters"}
    more |= {"smtp_password_file": str(tmp_path / "password")}
    with MailSink(tls=server, login=("filters", PASSWORD)) as sink:
        unsent = asyncio.run(send(relay(sink.port, **more), MARA, b"Subject: x\r\n\r\ny\r\n", trusted))
        assert len(sink.received) == (code is None)
    assert (unsent is None) == (code is None)
    if unsent is not None:
        assert unsent.why.code == code
        assert password not in unsent.why.detail
        assert not unsent.is_final, "a person corrects the settings, and the message goes then"


def test_a_server_without_starttls_gets_nothing() -> None:
    with MailSink() as sink:
        unsent = asyncio.run(
            send(relay(sink.port, smtp_security="starttls"), MARA, b"x", ssl.create_default_context())
        )
        assert sink.received == []
    assert unsent is not None


@pytest.mark.parametrize(
    ("error", "is_final"),
    [
        (aiosmtplib.SMTPRecipientsRefused([aiosmtplib.SMTPRecipientRefused(550, "no", MARA)]), True),
        (aiosmtplib.SMTPRecipientsRefused([aiosmtplib.SMTPRecipientRefused(450, "later", MARA)]), False),
        (aiosmtplib.SMTPDataError(552, "too large"), True),
        (aiosmtplib.SMTPDataError(452, "disk full"), False),
        (aiosmtplib.SMTPSenderRefused(550, "not you", "x"), False),
        (aiosmtplib.SMTPHeloError(554, "no"), False),
        (aiosmtplib.SMTPServerDisconnected("gone"), False),
        (ConnectionRefusedError(111, "Connection refused"), False),
    ],
)
def test_final_is_what_the_server_says_of_recipient_or_content(error: Exception, is_final: bool) -> None:
    """RFC 5321, section 4.2.1."""
    assert unsent_of(error).is_final == is_final
    assert isinstance(unsent_of(error), Unsent)


# ---------------------------------------------------------------- settings


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"smtp_sender": ""}, "smtp_sender_not_an_address"),
        ({"public_address": ""}, "mail_needs_public_address"),
        ({"smtp_user": "filters"}, "smtp_user_without_password"),
        ({"smtp_host": "mail.kargrund.example"}, "smtp_in_the_clear"),
        ({"database": "postgresql://localhost/x"}, "mail_needs_key_file"),
    ],
)
def test_settings_that_do_not_fit_together_are_refused_before_anything_begins(
    more: dict[str, str], code: str
) -> None:
    flags = FLAGS | {"database": "sqlite:////nowhere.db"} | more
    with refused(CalledWrongly, code):
        relay_of(load(flags=flags, environ={}))


def test_without_a_mail_server_there_is_nothing_to_check() -> None:
    assert relay_of(load(flags={"database": "sqlite:////nowhere.db"}, environ={})) is None
