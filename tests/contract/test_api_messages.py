"""What people choose to be told, by the API and on the page; leaving by one click; what an admin sees."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from cleanside.ingest.messages import confirming
from cleanside.ingest.messages.leaving import Leaving, code_of
from cleanside.ingest.settings import load
from cleanside.ingest.store import message_choices, messages, people
from cleanside.ingest.store.coded_failures import document, kept
from cleanside.ingest.store.message_failures import MessageFailure
from tests.support.addresses import confirm_address
from tests.support.matter import a_matter
from tests.support.people import Browser, quick_passwords, said, signed_in
from tests.support.serving import Api, in_process

WISHES = {
    "address": "mara@shop.example",
    "alerts": ["over_limit", "check_first"],
    "digest": "daily",
    "digest_at": "06:30",
    "zone": "Europe/Vienna",
    "quiet_from": "22:00",
    "quiet_until": "06:00",
}
MAIL = {"smtp_host": "127.0.0.1", "smtp_security": "none", "smtp_sender": "filters@shop.example"}


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    flags = MAIL | {"database": sqlite_database_url, "public_address": "https://filters.example"}
    with in_process(sqlite_database_url, settings=load(flags=flags, environ={})) as running:
        quick_passwords(running)
        yield running


@pytest.fixture
def mara(api: Api) -> Browser:
    return signed_in(api, "mara.lindt", "planner")


def mine(browser: Browser) -> dict[str, Any]:
    document: dict[str, Any] = browser.get("/v1/me/messages").json()
    return document


def test_without_a_choice_nothing_is_sent(mara: Browser) -> None:
    found = mine(mara)
    assert (found["address"], found["alerts"], found["digest"]) == ("", [], "none")
    assert found["mail_is_set_up"]


def wish(api: Api, mara: Browser) -> None:
    """She chooses, and confirms her address."""
    assert mara.request("PATCH", "/v1/me/messages", WISHES).status_code == 200
    confirm_address(api, "mara.lindt")


def test_a_person_chooses_and_changes_one_thing_at_a_time(api: Api, mara: Browser) -> None:
    wish(api, mara)
    assert mine(mara).items() >= (WISHES | {"alerts": ["check_first", "over_limit"]}).items()
    mara.request("PATCH", "/v1/me/messages", {"quiet_from": None, "quiet_until": None})
    found = mine(mara)
    assert (found["quiet_from"], found["quiet_until"], found["digest"]) == (None, None, "daily")


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"address": "mara"}, "#/address"),
        ({"address": "a@b.example\r\nBcc: c@d.example"}, "#/address"),
        ({"quiet_from": "22:00"}, "#/quiet_until"),
        ({"digest_at": "25:00"}, "#/digest_at"),
        ({"zone": "Kies/Grube"}, "#/zone"),
        ({"alerts": ["weather"]}, "#/alerts/0"),
        ({"digest": "hourly"}, "#/digest"),
    ],
)
def test_what_cannot_be_is_refused_with_its_place(mara: Browser, wrong: Any, pointer: str) -> None:
    answer = mara.request("PATCH", "/v1/me/messages", wrong)
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, pointer)
    assert mine(mara)["address"] == ""


def test_a_digest_whose_time_is_over_comes_tomorrow_and_the_answer_says_so(api: Api, mara: Browser) -> None:
    """It is 9:00 UTC; the summary is for 6:30 in its person's zone."""
    mara.request("PATCH", "/v1/me/messages", WISHES)
    assert mine(mara)["digest_next_at"] is None, "no address is confirmed yet"
    with api.resources.reading() as connection:
        person = people.named(connection, "mara.lindt", None)[0]
        assert message_choices.of(connection, person.id).digest_day == "2026-03-02"


def test_one_sends_oneself_a_message_once_there_is_a_way(api: Api, mara: Browser) -> None:
    assert said(mara.post("/v1/me/messages/test")) == (409, "no_way_to_person")
    mara.request("PATCH", "/v1/me/messages", WISHES)
    assert said(mara.post("/v1/me/messages/test")) == (409, "no_way_to_person"), "not confirmed yet"
    confirm_address(api, "mara.lindt")
    assert mara.post("/v1/me/messages/test").status_code == 201
    assert mine(mara)["newest_state"] == "waiting"


def test_a_role_is_offered_the_kinds_that_it_may_know_of(api: Api, mara: Browser) -> None:
    ines = signed_in(api, "ines.roth", "technician")
    assert mine(ines)["alerts_there_are"] == ["over_limit", "check_first"]
    assert "out_of_balance" in mine(mara)["alerts_there_are"]


# ---------------------------------------------------------------- matters


