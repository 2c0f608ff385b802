"""
Messages to people: each matter told once, under one Message-ID, whatever the relay does and whenever it dies.

The relay is a real SMTP server (aiosmtpd); messages are read by the standard library's parser. Head fields:
RFC 5322 (Message-ID, References), RFC 3834 (Auto-Submitted), RFC 2369 and RFC 8058 (List-Unsubscribe).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.api.app import new_mailer
from cleanside.ingest.cli import main
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.keeping import accountant
from cleanside.ingest.messages.matters import MATTER_KINDS
from cleanside.ingest.messages.noticing import Noticer
from cleanside.ingest.settings import Settings, load
from cleanside.ingest.store import backup_record, key_file, message_choices, messages, people
from cleanside.ingest.store.messages import Message
from cleanside.ingest.store.models import streams
from cleanside.ingest.writer.resources import Resources
from tests.contract.test_api_fleet import register_worked
from tests.support.mail_sink import LOST, Mail, MailSink
from tests.support.people import invited, quick_passwords, signed_in
from tests.support.serving import Api, batch, in_process

MARA, JONAS = "mara@kargrund.example", "jonas@kargrund.example"
PAGES = "https://filters.example"
DAY_S = 86_400.0


@pytest.fixture
def sink() -> Iterator[MailSink]:
    with MailSink() as running:
        yield running


def settings_of(url: str, sink: MailSink, **more: Any) -> Settings:
    flags = {"smtp_host": "127.0.0.1", "smtp_port": sink.port, "smtp_security": "none"}
    flags |= {"smtp_sender": "filters@kargrund.example", "public_address": PAGES, "database": url}
    return load(flags=flags | more, environ={})


@pytest.fixture
def api(database_url: str, sink: MailSink, tmp_path: Path) -> Iterator[Api]:
    key_file.create(tmp_path / "keys")
    settings = settings_of(database_url, sink, webhook_key_file=str(tmp_path / "keys"))
    with in_process(database_url, settings=settings) as running:
        quick_passwords(running)
        yield running


@contextmanager
def mailing(api: Api, **more: Any) -> Iterator[None]:
    """A mailer over the app in this process; waits are on the test's clock."""
    mailer = new_mailer(api.services, jitter=lambda: 0.0, pause_s=0.01, **more)
    mailer.start()
    try:
        yield
    finally:
        api.resources.stopping.set()
        mailer.join()
        api.resources.stopping.clear()


def chooses(api: Api, name: str, address: str, **chosen: Any) -> int:
    """A person who may sign in and wants all alerts at an address. Returns their number."""
    return choose(api, name, {"address": address, "alerts": MATTER_KINDS} | chosen)


def choose(api: Api, name: str, chosen: dict[str, Any]) -> int:
    with api.resources.reading() as connection:
        person_id = next(one.id for one in people.every(connection) if one.name == name)
    api.resources.writer.call(lambda c: message_choices.keep(c, person_id, **chosen))
    return person_id


def look_first(api: Api) -> None:
    """What is wrong at the first look is no news: let it pass."""
    with mailing(api):
        wait_until(lambda: rules_looked(api))
    api.clock.advance(60)


def rules_looked(api: Api) -> bool:
    with api.resources.reading() as connection:
        owner = people.every(connection)[0].owner_id
        return message_choices.rules_of(connection, owner).looked_us is not None


def wait_until(there: Any, within_s: float = 30.0) -> None:
    deadline = time.monotonic() + within_s
    while not there():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def over_limit(api: Api) -> None:
    """A cause: a machine whose restriction rose beyond its limit."""
    register_worked(api, 60, rise_kpa=0.08)


def kept(api: Api) -> list[Message]:
    """The messages of the database, oldest first."""
    with api.resources.reading() as connection:
        owner = people.every(connection)[0].owner_id
        return messages.list_of(connection, owner)[::-1]


