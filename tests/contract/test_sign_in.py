"""
Signing in: names and passwords, links, cookies, sessions, requests from other sites, and who tries too often.

OWASP API Security Top 10 2023: row 2. Cookies as RFC 6265bis, Fetch Metadata as the W3C has it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.owners import sessions as session_rules
from cleanside.ingest.owners.people import INVITED_US
from cleanside.ingest.owners.sessions import IDLE_US, LASTS_US
from cleanside.ingest.owners.sign_in_pace import ADDRESS, FREE, KNOWN_US, PAIR
from cleanside.ingest.settings import load
from tests.support.people import (
    ORIGIN,
    PASSWORD,
    Browser,
    CountedHasher,
    code_of,
    invited,
    quick_passwords,
    said,
    signed_in,
)
from tests.support.serving import Api, bearer, in_process

WRONG = "gravel plateau grader eight"


@pytest.fixture
def hashed(api: Api) -> CountedHasher:
    """Both databases, with passwords that take no time."""
    return quick_passwords(api)


@pytest.fixture
def lone(sqlite_database_url: str) -> Iterator[Api]:
    """What does not depend on the database."""
    with in_process(sqlite_database_url) as running:
        quick_passwords(running)
        yield running


# ---------------------------------------------------------------- in by a link, then by the password


@pytest.mark.usefixtures("hashed")
def test_whoever_opens_the_link_sets_the_password_and_is_signed_in(api: Api) -> None:
    browser = signed_in(api, "mara.lindt", "planner", display_name="Mara <b>Lindt</b>")
    me = browser.get("/v1/me").json()
    assert (me["person"], me["role"], me["owner"]) == ("mara.lindt", "planner", "plateau")
    assert me["display_name"] == "Mara <b>Lindt</b>"
    assert "changes:write" in me["permissions"]
    assert "keys:manage" not in me["permissions"]
    again = Browser(api)
    assert again.sign_in(" Mara.Lindt ").status_code == 201
    assert again.token != browser.token
    assert again.get("/v1/fleet").status_code == 200


def test_what_a_person_does_is_in_the_audit_under_their_name(lone: Api) -> None:
    browser = signed_in(lone, "otto", "operator")
    assert browser.post("/v1/machines", {"machine": "grader-07"}).status_code == 200
    entries = lone.get("/v1/audit?who=otto").json()["entries"]
    assert [entry["what"] for entry in entries] == ["machine", "signed_in", "person_joined"]


def test_a_link_is_used_once_and_every_one_that_is_not_valid_gets_one_answer(lone: Api) -> None:
    used, late, replaced, ended = (invited(lone, f"p{i}", "viewer") for i in range(4))
    assert Browser(lone).post("/v1/invitations/accept", {"code": used, "password": PASSWORD}).is_success
    lone.post("/v1/people/p2/resets", {})
    assert lone.request("DELETE", "/v1/people/p3").status_code == 200
    lone.clock.advance(INVITED_US / 1e6)
    answers = []
    for code in (used, late, replaced, ended, "0" * 64, "", "é"):
        answer = Browser(lone).post("/v1/invitations/accept", {"code": code, "password": PASSWORD})
        answers.append({**answer.json(), "request_id": "", "server_time": ""})
        assert "set-cookie" not in answer.headers
    assert answers == [answers[0]] * len(answers)
    assert (answers[0]["status"], answers[0]["code"]) == (403, "invitation_not_valid")


@pytest.mark.usefixtures("hashed")
def test_of_two_who_use_one_link_at_the_same_moment_one_is_let_in(api: Api) -> None:
    code = invited(api, "mara", "viewer")
    body = {"code": code, "password": PASSWORD}
    headers = {"Origin": ORIGIN, "Content-Type": "application/json"}
    answers = api.together(
        [lambda: ("POST", "/v1/invitations/accept", headers, json.dumps(body).encode()) for _ in range(4)]
    )
    assert sorted(answers) == [201, 403, 403, 403]


def test_tokens_and_passwords_lie_in_the_database_as_hashes_alone(lone: Api) -> None:
    code = invited(lone, "late", "viewer")
    browser = signed_in(lone, "mara", "viewer")
    token = browser.token
    assert token is not None
    with lone.resources.reading() as connection:
        everything = " ".join(
            str(row)
            for table in ("people", "sessions", "invitations", "sign_in_tries", "audit")
            for row in connection.execute(sa.text(f"SELECT * FROM {table}"))
        )
    assert hashlib.sha256(token.encode()).hexdigest() in everything
    for secret in (token, code, PASSWORD):
        assert secret not in everything


# ---------------------------------------------------------------- sessions


def test_a_token_that_was_planted_before_is_worth_nothing_after(lone: Api) -> None:
    """Session fixation: signing in makes a new token, and ends the one the browser had."""
    victim = signed_in(lone, "mara", "viewer")
    planted = victim.token
    assert victim.sign_in("mara").status_code == 201
    assert victim.token not in (planted, None)
    attacker = Browser(lone)
    attacker.cookies = {"cleanside": str(planted)}
    assert said(attacker.get("/v1/me")) == (401, "session_ended")
    made_up = Browser(lone)
    made_up.cookies = {"cleanside": "f" * 64}
    made_up.sign_in("mara")
    assert made_up.token != "f" * 64
    assert victim.get("/v1/me").status_code == 200  # another browser's sign-in ends nothing


@pytest.mark.parametrize("ending", ["revoked", "reset", "suspended"])
def test_who_is_out_is_refused_with_the_next_request(lone: Api, ending: str) -> None:
    browser = signed_in(lone, "mara", "viewer")
    assert browser.get("/v1/me").status_code == 200
    if ending == "revoked":
        assert lone.request("DELETE", "/v1/people/mara").status_code == 200
    elif ending == "reset":
        assert lone.post("/v1/people/mara/resets", {}).status_code == 201
    else:
        lone.resources.writer.call(lambda c: c.execute(sa.text("UPDATE people SET suspended_us = 1")))
    assert said(browser.get("/v1/me")) == (401, "session_ended")
    expected = (403, "person_suspended" if ending == "suspended" else "sign_in_refused")
    assert said(Browser(lone).sign_in("mara")) == expected


def test_another_role_holds_from_the_next_request_on(lone: Api) -> None:
    browser = signed_in(lone, "mara", "operator")
    assert browser.get("/v1/attention").status_code == 200
    assert lone.request("PATCH", "/v1/people/mara", json={"role": "viewer"}).status_code == 200
    assert said(browser.get("/v1/attention")) == (403, "role_not_allowed")


@pytest.mark.usefixtures("hashed")
def test_a_new_password_ends_every_session_also_a_stolen_one(api: Api) -> None:
    browser = signed_in(api, "mara", "viewer")
    stolen = Browser(api)
    stolen.cookies = dict(browser.cookies)
    elsewhere = Browser(api)
    assert elsewhere.sign_in("mara").status_code == 201
    change = {"password": PASSWORD, "new_password": "seven graders on gravel"}
    assert said(browser.post("/v1/me/password", change | {"password": WRONG})) == (403, "sign_in_refused")
    assert said(browser.post("/v1/me/password", change | {"new_password": "short"})) == (
        422,
        "password_not_usable",
    )
    assert browser.post("/v1/me/password", change).status_code == 200
    for other in (stolen, elsewhere):
        assert said(other.get("/v1/me")) == (401, "session_ended")
    assert browser.get("/v1/me").status_code == 200
    assert said(Browser(api).sign_in("mara")) == (403, "sign_in_refused")
    assert Browser(api).sign_in("mara", "seven graders on gravel").status_code == 201


def test_one_sees_and_ends_ones_own_sessions_and_no_other(lone: Api) -> None:
    mara, otto = signed_in(lone, "mara", "viewer"), signed_in(lone, "otto", "viewer")
    elsewhere = Browser(lone)
    elsewhere.post(
        "/v1/sessions",
        {"name": "mara", "password": PASSWORD},
        headers={"User-Agent": "\u202e<b>\t".encode() * 99},
    )
    listed = mara.get("/v1/sessions").json()["sessions"]
    assert [one["this_one"] for one in listed] == [False, True]
    assert listed[0]["browser"].isprintable()
    assert len(listed[0]["browser"]) == 200
    [others] = otto.get("/v1/sessions").json()["sessions"]
    assert said(mara.request("DELETE", f"/v1/sessions/{others['session']}")) == (404, "unknown_session")
    assert mara.request("DELETE", f"/v1/sessions/{listed[0]['session']}").status_code == 200
    assert said(elsewhere.get("/v1/me")) == (401, "session_ended")
    ended = mara.request("DELETE", f"/v1/sessions/{listed[1]['session']}")
    assert ended.status_code == 200
    assert mara.token is None  # signed out: the browser forgets it
    assert otto.get("/v1/me").status_code == 200


def test_a_session_ends_idle_and_at_the_latest_after_a_month(lone: Api) -> None:
    """NIST SP 800-63B-4 section 2.1.3: 30 days for one factor (from memory)."""
    assert LASTS_US <= 30 * session_rules.DAY_US
    idle, busy = signed_in(lone, "idle", "viewer"), signed_in(lone, "busy", "viewer")
    spent_us = 0
    while spent_us + IDLE_US // 2 < LASTS_US:
        lone.clock.advance(IDLE_US / 2e6)
        spent_us += IDLE_US // 2
        assert busy.get("/v1/me").status_code == 200
        lone.services.write_down()
    assert said(idle.get("/v1/me")) == (401, "session_ended")
    lone.clock.advance((LASTS_US - spent_us) / 1e6)
    assert said(busy.get("/v1/me")) == (401, "session_ended")


# ---------------------------------------------------------------- cookies and other sites


@pytest.mark.parametrize(
    ("base", "behind_proxy", "name", "secure"),
    [
        ("http://ingest.test", False, "cleanside", False),
        ("https://ingest.test", False, "__Host-cleanside", True),
        ("http://ingest.test", True, "__Host-cleanside", True),
    ],
)
def test_the_cookie_is_for_this_host_alone_and_out_of_reach_of_scripts(
    sqlite_database_url: str, base: str, behind_proxy: bool, name: str, secure: bool
) -> None:
    flags = {"database": sqlite_database_url, "behind_proxy": behind_proxy}
    with in_process(sqlite_database_url, settings=load(flags=flags, environ={})) as api:
        quick_passwords(api)
        signed_in(api, "mara", "viewer") if not behind_proxy else None
        code = invited(api, "otto", "viewer")
        browser = Browser(api, base=base)
        headers = {"Sec-Fetch-Site": "same-origin"}
        body = {"code": code, "password": PASSWORD}
        answer = browser.post("/v1/invitations/accept", body, headers=headers)
        assert answer.status_code == 201
        [line] = answer.headers.get_list("set-cookie")
        attributes = {part.strip().casefold() for part in line.split(";")[1:]}
        assert line.startswith(f"{name}=")
        assert ("secure" in attributes) == secure
        assert {"httponly", "samesite=lax", "path=/"} <= attributes
        assert not any(attribute.startswith("domain") for attribute in attributes)
        assert browser.get("/v1/me").status_code == 200
        other = "cleanside" if secure else "__Host-cleanside"
        browser.cookies = {other: browser.cookies[name]}
        assert browser.get("/v1/me").status_code == 401  # what a network could plant is not looked at


CROSS = [
    ({"Sec-Fetch-Site": "same-origin"}, True),
    ({"Sec-Fetch-Site": "same-origin", "Origin": "https://evil.example"}, True),
    ({"Sec-Fetch-Site": "cross-site"}, False),
    ({"Sec-Fetch-Site": "same-site", "Origin": ORIGIN}, False),
    ({"Sec-Fetch-Site": "none"}, False),
    ({"Origin": ORIGIN}, True),
    ({"Origin": "null"}, False),
    ({"Origin": "https://ingest.test"}, False),
    ({"Origin": "http://ingest.test:81"}, False),
    ({"Origin": "http://ingest.test.evil.example"}, False),
    ({"Referer": ORIGIN}, False),
    ({}, False),
]


@pytest.mark.parametrize(("headers", "taken"), CROSS)
def test_a_write_that_another_site_caused_is_refused(lone: Api, headers: dict[str, str], taken: bool) -> None:
    browser = signed_in(lone, "mara", "operator")
    bare = {"Sec-Fetch-Site": None, "Origin": None} | headers
    answers = [
        browser.post("/v1/machines", {"machine": "grader-07"}, headers=bare),
        browser.request("PATCH", "/v1/me", {"language": "de"}, headers=bare),
        Browser(lone).post("/v1/sessions", {"name": "mara", "password": PASSWORD}, headers=bare),
    ]
    code = invited(lone, "otto", "viewer")
    body = {"code": code, "password": PASSWORD}
    answers.append(Browser(lone).post("/v1/invitations/accept", body, headers=bare))
    for answer in answers:
        assert answer.is_success == taken, answer.text
        assert taken or said(answer) == (403, "cross_site")
    assert browser.get("/v1/me", headers=bare).status_code == 200  # reading changes nothing


def test_a_key_never_uses_the_cookie_and_the_other_way_round(lone: Api) -> None:
    browser = signed_in(lone, "mara", "admin")
    assert said(browser.get("/v1/keys", headers=bearer("k00000000.00"))) == (401, "key_unknown")
    planner = bearer(lone.tokens["planner"])
    assert said(browser.get("/v1/keys", headers=planner)) == (403, "role_not_allowed")
    assert said(browser.get("/v1/me", headers=bearer(lone.tokens["admin"]))) == (403, "role_not_allowed")
    assert browser.get("/v1/keys", headers={"Authorization": "Basic bWFyYTp4"}).status_code == 401
    # A key's request is no browser's: it says nothing of where it came from.
    assert lone.post("/v1/machines", {"machine": "grader-07"}).status_code == 200


def test_a_person_posts_no_readings(lone: Api) -> None:
    browser = signed_in(lone, "mara", "admin")
    assert said(browser.post("/v1/readings", {})) == (403, "role_not_allowed")


# ---------------------------------------------------------------- who tries too often


def test_a_name_that_nobody_has_costs_as_many_comparisons_as_one_that_somebody_has(
    api: Api, hashed: CountedHasher
) -> None:
    """Counted, not timed: whoever could tell the two apart would learn who works here."""
    invited(api, "otto", "viewer")  # has no password yet
    signed_in(api, "mara", "viewer")
    answers = []
    for name in ("mara", "otto", "nobody", "mara@quarry", "mara@plateau"):
        before = hashed.verified
        answer = Browser(api).sign_in(name, WRONG)
        assert hashed.verified == before + 1
        answers.append({**answer.json(), "request_id": "", "server_time": ""})
    assert answers == [answers[0]] * 5
    assert (answers[0]["status"], answers[0]["code"]) == (403, "sign_in_refused")


def test_guessing_at_a_person_waits_longer_and_longer_and_nobody_else_does(
    api: Api, hashed: CountedHasher
) -> None:
    signed_in(api, "mara", "viewer")
    attacker = api.from_address("198.51.100.7")
    for name in ("mara", "nobody"):
        answers = [said(Browser(attacker).sign_in(name, WRONG)) for _ in range(FREE[PAIR] + 1)]
        assert answers == [(403, "sign_in_refused")] * FREE[PAIR] + [(429, "over_quota")]
    before = hashed.verified
    waits = Browser(attacker).sign_in("mara")  # the right one, too: guessing on does not reveal it
    assert (waits.status_code, waits.headers["retry-after"]) == (429, "2")
    assert hashed.verified == before
    assert Browser(api).sign_in("mara").status_code == 201  # from another address at once
    api.clock.advance(2)
    assert said(Browser(attacker).sign_in("mara", WRONG)) == (403, "sign_in_refused")
    assert Browser(attacker).sign_in("mara").headers["retry-after"] == "4"
    api.clock.advance(4)
    assert Browser(attacker).sign_in("mara").status_code == 201
    assert said(Browser(attacker).sign_in("mara", WRONG)) == (403, "sign_in_refused")  # begins again


@pytest.mark.parametrize(
    ("typed", "then"),
    [
        ("{}", "{}@plateau"),
        ("{}@plateau", "{}"),
        ("{}@quarry", "{}@plateau"),
        ("plateau/{}", "{}"),
        ("{}", "plateau/{}"),
    ],
)
def test_a_wait_tells_of_no_person_and_no_owner(lone: Api, typed: str, then: str) -> None:
    """The same answers for a name that somebody has, and for one that no person has."""
    signed_in(lone, "mara", "viewer")
    answers = []
    for number, name in enumerate(("mara", "nobody")):
        other = lone.from_address(f"198.51.100.{number}")
        for _ in range(FREE[PAIR]):
            assert said(Browser(other).sign_in(typed.format(name), WRONG)) == (403, "sign_in_refused")
        answers.append(said(Browser(other).sign_in(then.format(name), WRONG)))
    assert answers[0] == answers[1]
    assert (answers[0][0] == 403) == ("/" in typed + then)


def test_who_has_the_same_name_elsewhere_clears_no_count_of_guesses(lone: Api) -> None:
    signed_in(lone, "mara", "viewer")
    signed_in(lone, "mara", "planner", key="quarry admin")
    other = lone.from_address("198.51.100.7")
    for _ in range(FREE[PAIR] - 1):
        assert said(Browser(other).sign_in("mara@plateau", WRONG)) == (403, "sign_in_refused")
    assert Browser(other).sign_in("mara@quarry").status_code == 201
    assert said(Browser(other).sign_in("mara@plateau", WRONG)) == (403, "sign_in_refused")
    assert said(Browser(other).sign_in("mara@plateau", WRONG)) == (429, "over_quota")


def test_who_shares_an_address_keeps_none_of_its_people_out(lone: Api) -> None:
    for name in ("mara", "otto"):
        signed_in(lone, name, "viewer")
    shop = lone.from_address("198.51.100.7")
    assert Browser(shop).sign_in("mara").status_code == 201
    for number in range(FREE[ADDRESS]):
        assert said(Browser(shop).sign_in(f"nobody{number}", WRONG)) == (403, "sign_in_refused")
    assert said(Browser(shop).sign_in("otto")) == (429, "over_quota")  # was never seen there
    assert Browser(shop).sign_in("mara").status_code == 201
    while shop.get("/v1/fleet", key=None, headers=bearer("k00000000.00")).status_code == 401:
        pass  # until the address has spent its tries of all kinds
    assert said(Browser(shop).sign_in("otto")) == (429, "over_quota")
    assert Browser(shop).sign_in("mara").status_code == 201
    for _ in range(FREE[PAIR]):  # who guesses at this very person waits as before
        assert said(Browser(shop).sign_in("mara", WRONG)) == (403, "sign_in_refused")
    assert said(Browser(shop).sign_in("mara", WRONG)) == (429, "over_quota")
    lone.clock.advance(KNOWN_US / 1e6 + 1)
    for number in range(FREE[ADDRESS]):
        Browser(shop).sign_in(f"nobody{number}", WRONG)
    assert said(Browser(shop).sign_in("mara")) == (429, "over_quota")


def test_many_addresses_together_keep_no_person_out(lone: Api) -> None:
    signed_in(lone, "mara", "viewer")
    for number in range(60):
        other = lone.from_address(f"203.0.113.{number}")
        assert said(Browser(other).sign_in("mara", WRONG)) == (403, "sign_in_refused")
    assert Browser(lone.from_address("192.0.2.1")).sign_in("mara").status_code == 201
    for number in range(60):
        Browser(lone.from_address(f"203.0.113.{number}")).sign_in("mara", WRONG)
    tried_before = lone.from_address("203.0.113.200")
    for _ in range(2):
        Browser(tried_before).sign_in("mara", WRONG)
    waits = Browser(tried_before).sign_in("mara")
    assert waits.status_code == 429
    assert int(waits.headers["retry-after"]) <= 30
    lone.clock.advance(30)
    assert Browser(tried_before).sign_in("mara").status_code == 201


@pytest.mark.usefixtures("hashed")
def test_tries_at_the_same_moment_do_not_get_past_the_count(api: Api) -> None:
    signed_in(api, "mara", "viewer")
    headers = {"Origin": ORIGIN, "Content-Type": "application/json"}
    body = json.dumps({"name": "mara", "password": WRONG}).encode()
    other = api.from_address("198.51.100.7")
    answers = other.together([lambda: ("POST", "/v1/sessions", headers, body) for _ in range(12)])
    assert answers.count(403) <= FREE[PAIR]
    assert answers.count(403) + answers.count(429) == 12


def test_refused_tries_are_counted_for_the_owner_of_the_person(lone: Api) -> None:
    signed_in(lone, "mara", "viewer")
    for name in ("mara", "mara", "nobody"):
        Browser(lone).sign_in(name, WRONG)
    lone.services.write_down()
    counts = lone.get("/v1/audit/refusals").json()["refusals"]
    assert [(one["who"], one["reason"], one["times"]) for one in counts] == [("mara", "sign_in_refused", 2)]


@pytest.mark.parametrize("body", [{"name": "mara", "password": 7}, {"name": "x" * 200, "password": "y"}])
def test_an_answer_never_repeats_a_password(lone: Api, body: dict[str, Any]) -> None:
    answer = Browser(lone).post("/v1/sessions", body | {"password": body["password"]})
    assert answer.status_code == 422
    assert '"7' not in json.dumps(answer.json()["errors"])
    huge = Browser(lone).post("/v1/sessions", {"name": "mara", "password": "z" * 20_000})
    assert said(huge) == (413, "body_too_large")
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    for path in ("/sign-in", "/join"):
        answer = Browser(lone).request("POST", path, headers=form, content=b"password=" + b"z" * 20_000)
        assert answer.status_code == 413


def test_a_code_that_a_person_made_dies_with_the_person(lone: Api) -> None:
    lone.register(device="loader-02-intake", machine="loader-02")
    mara = signed_in(lone, "mara", "technician")
    body = {"device": "grader-07-intake", "machine": "loader-02"}
    good, dead, weak = (mara.post("/v1/enrolments", body | {"device": f"d-{i}"}).json() for i in range(3))
    assert lone.post("/v1/enrol", {"code": good["code"]}, key=None).status_code == 201
    assert lone.request("PATCH", "/v1/people/mara", json={"role": "viewer"}).status_code == 200
    assert said(lone.post("/v1/enrol", {"code": weak["code"]}, key=None)) == (403, "code_not_valid")
    assert lone.request("DELETE", "/v1/people/mara").status_code == 200
    assert said(lone.post("/v1/enrol", {"code": dead["code"]}, key=None)) == (403, "code_not_valid")


def test_names_that_two_owners_gave_are_told_apart_by_the_owner(lone: Api) -> None:
    signed_in(lone, "mara", "viewer")
    quarry = signed_in(lone, "mara", "planner", key="quarry admin")
    assert quarry.get("/v1/me").json()["owner"] == "quarry"
    assert said(Browser(lone).sign_in("mara")) == (403, "sign_in_refused")
    browser = Browser(lone)
    assert browser.sign_in("mara@quarry").status_code == 201
    assert browser.get("/v1/me").json()["owner"] == "quarry"


def test_no_link_leads_to_a_host_that_only_the_request_names(lone: Api) -> None:
    """CWE-644: whoever sends a request writes its Host; a link is believed by who gets it."""
    signed_in(lone, "mara", "planner")
    admin, evil = signed_in(lone, "ada", "admin"), {"Host": "evil.example"}
    lone.register(device="loader-02-intake", machine="loader-02")
    asked = {
        "/v1/people": {"name": "otto", "role": "viewer"},
        "/v1/people/mara/resets": {},
        "/v1/me/calendars": {"site": None, "zone": "Europe/Vienna", "language": "de"},
        "/v1/passkeys/options": {"password": PASSWORD},
    }
    for path, body in asked.items():
        answer = admin.request("POST", path, json=body, headers=evil)
        assert said(answer) == (409, "public_address_not_set"), path
        assert "public_address" in answer.json()["detail"]
    assert "otto" not in lone.get("/v1/people").text  # nothing was made
    assert lone.get("/v1/people").json()["people"][1]["invited_until"] is None  # and her password stays good
    form = {"device": "grader-07-intake", "machine": "loader-02"}
    page = admin.request("POST", "/monitors/codes", data=form, headers=evil)
    assert page.status_code == 409
    assert "evil.example/visit" not in page.text
    assert "public_address" in page.text
    for host in ("localhost:9000", "127.0.0.1", "[::1]:8750", "ingest.test"):
        body = {"name": f"p{len(host)}", "role": "viewer"}
        link = lone.post("/v1/people", body, headers={"Host": host}).json()["link"]
        assert link.startswith(f"http://{host}/join?code=")


@pytest.mark.parametrize(
    "host", ["127.0.0.1@evil.example", "localhost.evil.example", "127.0.0.1.evil.example"]
)
def test_a_host_that_begins_like_this_machine_is_not_taken_for_it(lone: Api, host: str) -> None:
    answer = lone.post("/v1/people", {"name": "otto", "role": "viewer"}, headers={"Host": host})
    # A host that is none is as if none was sent: the address is that of the connection.
    assert answer.json().get("link", "http://ingest.test").startswith("http://ingest.test")
    assert answer.status_code == (201 if "@" in host else 409)


def test_the_link_leads_to_the_address_that_the_settings_name(sqlite_database_url: str) -> None:
    flags = {"database": sqlite_database_url, "public_address": "https://filters.example/"}
    with in_process(sqlite_database_url, settings=load(flags=flags, environ={})) as api:
        body = {"name": "mara", "role": "viewer"}
        link = api.post("/v1/people", body, headers={"Host": "evil.example"}).json()["link"]
    assert link == f"https://filters.example/join?code={code_of(link)}"
    assert len(code_of(link)) == 64


def test_a_name_that_no_person_has_costs_the_same_statements(lone: Api) -> None:
    """The time of an answer told whether a name exists: two questions more were asked where it does."""
    signed_in(lone, "otto", "operator")
    assert _statements(lone, "otto") == _statements(lone, "none.such") != []


def _statements(api: Api, name: str) -> list[str]:
    """The statements of a try with a wrong password."""
    asked: list[str] = []

    def note(*about: Any) -> None:
        asked.append(" ".join(about[2].split()[:3]))

    sa.event.listen(sa.Engine, "before_cursor_execute", note)
    try:
        assert Browser(api).sign_in(name, WRONG).status_code == 403
    finally:
        sa.event.remove(sa.Engine, "before_cursor_execute", note)
    return asked
