"""
The pages of people: sign-in, the link of an invitation, me, People, Keys, Audit.

Open redirects: OWASP Unvalidated Redirects and Forwards Cheat Sheet.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from typing import Any
from urllib.parse import urlencode

import pytest

from cleanside.ingest.console.every_page import all_pages
from cleanside.ingest.console.wording import table
from cleanside.ingest.owners.access import PEOPLE_ROLES, allows
from cleanside.ingest.owners.people import INVITED_US
from cleanside.ingest.store.audit import SENTENCES
from tests.contract.test_pages import ALLOWED_PAGES
from tests.support.people import ORIGIN, PASSWORD, Browser, code_of, invited, quick_passwords, signed_in
from tests.support.serving import Api, in_process

WRONG = "gravel plateau grader eight"
HOSTILE = '"><script>alert(1)</script>\U0001f69c' + "x" * 60


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        quick_passwords(running)
        yield running


def sent(browser: Browser, path: str, **fields: str) -> Any:
    """A form as a browser sends it."""
    content = urlencode(fields).encode()
    headers = {"Content-Type": "application/x-www-form-urlencoded"}
    return browser.request("POST", path, headers=headers, content=content)


def page(browser: Browser, path: str, status: int = 200) -> str:
    answer = browser.get(path, headers={"Accept": "text/html", "Accept-Language": "en"})
    assert answer.status_code == status, answer.text
    return str(answer.text)


# ---------------------------------------------------------------- in and out


def test_from_the_link_to_a_page_and_out_again(api: Api) -> None:
    code = invited(api, "mara", "planner")
    browser = Browser(api)
    for _ in range(2):  # looking at it uses nothing up
        assert 'name="again"' in page(browser, f"/join?code={code}")
    joined = sent(browser, "/join", code=code, password=PASSWORD, again=PASSWORD)
    assert (joined.status_code, joined.headers["location"]) == (303, "/")
    assert "mara" in page(browser, "/fleet")
    assert "invitation" not in page(Browser(api), f"/join?code={code}", 403)
    out = sent(browser, "/sign-out")
    assert (out.status_code, out.headers["location"]) == (303, "/sign-in")
    assert browser.token is None
    assert browser.get("/fleet").headers["location"] == "/sign-in?next=/fleet"
    again = sent(browser, "/sign-in", name="mara", password=PASSWORD, next="/fleet?kind=grader")
    assert (again.status_code, again.headers["location"]) == (303, "/fleet?kind=grader")
    assert browser.get("/fleet").status_code == 200


def test_a_link_that_is_out_of_date_is_shown_as_ended(api: Api) -> None:
    admin = signed_in(api, "ada", "admin")
    invited(api, "mara", "viewer")
    assert "link until " in page(admin, "/people")
    api.clock.advance(INVITED_US / 1e6)
    admin = Browser(api)
    assert admin.sign_in("ada").status_code == 201
    shown = page(admin, "/people")
    assert "the link has ended; give a new one" in shown
    assert "link until " not in shown


def test_a_wrong_password_is_said_on_the_page_and_typed_again_there(api: Api) -> None:
    invited(api, "mara", "viewer")
    browser = Browser(api)
    for name in ("mara", "nobody", HOSTILE):
        answer = sent(browser, "/sign-in", name=name, password=WRONG, next="/keys")
        assert answer.status_code == 403
        assert browser.token is None
        assert 'role="alert"' in answer.text
        assert 'name="next" value="/keys"' in answer.text
        assert WRONG not in answer.text
        assert "<script>alert" not in answer.text
    for _ in range(3):
        answer = sent(browser, "/sign-in", name="mara", password=WRONG)
    for _ in range(3):
        answer = sent(browser, "/sign-in", name="mara", password=WRONG)
    assert answer.status_code == 429


@pytest.mark.parametrize(
    "to",
    ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:alert(1)", "/\r\nX: y", ""],
)
def test_nobody_is_led_to_another_site_after_the_sign_in(api: Api, to: str) -> None:
    browser = signed_in(api, "mara", "viewer")
    assert 'name="next" value="/"' in page(browser, f"/sign-in?{urlencode({'next': to})}")
    answer = sent(browser, "/sign-in", name="mara", password=PASSWORD, next=to)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")


def test_a_form_without_a_word_from_the_browser_signs_nobody_in(api: Api) -> None:
    """Login CSRF: neither Sec-Fetch-Site nor Origin says that a page of ours sent it."""
    signed_in(api, "mara", "viewer")
    fields = urlencode({"name": "mara", "password": PASSWORD}).encode()
    for headers in ({}, {"Referer": ORIGIN}, {"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "none"}):
        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        answer = api.request("POST", "/sign-in", key=None, headers=kind | headers, content=fields)
        assert answer.status_code == 403
        assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("path", ["/sign-in", "/join?code=0", "/me", "/people", "/keys", "/audit"])
def test_the_pages_are_shown_in_no_frame_and_kept_in_no_cache(api: Api, path: str) -> None:
    browser = signed_in(api, "boss", "admin")
    answer = browser.get(path, headers={"Accept": "text/html"})
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["referrer-policy"] == "same-origin"  # the code of a link stays here


# ---------------------------------------------------------------- who may see which page


def test_every_page_is_for_the_roles_of_people_that_its_permission_has(api: Api) -> None:
    browsers = {role: signed_in(api, f"{role}.person", role) for role in PEOPLE_ROLES}
    routes = [route for route in all_pages() if ALLOWED_PAGES.get(("GET", route.path)) is not None]
    admins = {"/people", "/keys", "/audit"}
    for route in routes:
        if "{" in route.path:
            continue
        for role, browser in browsers.items():
            status = browser.get(route.path, headers={"Accept": "text/html"}).status_code
            if route.path in admins:
                assert status == (200 if role == "admin" else 403), (route.path, role)
            if route.path == "/me":
                assert status == 200
    for role, browser in browsers.items():
        places = re.findall(r'<nav aria-label="[^"]*"><ul>(.*?)</ul>', page(browser, "/me"), re.DOTALL)[0]
        assert ("/people" in places) == (role == "admin")
        assert "/me" in places
    assert not allows(api.services.keyring.find(*_found(api)), "me:manage")


def _found(api: Api) -> Any:
    return api.resources.reading, f"Bearer {api.tokens['admin']}", api.clock()


# ---------------------------------------------------------------- people


def test_a_site_is_named_by_what_it_is_called_with_its_blanks(api: Api) -> None:
    boss = signed_in(api, "boss", "admin")
    api.post("/v1/sites", {"site": "quay"}).raise_for_status()
    api.post("/v1/sites", {"site": "pit-n", "display_name": "North pit"}).raise_for_status()
    sent(boss, "/people", name="otto", role="technician", sites="north pit, quay")
    sites = {person["person"]: person["sites"] for person in api.get("/v1/people").json()["people"]}
    assert sites["otto"] == ["pit-n", "quay"]


def test_a_link_is_shown_once_and_leads_in(api: Api) -> None:
    boss = signed_in(api, "boss", "admin")
    fields = {"name": "Otto", "role": "technician", "sites": "valley, quay", "display_name": HOSTILE}
    unknown = sent(boss, "/people", **fields)
    assert unknown.status_code == 404
    assert "is no site here" in unknown.text
    assert re.search(r'name="sites"[^>]*value="valley, quay"', unknown.text)  # nothing is typed twice
    for site in ("valley", "quay"):
        api.post("/v1/sites", {"site": site}).raise_for_status()
    made = sent(boss, "/people", **fields)
    assert made.status_code == 200
    link = unescape(re.search(r'id="link" value="([^"]+)"', made.text)[1])  # type: ignore[index]
    listed = page(boss, "/people")
    assert code_of(link) not in listed
    assert "<script>alert" not in listed + made.text
    assert "<bdi>quay</bdi>" in listed
    otto = Browser(api)
    assert sent(otto, "/join", code=code_of(link), password=PASSWORD, again=PASSWORD).status_code == 303
    assert otto.get("/v1/me").json()["sites"] == ["quay", "valley"]
    changed = sent(boss, "/people/otto", role="viewer", sites="", display_name="")
    assert (changed.status_code, changed.headers["location"]) == (303, "/people#otto")
    assert otto.get("/v1/me").json() | {"permissions": []} == {
        "person": "otto",
        "display_name": None,
        "owner": "plateau",
        "role": "viewer",
        "sites": [],
        "language": None,
        "permissions": [],
    }
    again = sent(boss, "/people/otto/reset")
    assert again.status_code == 200
    assert otto.get("/me").status_code == 303
    asked = sent(boss, "/people/otto/revoke")  # asks first, and has changed nothing
    assert (asked.status_code, 'name="sure" value="yes"' in asked.text) == (200, True)
    assert api.get("/v1/people").json()["people"][1]["state"] != "revoked"
    assert sent(boss, "/people/otto/revoke", sure="yes").headers["location"] == "/people#otto"
    assert "/people/otto/revoke" not in page(boss, "/people")


@pytest.mark.parametrize(
    ("path", "fields", "status"),
    [
        ("/people", {"name": "boss", "role": "viewer"}, 409),
        ("/people", {"name": "Not A Name", "role": "viewer"}, 422),
        ("/people", {"name": "otto", "role": "owner"}, 422),
        ("/people", {}, 422),
        ("/people/boss/revoke", {"sure": "yes"}, 409),
        ("/people/boss/reset", {}, 409),
        ("/people/boss", {"role": "viewer"}, 409),
        ("/people/nobody/revoke", {"sure": "yes"}, 404),
    ],
)
def test_what_cannot_be_is_said_on_the_page_and_changes_nothing(
    api: Api, path: str, fields: dict[str, str], status: int
) -> None:
    boss = signed_in(api, "boss", "admin")
    before = api.get("/v1/people").json()
    answer = sent(boss, path, **fields)
    assert answer.status_code == status
    assert (status == 404) or 'role="alert"' in answer.text
    assert api.get("/v1/people").json() == before


# ---------------------------------------------------------------- keys, audit, me


def test_a_key_is_made_shown_once_replaced_and_revoked_by_the_rules_of_the_routes(api: Api) -> None:
    boss = signed_in(api, "boss", "admin")
    fields = {"role": "device", "devices": "grader-07-intake, loader-02-intake", "note": HOSTILE}
    made = sent(boss, "/keys", **fields, expires="2026-05-01")
    token = re.search(r'id="key" value="([^"]+)"', made.text)[1]  # type: ignore[index]
    handle = token.partition(".")[0]
    listed = page(boss, "/keys")
    assert token not in listed
    assert "<script>alert" not in listed
    shown = next(k for k in api.get("/v1/keys").json()["keys"] if k["handle"] == handle)
    assert shown["devices"] == ["grader-07-intake", "loader-02-intake"]
    assert shown["expires_at"] == "2026-05-01T00:00:00Z"
    rotated = sent(boss, f"/keys/{handle}/rotate")
    assert re.search(r'id="key" value="k[0-9a-f]{8}\.', rotated.text)
    assert sent(boss, f"/keys/{handle}/revoke").status_code == 200  # asks first
    assert next(k for k in api.get("/v1/keys").json()["keys"] if k["handle"] == handle)["state"] == "valid"
    assert sent(boss, f"/keys/{handle}/revoke", sure="yes").status_code == 303
    refused = api.request("GET", "/v1/quantities", key=None, headers={"Authorization": f"Bearer {token}"})
    assert refused.status_code == 401
    last = api.tokens["admin"].partition(".")[0]
    assert sent(boss, f"/keys/{last}/revoke", sure="yes").status_code == 409
    assert sent(boss, "/keys", role="device").status_code == 422
    assert sent(boss, "/keys", role="admin", expires="tomorrow").status_code == 422


def test_a_successor_that_is_made_again_says_which_secret_ended(api: Api) -> None:
    boss = signed_in(api, "boss", "admin")
    handle = api.tokens["device"].partition(".")[0]
    first = sent(boss, f"/keys/{handle}/rotate")
    api.clock.advance(7_200)
    again = sent(boss, f"/keys/{handle}/rotate")
    assert ('id="earlier"' in first.text, 'id="earlier"' in again.text) == (False, True)
    successor = re.search(r'id="key" value="(k[0-9a-f]{8})\.', first.text)[1]  # type: ignore[index]
    said = re.search(r'id="earlier">(.*?)</p>', again.text)[1]  # type: ignore[index]
    assert successor in said


def test_the_audit_is_read_a_page_at_a_time_by_who_and_what(api: Api) -> None:
    boss = signed_in(api, "boss", "admin", display_name=HOSTILE)
    boss.post("/v1/machines", {"machine": "grader-07", "display_name": HOSTILE})
    everything = page(boss, "/audit")
    assert "registered a machine" in everything
    assert "<script>alert" not in everything
    mine = page(boss, "/audit?who=boss&what=machine")
    assert mine.count("<tr role") == 2
    assert "No entry fits" in page(boss, "/audit?who=nobody")
    first = page(boss, "/audit?limit=1")
    older = unescape(re.search(r'href="(/audit\?[^"]*cursor=[^"]+)"', first)[1])  # type: ignore[index]
    assert page(boss, older).count("<tr role") == 2


def test_the_audit_says_values_by_name_and_people_by_what_they_are_called(api: Api) -> None:
    boss = signed_in(api, "boss", "admin", display_name="Mara Lindt")
    limit = {"value": 6.2, "unit": "kPa"}
    body = {"machine": "grader-07", "housings": [{"housing": "main", "terminal_restriction": limit}]}
    boss.post("/v1/machines", body)
    shown = page(boss, "/audit?who=boss&what=machine")
    assert "machine: <b><bdi>grader-07</bdi></b>" in shown
    assert "change limit: (value: 6.2; unit: kPa" in shown
    assert "{&#34;" not in shown.partition("<table")[2]
    assert "Mara Lindt" in shown.partition("<table")[2]


def test_one_signs_out_everywhere_at_once(api: Api) -> None:
    mara, elsewhere = signed_in(api, "mara", "viewer"), Browser(api)
    sent(elsewhere, "/sign-in", name="mara", password=PASSWORD)
    assert "/me/sessions/end" in page(mara, "/me")
    out = sent(mara, "/me/sessions/end")
    assert (out.status_code, out.headers["location"], mara.token) == (303, "/sign-in", None)
    assert elsewhere.get("/v1/me").status_code == 401
    assert api.get("/v1/audit", params={"what": "signed_out_everywhere"}).json()["entries"]


def test_every_kind_of_act_has_words_in_both_languages() -> None:
    for language in ("de", "en"):
        assert {f"audit.kind.{kind}" for kind in SENTENCES} <= table(language).keys()


def test_one_changes_ones_password_language_and_sessions(api: Api) -> None:
    mara = signed_in(api, "mara", "viewer")
    elsewhere = Browser(api)
    sent(elsewhere, "/sign-in", name="mara", password=PASSWORD)
    assert sent(mara, "/me", language="de", display_name=HOSTILE).status_code == 303
    shown = page(mara, "/me")
    assert '<html lang="de">' in shown
    assert "<script>alert" not in shown
    assert sent(mara, "/me", language="xx").status_code == 422
    new = "seven graders on gravel"
    refused = sent(mara, "/me/password", password=PASSWORD, new_password=new, again="other")
    assert refused.status_code == 422
    assert sent(mara, "/me/password", password=WRONG, new_password=new, again=new).status_code == 403
    assert elsewhere.get("/me").status_code == 200
    assert sent(mara, "/me/password", password=PASSWORD, new_password=new, again=new).status_code == 303
    assert elsewhere.get("/me").status_code == 303
    [session] = mara.get("/v1/sessions").json()["sessions"]
    assert sent(mara, f"/me/sessions/{session['session']}/end").status_code == 303
    assert mara.get("/me").status_code == 303