def states(api: Api) -> list[tuple[str, int, str | None]]:
    return [(one.state, one.tries, one.reason) for one in kept(api)]


def advance_to_next_try(api: Api, seconds: float = 3_600) -> None:
    """Once the failure is written down, which puts the next try off, let the wait pass."""
    wait_until(lambda: any(one.next_us > api.clock.now_us for one in kept(api)))
    api.clock.advance(seconds)


def test_a_new_address_is_sent_its_link_and_nothing_is_kept_of_it(api: Api, sink: MailSink) -> None:
    mara = signed_in(api, "mara.lindt", "planner")
    mara.request("PATCH", "/v1/me/messages", {"address": MARA, "alerts": ["over_limit"]})
    with mailing(api):
        [mail] = sink.wait_for(1)
    link = next(line for line in mail.part("plain").splitlines() if "/messages/address?code=" in line)
    assert str(mail.parsed["To"]).endswith(f"<{MARA}>")
    assert mail.parsed["List-Unsubscribe"] is None
    code = link.partition("code=")[2].rpartition(".")[2].strip()
    with api.resources.reading() as connection:
        found = connection.execute(sa.text("SELECT about FROM messages")).scalars().all()
        assert not any(code in about for about in found)
    path = link.strip().removeprefix(PAGES)
    own = {"Sec-Fetch-Site": "same-origin"}
    assert api.request("POST", path, key=None, headers=own).status_code == 200
    assert mara.get("/v1/me/messages").json()["address"] == MARA


def test_a_machine_over_its_limit_is_told_once_text_first(api: Api, sink: MailSink) -> None:
    signed_in(api, "mara.lindt", "planner", display_name="Mara Lindt")
    chooses(api, "mara.lindt", MARA)
    look_first(api)
    over_limit(api)
    with mailing(api):
        [mail] = sink.wait_for(1)
        api.clock.advance(600)
        wait_until(lambda: states(api)[0][0] == "sent")
    parsed = mail.parsed
    assert mail.subject == "grader-07 is over its change limit"
    assert str(parsed["To"]) == f"Mara Lindt <{MARA}>"
    assert parsed["Auto-Submitted"] == "auto-generated"
    assert parsed.get_content_type() == "multipart/alternative"
    assert [part.get_content_type() for part in parsed.iter_parts()] == ["text/plain", "text/html"]
    assert "Change the element now." in mail.part("plain")
    assert f"{PAGES}/machines/grader-07" in mail.part("plain")
    assert "secured and locked out" in mail.part("plain"), "the caution goes with the advice"
    assert_one_click(mail)
    assert len(sink.received) == 1