def matter_of(api: Api) -> dict[str, Any]:
    return api.resources.writer.call(lambda c: a_matter(c, "grader-07", "mara.lindt"))


def test_who_sees_to_a_matter_says_so_once(api: Api, mara: Browser) -> None:
    made = matter_of(api)
    [matter] = mara.get("/v1/matters").json()["matters"]
    assert (matter["kind"], matter["answered_by"]) == ("over_limit", None)
    jonas = signed_in(api, "jonas.reit", "planner")
    for browser in (mara, jonas):
        answer = browser.post(f"/v1/matters/{made['matter']}/answer")
        assert (answer.status_code, answer.json()["answered_by"]) == (200, "mara.lindt")


@pytest.mark.usefixtures("mara")
def test_a_matter_of_no_site_is_nothing_to_who_sees_some_sites(api: Api) -> None:
    made = matter_of(api)
    tom = signed_in(api, "tom.velt", "technician", sites=["oberkies"])
    assert tom.get("/v1/matters").json()["matters"] == []
    assert said(tom.post(f"/v1/matters/{made['matter']}/answer")) == (404, "unknown_matter")


# ---------------------------------------------------------------- leaving


def link_of(api: Api, kind: str) -> str:
    with api.resources.reading() as connection:
        handle = people.named(connection, "mara.lindt", None)[0].handle
    key = api.resources.webhook_keys.read_or_make(needed=False)[0]
    return f"/messages/leave?code={code_of(key, Leaving(handle, kind))}"


def one_click(api: Api, link: str) -> int:
    """As a mail program sends it: from anywhere, no cookie, no word on where it comes from (RFC 8058)."""
    headers = {"Content-Type": "application/x-www-form-urlencoded"}
    body = b"List-Unsubscribe=One-Click"
    return api.request("POST", link, key=None, headers=headers, content=body).status_code


def test_a_scanner_that_opens_every_link_changes_nothing(api: Api, mara: Browser) -> None:
    wish(api, mara)
    before = mine(mara)
    for kind in ("over_limit", "digest", "test"):
        for method in ("GET", "HEAD"):
            assert api.request(method, link_of(api, kind), key=None).status_code == 200
    assert mine(mara) == before


@pytest.mark.parametrize(
    ("kind", "left"),
    [
        ("over_limit", (["check_first"], "daily")),
        ("digest", (["check_first", "over_limit"], "none")),
        ("test", ([], "none")),
    ],
)
def test_one_click_leaves_that_kind_without_signing_in(
    api: Api, mara: Browser, kind: str, left: tuple[list[str], str]
) -> None:
    wish(api, mara)
    assert one_click(api, link_of(api, kind)) == 200
    assert one_click(api, link_of(api, kind)) == 200, "again: nothing more happens"
    found = mine(mara)
    assert (found["alerts"], found["digest"]) == left
    lines = api.get("/v1/audit?what=messages_left").json()["entries"]
    assert {line["who"] for line in lines} == {"mara.lindt"}


def test_a_link_that_was_made_up_leaves_nothing_and_trying_is_slowed(api: Api, mara: Browser) -> None:
    wish(api, mara)
    link = link_of(api, "over_limit")
    forged = link.replace("over_limit", "check_first")
    assert one_click(api, forged) == one_click(api, f"{link}0") == one_click(api, "/messages/leave") == 404
    assert mine(mara)["alerts"] == ["check_first", "over_limit"]
    stranger = api.from_address("192.0.2.7")
    assert {stranger.get(forged, key=None).status_code for _ in range(80)} == {404, 429}


def test_what_waits_of_a_kind_that_was_left_is_not_sent_any_more(api: Api, mara: Browser) -> None:
    wish(api, mara)
    made = matter_of(api)
    assert api.post(f"/v1/messages/{made['message']}/replay", {}).status_code == 200
    mara.post("/v1/me/messages/test")
    assert one_click(api, link_of(api, "over_limit")) == 200
    left = api.get("/v1/messages").json()["messages"]
    assert [message["kind"] for message in left] == ["test"]
    assert one_click(api, link_of(api, "test")) == 200
    assert api.get("/v1/messages").json()["messages"] == []


# ---------------------------------------------------------------- admins


@pytest.mark.usefixtures("mara")
def test_an_admin_sees_what_was_not_delivered_and_sends_it_again(api: Api) -> None:
    made = matter_of(api)
    [message] = api.get("/v1/messages?state=given_up").json()["messages"]
    assert (message["message"], message["person"], message["kind"]) == (
        made["message"],
        "mara.lindt",
        "over_limit",
    )
    assert 'cleanside_messages{state="given_up"} 1.0' in api.get("/metrics").text
    assert api.post(f"/v1/messages/{made['message']}/replay", {}).status_code == 200
    assert said(api.post(f"/v1/messages/{made['message']}/replay", {})) == (404, "unknown_message")
    with api.resources.reading() as connection:
        assert messages.count_by_state(connection) == {"waiting": 1, "sent": 0, "given_up": 0}


@pytest.mark.usefixtures("mara")
def test_an_admin_says_who_is_told_of_what_no_person_answers(api: Api) -> None:
    assert api.get("/v1/message-rules").json() == {"person": None, "escalate_after_h": 24}
    rules = {"person": "mara.lindt", "escalate_after_h": 8}
    assert api.request("PATCH", "/v1/message-rules", json=rules).json() == rules
    unknown = api.request("PATCH", "/v1/message-rules", json={"person": "nobody"})
    assert said(unknown) == (404, "unknown_person")
    assert api.request("PATCH", "/v1/message-rules", json={"person": None}).json()["person"] is None


# ---------------------------------------------------------------- the page


class Fields(HTMLParser):
    """Names and values of the fields of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: dict[str, str] = {}
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "input" and given.get("name"):
            self.found[str(given["name"])] = str(given.get("value") or "")


def form(browser: Browser, path: str, fields: dict[str, Any]) -> Any:
    return browser.request("POST", path, data=fields)


def test_the_page_keeps_what_was_chosen_and_says_what_is_wrong(api: Api, mara: Browser) -> None:
    assert form(mara, "/messages", WISHES).status_code == 303
    assert Fields(mara.get("/messages").text).found["address"] == "mara@shop.example"
    wrong = form(mara, "/messages", WISHES | {"address": "<b>mara"})
    assert wrong.status_code == 422
    assert "&lt;b&gt;mara" in wrong.text
    assert "<b>mara" not in wrong.text
    confirm_address(api, "mara.lindt")
    assert form(mara, "/messages/test", {}).status_code == 303
    said_next = re.search(r"Next: ([^<]*), if", mara.get("/messages").text)
    assert said_next is not None
    assert said_next[1].endswith(f"{WISHES['zone']})"), "the time is of the summary's zone, the page's is UTC"


def test_the_page_shows_matters_and_for_an_admin_what_was_not_delivered(api: Api, mara: Browser) -> None:
    made = matter_of(api)
    page = mara.get("/messages").text
    assert f"/messages/matters/{made['matter']}/answer" in page
    assert "/messages/rules" not in page
    assert form(mara, f"/messages/matters/{made['matter']}/answer", {}).status_code == 303
    admin = signed_in(api, "ada.holm", "admin")
    page = admin.get("/messages").text
    assert f"/messages/{made['message']}/replay" in page
    assert (
        form(admin, "/messages/rules", {"person": "mara.lindt", "escalate_after_h": "8"}).status_code == 303
    )
    assert form(admin, "/messages/rules", {"person": "", "escalate_after_h": "soon"}).status_code == 422
    assert form(admin, f"/messages/{made['message']}/replay", {}).status_code == 303


def failed_as(api: Api, columns: dict[str, Any]) -> None:
    """A message that was given up. columns : why."""
    made = matter_of(api)
    values = {"state": "given_up", **columns}
    api.resources.writer.call(lambda c: messages.settle(c, made["message"], values))


@pytest.mark.usefixtures("mara")
@pytest.mark.parametrize("language", LANGUAGES)
def test_why_a_message_was_given_up_is_said_in_the_language_of_the_reader(api: Api, language: str) -> None:
    failure = MessageFailure("answered", {"status": 550, "detail": "no such <b>"})
    failed_as(api, kept(failure))
    admin = signed_in(api, "ada.holm", "admin")
    page = admin.get("/messages", headers={"Accept-Language": language}).text
    assert str(table(language)["messages.failed.answered"]).partition("{")[0] in page
    assert '<bdi lang="en">no such &lt;b&gt;</bdi>' in page
    [shown] = admin.get("/v1/messages?state=given_up").json()["messages"]
    assert (shown["reason"], shown["failure"]) == (failure.detail, document(failure))


@pytest.mark.usefixtures("mara")
@pytest.mark.parametrize(
    "columns",
    [
        {"reason": "451 later"},  # of an earlier release
        kept(MessageFailure("no_answer", {"seconds": 30}))
        | {"reason": "451 later"},  # which tried again since
        {"reason": "451 later", "failure": '{"code": "of_a_newer_release", "values": {}}'},
    ],
)
def test_a_reason_of_another_release_reads_as_it_was_written(api: Api, columns: dict[str, Any]) -> None:
    failed_as(api, columns)
    admin = signed_in(api, "ada.holm", "admin")
    assert '<bdi lang="en">451 later</bdi>' in admin.get("/messages", headers={"Accept-Language": "de"}).text
    assert admin.get("/v1/messages?state=given_up").json()["messages"][0]["failure"] is None


def test_the_digest_is_there_as_json_too(mara: Browser) -> None:
    found = mara.get("/v1/digest?zone=Europe/Vienna").json()
    assert (found["day"], found["zone"], found["sites"]) == ("2026-03-02", "Europe/Vienna", [])


# ---------------------------------------------------------------- a new address


def link_to_address(api: Api) -> str:
    """The link that goes to the address that waits."""
    with api.resources.reading() as connection:
        [person] = people.named(connection, "mara.lindt", None)
        chosen = message_choices.of(connection, person.id)
    key = api.resources.webhook_keys.read_or_make(needed=False)[0]
    return confirming.link_of("", key, person.handle, chosen)


def confirm(api: Api, link: str) -> int:
    """The form on the page of a link."""
    return int(api.request("POST", link, key=None, headers={"Sec-Fetch-Site": "same-origin"}).status_code)


def kinds(api: Api) -> list[str]:
    return [message["kind"] for message in api.get("/v1/messages").json()["messages"]]


def test_a_new_address_gets_nothing_but_its_link_until_it_is_confirmed(api: Api, mara: Browser) -> None:
    mara.request("PATCH", "/v1/me/messages", WISHES)
    found = mine(mara)
    assert (found["address"], found["address_to_confirm"]) == ("", WISHES["address"])
    assert found["confirm_until"] > "2026"
    assert kinds(api) == ["address"]
    with api.resources.reading() as connection:
        [person] = people.named(connection, "mara.lindt", None)
        assert person.id not in message_choices.of_owner(connection, person.owner_id), "no alert goes there"
    assert confirm(api, link_to_address(api)) == 200
    assert (mine(mara)["address"], mine(mara)["address_to_confirm"]) == (WISHES["address"], None)
    mara.request("PATCH", "/v1/me/messages", {"address": "mara@new.example"})
    assert mine(mara)["address"] == WISHES["address"], "the one before stays in use until then"
    lines = api.get("/v1/audit?what=address_confirmed").json()["entries"]
    assert [line["who"] for line in lines] == ["mara.lindt"]


def test_a_link_to_an_address_is_good_once_in_time_and_for_the_newest_address(
    api: Api, mara: Browser
) -> None:
    mara.request("PATCH", "/v1/me/messages", WISHES)
    older = link_to_address(api)
    assert {api.request(method, older, key=None).status_code for method in ("GET", "HEAD")} == {200}
    assert mine(mara)["address"] == "", "opening it changes nothing"
    api.clock.advance(60)
    mara.request("PATCH", "/v1/me/messages", {"address": "mara@new.example"})
    link = link_to_address(api)
    assert confirm(api, older) == confirm(api, f"{link}0") == confirm(api, "/messages/address") == 404
    assert (confirm(api, link), confirm(api, link)) == (200, 404)
    assert mine(mara)["address"] == "mara@new.example"
    mara.request("PATCH", "/v1/me/messages", WISHES)
    late = link_to_address(api)
    api.clock.advance(3 * 86_400)
    assert (confirm(api, late), mine(mara)["address"]) == (404, "mara@new.example")


def all_sent(api: Api) -> None:
    """The mail server took what waits."""

    def save(connection: sa.Connection) -> None:
        [person] = people.named(connection, "mara.lindt", None)
        for message in messages.list_of(connection, person.owner_id):
            messages.settle(connection, message.id, {"state": messages.SENT})

    api.resources.writer.call(save)


def test_links_to_new_addresses_are_bounded(api: Api, mara: Browser) -> None:
    """No mailbox is filled, and a stranger's tries at links are slowed."""
    answers = []
    for number in range(6):
        api.clock.advance(1)
        answers.append(mara.request("PATCH", "/v1/me/messages", {"address": f"a{number}@x.example"}))
        all_sent(api)
    assert [answer.status_code for answer in answers] == [200] * 5 + [409]
    assert said(answers[-1]) == (409, "too_many_confirmations")
    stranger = api.from_address("192.0.2.7")
    found = {stranger.get("/messages/address?code=p1.00", key=None).status_code for _ in range(80)}
    assert found == {404, 429}


def test_the_page_says_that_an_address_waits_and_where_there_is_no_mail(api: Api, mara: Browser) -> None:
    mara.request("PATCH", "/v1/me/messages", WISHES)
    assert "waits to be confirmed" in mara.get("/messages").text
    api.resources.settings = replace(api.resources.settings, smtp_host="")
    assert str(table("en")["messages.cannot_confirm"]) in mara.get("/messages").text