def assert_one_click(mail: Mail) -> None:
    """RFC 8058 section 3.1: an https address, and the field that says what one POSTs there."""
    assert str(mail.parsed["List-Unsubscribe"]).startswith(f"<{PAGES}/messages/leave?code=")
    assert mail.parsed["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"


def test_nothing_is_loaded_from_anywhere_and_no_link_leads_elsewhere(api: Api, sink: MailSink) -> None:
    signed_in(api, "mara.lindt", "planner")
    chooses(api, "mara.lindt", MARA)
    look_first(api)
    over_limit(api)
    with mailing(api):
        [mail] = sink.wait_for(1)
    html = mail.part("html")
    assert "<img" not in html
    assert "<script" not in html
    assert "url(" not in html
    links = [piece.partition('"')[0] for piece in html.split('href="')[1:]]
    assert links
    assert all(link.startswith(PAGES) for link in links)


def test_a_resend_is_the_same_message(api: Api, sink: MailSink) -> None:
    """Lost replies and refusals for now: tried again, until taken, the same bytes under one Message-ID."""
    signed_in(api, "mara.lindt", "planner")
    chooses(api, "mara.lindt", MARA)
    look_first(api)
    sink.answers = ["451 later", LOST, "452 disk full"]
    over_limit(api)
    with mailing(api):
        for came in (1, 2, 3):
            sink.wait_for(came)
            advance_to_next_try(api)
        received = sink.wait_for(4)
        wait_until(lambda: states(api)[0][0] == "sent")
    assert len({mail.content for mail in received}) == 1
    assert states(api) == [("sent", 4, None)]


def test_an_address_that_bounces_is_given_up_at_once_and_holds_up_no_other(api: Api, sink: MailSink) -> None:
    for name, address in (("mara.lindt", MARA), ("jonas.reit", JONAS)):
        signed_in(api, name, "planner")
        chooses(api, name, address)
    look_first(api)
    sink.refused[MARA] = "550 5.1.1 no such mailbox"
    over_limit(api)
    with mailing(api):
        sink.wait_for(1)
        wait_until(lambda: {state for state, *_ in states(api)} == {"sent", "given_up"})
    assert [mail.to for mail in sink.received] == [JONAS]
    assert ("given_up", 1, "550 5.1.1 no such mailbox") in states(api)


def test_a_receiver_that_says_nothing_holds_up_no_other(api: Api, sink: MailSink) -> None:
    for name, address in (("mara.lindt", MARA), ("jonas.reit", JONAS)):
        signed_in(api, name, "planner")
        chooses(api, name, address)
    look_first(api)
    sink.held = {MARA}
    sink.may_answer.clear()
    over_limit(api)
    with mailing(api):
        sink.wait_for(2)
        wait_until(lambda: "sent" in {state for state, *_ in states(api)})
        assert {state for state, *_ in states(api)} == {"sent", "waiting"}
        sink.may_answer.set()
        wait_until(lambda: {state for state, *_ in states(api)} == {"sent"})
    assert len(sink.of(MARA)) == len(sink.of(JONAS)) == 1


def test_what_is_not_taken_for_days_is_given_up(api: Api, sink: MailSink) -> None:
    signed_in(api, "mara.lindt", "planner")
    chooses(api, "mara.lindt", MARA)
    look_first(api)
    sink.answers = ["451 later"] * 2
    over_limit(api)
    with mailing(api):
        sink.wait_for(1)
        advance_to_next_try(api, 3 * DAY_S)
        wait_until(lambda: ("given_up", 2, "451 later") in states(api))


def test_a_person_hears_of_their_sites_and_of_what_their_role_sees(api: Api, sink: MailSink) -> None:
    signed_in(api, "mara.lindt", "technician", sites=["oberkies"])
    chooses(api, "mara.lindt", MARA)
    signed_in(api, "jonas.reit", "planner")
    chooses(api, "jonas.reit", JONAS)
    invited(api, "tom.velt", "planner")  # has not come in yet
    chooses(api, "tom.velt", "tom@kargrund.example")
    look_first(api)
    over_limit(api)  # at no site
    with mailing(api):
        sink.wait_for(1)
        wait_until(lambda: {state for state, *_ in states(api)} == {"sent"})
    assert [mail.to for mail in sink.received] == [JONAS]


def test_a_matter_that_is_settled_is_told_as_a_reply(api: Api, sink: MailSink) -> None:
    signed_in(api, "mara.lindt", "planner")
    chooses(api, "mara.lindt", MARA)
    look_first(api)
    over_limit(api)
    with mailing(api):
        sink.wait_for(1)
        wait_until(lambda: {state for state, *_ in states(api)} == {"sent"})
        limit = {"value": 8.0, "unit": "kPa"}  # it was entered wrongly
        assert api.post("/v1/machines/grader-07/terminal-restriction", limit).status_code == 200
        api.clock.advance(60)
        first, settled = sink.wait_for(2)
    assert settled.subject == "grader-07 is no longer over its change limit"
    assert settled.parsed["In-Reply-To"] == first.id
    assert settled.id != first.id


def test_the_database_holds_no_link_to_leave(api: Api, sink: MailSink) -> None:
    signed_in(api, "mara.lindt", "planner")
    chooses(api, "mara.lindt", MARA)
    look_first(api)
    over_limit(api)
    with mailing(api):
        [mail] = sink.wait_for(1)
    code = str(mail.parsed["List-Unsubscribe"]).partition("code=")[2].rstrip(">")
    with api.resources.reading() as connection:
        rows = connection.execute(sa.text("SELECT * FROM messages")).all()
    assert code.rpartition(".")[2] not in repr(rows)


# ---------------------------------------------------------------- the digest


DAILY = {"zone": "Europe/Vienna", "digest": "daily", "digest_at": "06:30", "digest_day": "2026-02-22"}
NAME = "<b>Grader</b> \N{HEBREW LETTER SHIN}\N{HEBREW LETTER LAMED} 🚜 " + "W" * 64


def a_site_with_work(api: Api) -> None:
    """A machine over its limit, of a hostile name, at a site; its part is out of stock; a plan passed."""
    over_limit(api)
    assert api.request("PATCH", "/v1/machines/grader-07", json={"display_name": NAME}).status_code == 200
    assert (
        api.post("/v1/sites", {"site": "oberkies", "display_name": "Oberkies, upper pit"}).status_code == 200
    )
    papers = {"site": "oberkies", "housings": [{"housing": "main", "primary_part": "KG-0715"}]}
    assert api.request("PATCH", "/v1/machines/grader-07/papers", json=papers).status_code == 200
    part = {"part": "KG-0715", "description": "primary element", "lead_time_days": 3}
    assert api.post("/v1/parts", part | {"stock": [{"site": "oberkies", "pieces": 0}]}).status_code == 200
    inspected = {"changed_at": "2026-02-22T10:00:00Z", "housing": "main", "what": "inspected", "note": ""}
    assert api.post("/v1/machines/grader-07/element-changes", inspected).status_code == 200


def digest_of(api: Api, sink: MailSink) -> Mail:
    a_site_with_work(api)
    api.clock.now_us = parse_instant("2026-02-23T05:29:00Z").us  # 06:29 in Vienna
    with mailing(api):
        wait_until(lambda: rules_looked(api))
        assert sink.received == []
        api.clock.advance(60)
        [mail] = sink.wait_for(1)
        api.clock.advance(3_600)
        wait_until(lambda: {state for state, *_ in states(api)} == {"sent"})
    assert len(sink.received) == 1, "once a day"
    return mail


def test_a_digest_says_by_site_what_to_change_what_to_order_and_what_was_done(
    api: Api, sink: MailSink
) -> None:
    signed_in(api, "mara.lindt", "planner")
    chooses(api, "mara.lindt", MARA, **DAILY, alerts=())
    mail = digest_of(api, sink)
    assert mail.subject == "What is due: Mon 23 Feb"
    assert mail.parsed["Message-ID"].startswith("<digest.2026-02-23.p")
    text = mail.part("plain")
    for said in ("OBERKIES, UPPER PIT", "To change", "Mon 23 Feb", "Done", "To order", "1 × KG-0715"):
        assert said in text, said
    assert "Times in CET, Europe/Vienna." in text
    assert_one_click(mail)


def test_a_hostile_name_is_only_a_name(api: Api, sink: MailSink) -> None:
    signed_in(api, "mara.lindt", "planner", display_name='Mara "<script>" Lindt, \N{HEBREW LETTER SHIN}')
    chooses(api, "mara.lindt", MARA, **DAILY)
    mail = digest_of(api, sink)
    assert NAME in mail.part("plain")
    assert "<b>Grader" not in mail.part("html")
    assert "&lt;b&gt;Grader" in mail.part("html")
    [to] = mail.parsed["To"].addresses
    assert (to.addr_spec, to.display_name) == (MARA, 'Mara "<script>" Lindt, \N{HEBREW LETTER SHIN}')


def test_a_digest_in_german(api: Api, sink: MailSink) -> None:
    mara = signed_in(api, "mara.lindt", "planner")
    assert mara.request("PATCH", "/v1/me", {"language": "de"}).status_code == 200
    chooses(api, "mara.lindt", MARA, **DAILY)
    mail = digest_of(api, sink)
    assert mail.subject == "Was ansteht: Mo. 23. Feb."
    assert "Zu bestellen" in mail.part("plain")


def test_a_day_without_anything_to_say_has_no_digest(api: Api, sink: MailSink) -> None:
    signed_in(api, "mara.lindt", "planner")
    chooses(api, "mara.lindt", MARA, digest="daily", digest_at="06:30", digest_day="2026-03-01")
    with mailing(api):
        wait_until(lambda: digest_day(api) == "2026-03-02")
    assert sink.received == []


def digest_day(api: Api) -> str | None:
    with api.resources.reading() as connection:
        person = people.named(connection, "mara.lindt", None)[0]
        return message_choices.of(connection, person.id).digest_day


# ---------------------------------------------------------------- the backup


def test_a_backup_that_fails_and_one_that_is_made_again(
    api: Api, backend: str, sink: MailSink, tmp_path: Path
) -> None:
    """The command runs beside the server, which has the database to itself."""
    if backend != "sqlite":
        return  # its own tools, and a record by the settings: test_backup
    signed_in(api, "ada.holm", "admin")
    chooses(api, "ada.holm", MARA)
    look_first(api)
    command = ["backup", "--database", api.url, "--to"]
    assert main([*command, str(tmp_path)]) == 2  # it is there already: a wrong call, and no failure
    (tmp_path / "file").touch()
    assert main([*command, str(tmp_path / "file" / "new.backup")]) == 2
    with mailing(api):
        [failed] = sink.wait_for(1)
        assert main([*command, str(tmp_path / "new.backup")]) == 0
        api.clock.advance(60)
        _, made = sink.wait_for(2)
    assert failed.subject == "The backup failed"
    assert "cannot be made" in failed.part("plain")
    assert made.subject == "The backup was made again"
    assert made.parsed["In-Reply-To"] == failed.id


@pytest.mark.parametrize("content", ["", "{", "[]", '{"failed": 1, "other": 2}'])
def test_a_record_that_cannot_be_read_says_nothing(tmp_path: Path, content: str) -> None:
    record = tmp_path / "record"
    record.write_text(content)
    assert backup_record.read(record) is None
    backup_record.note_failed(record, "no space")
    assert backup_record.read(record) == backup_record.BackupRecord(failed=1, why="no space")


# ---------------------------------------------------------------- webhooks, escalation


def test_webhooks_get_the_same_matters_without_a_mail_server(sqlite_database_url: str) -> None:
    with in_process(sqlite_database_url) as api:
        types = ["cleanside.matter.opened", "cleanside.matter.settled"]
        hook = api.post("/v1/webhooks", {"url": "https://shop.example/", "types": types}).json()["webhook"]
        owner = 1
        quick_passwords(api)
        signed_in(api, "mara.lindt", "planner")
        chooses(api, "mara.lindt", MARA, **DAILY)
        with mailing(api):
            wait_until(lambda: looked_at(api, owner))
            over_limit(api)
            api.clock.advance(60)
            wait_until(lambda: len(matter_events(api, hook)) == 1)
            limit = {"value": 8.0, "unit": "kPa"}
            assert api.post("/v1/machines/grader-07/terminal-restriction", limit).status_code == 200
            api.clock.advance(60)
            wait_until(lambda: len(matter_events(api, hook)) == 2)
        opened, settled = matter_events(api, hook)
        assert states(api) == [], "once there is a mail server, no old messages come"
    assert (opened["type"], settled["type"]) == tuple(types)
    assert opened["subject"] == "machines/grader-07/housings/main"
    assert opened["data"].items() >= {"kind": "over_limit", "machine": "grader-07", "severity": 1}.items()
    assert opened["data"]["matter"] == settled["data"]["matter"]


def looked_at(api: Api, owner: int) -> bool:
    with api.resources.reading() as connection:
        return message_choices.rules_of(connection, owner).looked_us is not None


def matter_events(api: Api, hook: int) -> list[dict[str, Any]]:
    found = api.get(f"/v1/webhooks/{hook}/deliveries").json()["deliveries"]
    return [entry for entry in found if ".matter." in entry["type"]]


def test_what_no_person_answers_goes_once_to_whom_the_shop_says(api: Api, sink: MailSink) -> None:
    mara = signed_in(api, "mara.lindt", "planner")
    chooses(api, "mara.lindt", MARA)
    signed_in(api, "jonas.reit", "operator")
    chooses(api, "jonas.reit", JONAS, alerts=())
    rules = {"person": "jonas.reit", "escalate_after_h": 2}
    assert api.request("PATCH", "/v1/message-rules", json=rules).status_code == 200
    look_first(api)
    over_limit(api)
    with mailing(api):
        sink.wait_for(1)
        api.clock.advance(2 * 3_600)
        _, escalated = sink.wait_for(2)
        api.clock.advance(4 * 3_600)
        wait_until(lambda: {state for state, *_ in states(api)} == {"sent"})
    assert (escalated.to, escalated.subject) == (JONAS, "No answer yet: grader-07 is over its change limit")
    assert "no person has said" in escalated.part("plain")
    assert escalated.parsed["List-Unsubscribe"] is None, "an admin chose it for them"
    assert len(sink.received) == 2
    [matter] = mara.get("/v1/matters").json()["matters"]
    assert matter["escalated_at"] is not None


def test_an_account_that_does_not_balance_is_news_once_it_was_counted(api: Api) -> None:
    """One count serves monitoring, webhooks and messages: a look counts nothing by itself."""
    signed_in(api, "mara.lindt", "admin")
    chooses(api, "mara.lindt", MARA)
    api.register()
    api.send(batch(1, [3.0, 3.1]))
    write = api.resources.writer.call
    noticer = Noticer(api.resources, lambda *_: (), lambda *_: None, has_relay=True, write=write)
    assert noticer.notice() == 1, "the first look is written down"
    api.resources.writer.call(lambda c: c.execute(sa.update(streams).values(mark=9, highest=9)))
    api.clock.advance(DAY_S)
    assert noticer.notice() == 0
    api.resources.counted = accountant.count(
        api.resources.reading, api.resources.clock, stopping=threading.Event()
    )
    assert noticer.notice() == 1
    assert [state for state, _, _ in states(api)] == ["waiting"]


def test_a_mailer_that_waits_for_the_database_logs_what_the_driver_said(
    api: Api, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And not the sentence for clients, which asks them to send again."""

    def away(_: Resources) -> None:
        raise TryAgain("store_unavailable", code="store_unavailable") from OSError(111, "Connection refused")

    def waits() -> set[str]:
        lines = [line for line in caplog.records if line.getMessage() == "ingest.mail_waits"]
        return {line.__dict__["reason"] for line in lines}

    monkeypatch.setattr(Resources, "reading", away)
    with caplog.at_level("INFO", "cleanside.ingest"), mailing(api):
        wait_until(waits)
    assert waits() == {"Connection refused"}


def test_the_page_names_a_machine_over_its_limit_though_no_person_gets_messages(api: Api) -> None:
    """Matters are looked for only where messages go out; what cannot wait stands on the page all the same."""
    register_worked(api, 10, new_at_hour=10, rise_kpa=0.3)
    assert api.get("/v1/fleet").json()["by_state"] == {"over": 1}
    assert api.get("/v1/matters").json()["matters"] == []
    mara = signed_in(api, "mara.lindt", "planner")
    page = mara.get("/messages").text
    assert "Nothing is open" not in page
    assert '<a href="/machines/grader-07">' in page
