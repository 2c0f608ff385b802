"""
What every page keeps to: who may see it, what the browser may do with it, which errors look how.

Content security policy: W3C CSP level 3. Cross-site forms: W3C Fetch Metadata, OWASP Cross-Site Request
Forgery Prevention Cheat Sheet ("Fetch Metadata headers", "Verifying Origin").
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest

from cleanside.ingest.api.routes.shared import needed_permission
from cleanside.ingest.console.every_page import all_pages
from cleanside.ingest.console.routing import own_path, page_router
from cleanside.ingest.console.static_files import address_of, every_file
from cleanside.ingest.owners.access import ROLES
from tests.support.databases import migrated_sqlite
from tests.support.prepared import Prepared, prepared
from tests.support.serving import Api, in_process

EVERYONE = {"device", "integrator", "planner", "operator", "admin"}
STAFF = {"planner", "operator", "admin"}
KEEPERS = {"operator", "admin"}

#: method, path -> roles that may see or send it; None: open to all
ALLOWED_PAGES: dict[tuple[str, str], set[str] | None] = {
    ("GET", "/"): None,
    ("GET", "/static/{digest}/{name}"): None,
    ("POST", "/language"): None,
    ("POST", "/pressures"): None,
    ("GET", "/docs"): None,
    ("GET", "/docs/problems/{code}"): None,
    ("GET", "/docs/{name:path}"): None,
    ("GET", "/worker.js"): None,
    ("GET", "/visit"): EVERYONE - {"device"},
    ("GET", "/phone/pages"): EVERYONE - {"device"},
    ("GET", "/phone/absent"): EVERYONE - {"device"},
    ("GET", "/visit/{machine}"): EVERYONE - {"device"},
    ("GET", "/visit/{machine}/live"): EVERYONE - {"device"},
    ("GET", "/visit/{machine}/plate.jpg"): EVERYONE - {"device"},
    ("GET", "/visit/{machine}/sheet.pdf"): EVERYONE - {"device"},
    ("POST", "/visit/{machine}"): {"planner", "operator", "admin"},
    ("GET", "/sign-in"): None,
    ("POST", "/sign-in"): None,
    ("GET", "/join"): None,
    ("GET", "/sign-in/provider"): None,
    ("GET", "/sign-in/provider/back"): None,
    ("POST", "/join"): None,
    # of whoever is signed in: no key
    ("POST", "/sign-out"): set(),
    ("GET", "/me"): set(),
    ("POST", "/me"): set(),
    ("POST", "/me/password"): set(),
    ("POST", "/me/sessions/{session}/end"): set(),
    ("POST", "/me/sessions/end"): set(),
    ("POST", "/me/passkeys/{passkey}/remove"): set(),
    ("GET", "/messages"): set(),
    ("POST", "/messages"): set(),
    ("POST", "/messages/test"): set(),
    ("POST", "/messages/matters/{matter}/answer"): STAFF,
    ("POST", "/messages/{message}/replay"): {"admin"},
    ("POST", "/messages/rules"): {"admin"},
    ("GET", "/calendars/{token}.ics"): None,
    ("POST", "/messages/calendars"): set(),
    ("POST", "/messages/calendars/{calendar}/end"): set(),
    ("GET", "/messages/leave"): None,
    ("GET", "/messages/address"): None,
    ("POST", "/messages/address"): None,
    ("POST", "/messages/leave"): None,
    ("GET", "/people"): {"admin"},
    ("POST", "/people"): {"admin"},
    ("POST", "/people/{person}"): {"admin"},
    ("POST", "/people/{person}/reset"): {"admin"},
    ("POST", "/people/{person}/revoke"): {"admin"},
    ("GET", "/keys"): {"admin"},
    ("POST", "/keys"): {"admin"},
    ("POST", "/keys/{handle}/rotate"): {"admin"},
    ("POST", "/keys/{handle}/revoke"): {"admin"},
    ("GET", "/audit"): {"admin"},
    ("GET", "/element-lives"): EVERYONE - {"device"},
    ("GET", "/element-lives.csv"): EVERYONE - {"device"},
    ("GET", "/fleet-changes"): EVERYONE - {"device"},
    ("GET", "/fleet"): EVERYONE - {"device"},
    ("GET", "/fleet.csv"): EVERYONE - {"device"},
    ("GET", "/machines/{machine}"): EVERYONE - {"device"},
    ("POST", "/machines/{machine}/entries"): STAFF,
    ("POST", "/machines/{machine}/entries/corrected"): STAFF,
    ("POST", "/machines/{machine}/entries/taken-back"): STAFF,
    ("POST", "/machines/{machine}/planned-day"): STAFF,
    ("POST", "/machines/{machine}/planned-day/taken-back"): STAFF,
    ("POST", "/machines/{machine}/lay-up"): STAFF,
    ("GET", "/work-list"): STAFF,
    ("GET", "/work-list.csv"): STAFF,
    ("POST", "/work-list/done"): STAFF,
    ("POST", "/work-list/taken-back"): STAFF,
    ("POST", "/work-list/move"): STAFF,
    ("GET", "/visit-plan"): STAFF,
    ("GET", "/visit-plan.csv"): STAFF,
    ("POST", "/visit-plan/accept"): STAFF,
    ("POST", "/visit-plan/take-back"): STAFF,
    ("POST", "/visit-plan/terms"): STAFF,
    ("GET", "/shop"): STAFF,
    ("POST", "/shop/site"): STAFF,
    ("POST", "/shop/machine"): STAFF,
    ("POST", "/shop/crew"): STAFF,
    ("POST", "/shop/part"): STAFF,
    ("POST", "/shop/orders"): STAFF,
    ("POST", "/shop/orders/{order}"): STAFF,
    ("POST", "/shop/{kind}/{name}/delete"): STAFF,
    ("GET", "/shop/machines.csv"): STAFF,
    ("GET", "/shop/parts.csv"): STAFF,
    ("POST", "/shop/import"): STAFF,
    ("GET", "/shop/spreadsheets/{sheet}"): STAFF,
    ("POST", "/shop/spreadsheets/{sheet}/taken-back"): STAFF,
    ("GET", "/machines/{machine}/papers"): STAFF,
    ("POST", "/machines/{machine}/papers"): STAFF,
    ("GET", "/backlog"): STAFF,
    ("POST", "/backlog/bundles"): KEEPERS,
    ("POST", "/backlog/misnumbered"): KEEPERS,
    ("POST", "/backlog/resends"): KEEPERS,
    ("POST", "/backlog/resends/taken-back"): KEEPERS,
    ("GET", "/webhooks"): {"admin"},
    ("POST", "/webhooks"): {"admin"},
    ("POST", "/webhooks/{webhook}/end"): {"admin"},
    ("POST", "/webhooks/{webhook}/trial"): {"admin"},
    ("POST", "/webhooks/{webhook}/replay"): KEEPERS,
    ("GET", "/transfers"): {"admin"},
    ("POST", "/transfers"): {"admin"},
    ("POST", "/transfers/accept"): {"admin"},
    ("POST", "/transfers/{transfer}/take-back"): {"admin"},
    ("GET", "/monitors"): EVERYONE - {"device"},
    ("GET", "/monitors/{device}"): EVERYONE - {"device"},
    ("POST", "/monitors/codes"): KEEPERS | {"integrator"},
    ("POST", "/monitors/codes/{enrolment}/withdrawn"): KEEPERS | {"integrator"},
    ("POST", "/monitors/{device}/seat"): KEEPERS | {"integrator"},
    ("POST", "/monitors/{device}/taken-off"): KEEPERS | {"integrator"},
    ("POST", "/monitors/{device}/retired"): KEEPERS | {"integrator"},
    ("GET", "/quarantine"): STAFF,
    ("GET", "/quarantine/group"): EVERYONE,
    ("POST", "/quarantine/repairs"): KEEPERS,
    ("POST", "/quarantine/amendments/{amendment}/undo"): KEEPERS,
}
PAGES = {(method, route.path): route for route in all_pages() for method in sorted(route.methods or ())}
#: what a browser says of a request by a page of ours
OWN = {"Sec-Fetch-Site": "same-origin"}
VOID = {"meta", "link", "input", "br", "hr", "img", "path", "rect", "circle"}


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        yield running


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    """One app for all who are not signed in: they get as far as to the sign-in."""
    with in_process(migrated_sqlite(tmp_path_factory.mktemp("closed"))) as running:
        yield running


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    return prepared(tmp_path_factory.mktemp("shop"), Api.register)


@pytest.fixture
def registered(shop: Prepared, tmp_path: Path) -> Iterator[Api]:
    """With a machine and its device."""
    with shop.copied(tmp_path) as running:
        yield running


class Tags(HTMLParser):
    """Every opening tag with its attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def test_every_page_stands_in_the_table() -> None:
    """A new page stays closed until this table says who may see it."""
    assert set(PAGES) == set(ALLOWED_PAGES), "say in ALLOWED_PAGES which roles may see it"


@pytest.mark.parametrize(("method", "path"), sorted(name for name in ALLOWED_PAGES if ALLOWED_PAGES[name]))
def test_a_page_is_for_the_roles_of_the_table_and_for_no_other(
    registered: Api, method: str, path: str
) -> None:
    registered.services.streams.end()  # a stream says what it has and ends
    allowed = ALLOWED_PAGES[method, path]
    for role in ROLES:
        response = registered.request(method, re.sub(r"{\w+}", "grader-07", path), key=role)
        refused = response.status_code == 403
        assert refused == (role not in (allowed or ())), (role, response.status_code)
        assert response.status_code < 500


@pytest.mark.parametrize(("method", "path"), sorted(name for name in ALLOWED_PAGES if ALLOWED_PAGES[name]))
def test_who_is_not_signed_in_is_sent_to_the_sign_in_and_back(closed: Api, method: str, path: str) -> None:
    address = re.sub(r"{\w+}", "grader-07", path)
    response = closed.request(method, address, key=None, headers=OWN)
    assert response.status_code == 303
    back = address if method == "GET" else "/"
    assert response.headers["location"] == f"/sign-in?next={back}"


def test_without_a_word_on_who_may_see_it_there_is_no_page() -> None:
    with pytest.raises(TypeError, match="who may see it"):
        page_router().get("/open")(lambda: None)


def test_a_page_names_a_permission_of_the_one_table() -> None:
    assert {name for name, route in PAGES.items() if needed_permission(route) is None} == {
        name for name, allowed in ALLOWED_PAGES.items() if allowed is None
    }


def test_pages_stand_in_no_description(api: Api) -> None:
    described = api.get("/openapi.json").json()["paths"]
    assert [path for _, path in PAGES if path in described] == []


# ---------------------------------------------------------------- the browser


def nothing_here(api: Api, path: str = "/nothing-here", **more: str) -> str:
    response = api.get(path, key=None, headers={"Accept": "text/html", **more})
    assert response.status_code == 404
    return response.text


def test_a_page_runs_no_script_but_its_own_and_is_shown_in_no_frame(api: Api) -> None:
    response = api.get("/nothing-here", key=None, headers={"Accept": "text/html"})
    policies = response.headers.get_list("content-security-policy")
    assert len(policies) == 1
    rules = dict(rule.strip().partition(" ")[::2] for rule in policies[0].split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["frame-ancestors"] == rules["base-uri"] == "'none'"
    assert rules["form-action"] == rules["style-src"] == "'self'"
    nonce = re.fullmatch(r"'nonce-([\w-]{22,})'", rules["script-src"])
    assert nonce is not None
    scripts = [attributes for tag, attributes in Tags(response.text).found if tag == "script"]
    assert scripts
    assert all(script["nonce"] == nonce[1] for script in scripts)
    assert response.headers["x-content-type-options"] == "nosniff"
    # Fetch, "append a request Origin header": under no-referrer a form would say "Origin: null".
    assert response.headers.get_list("referrer-policy") == ["same-origin"]
    assert response.headers["cache-control"] == "no-store"


def test_a_nonce_is_used_once(api: Api) -> None:
    assert len({re.search(r'nonce="([^"]+)"', nothing_here(api))[1] for _ in range(3)}) == 3  # type: ignore[index]


def test_nothing_of_a_page_comes_from_elsewhere_and_nothing_is_styled_in_place(api: Api) -> None:
    for tag, attributes in Tags(nothing_here(api)).found:
        for name in ("href", "src", "action"):
            assert (attributes.get(name) or "/").startswith(("/", "#")), (tag, attributes)
        assert not {name for name in attributes if name == "style" or name.startswith("on")}


def test_a_static_file_is_good_for_ever_and_known_again(api: Api) -> None:
    for name in every_file():
        response = api.get(address_of(name), key=None)
        assert response.status_code == 200
        assert response.headers.get_list("cache-control") == ["public, max-age=31536000, immutable"]
        tag = response.headers["etag"]
        again = api.get(address_of(name), key=None, headers={"If-None-Match": tag})
        assert (again.status_code, again.content) == (304, b"")


@pytest.mark.parametrize(
    "path", ["/static/0000000000000000/look.css", "/static/x/../routing.py", "/static/x/none.js"]
)
def test_an_address_of_another_content_gives_nothing(api: Api, path: str) -> None:
    assert api.get(path, key=None).status_code == 404


# ---------------------------------------------------------------- forms of other sites


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Sec-Fetch-Site": "same-origin", "Origin": "http://ingest.test"}, 303),
        ({"Sec-Fetch-Site": "none"}, 403),
        ({"Sec-Fetch-Site": "cross-site", "Origin": "http://ingest.test"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Origin": "http://ingest.test"}, 303),
        ({"Origin": "http://elsewhere.test"}, 403),
        ({"Origin": "https://ingest.test"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "http://["}, 403),
        ({}, 403),
    ],
)
def test_a_form_of_another_site_changes_nothing(api: Api, headers: dict[str, str], status: int) -> None:
    response = api.request("POST", "/language", key=None, headers=headers, data={"language": "de"})
    assert response.status_code == status
    assert ("set-cookie" in response.headers) == (status == 303)


#: forms that come from anywhere -> why: their address holds a secret, and no cookie counts
FROM_ANYWHERE = {"/messages/leave": "a mail program POSTs it with one click (RFC 8058)"}
FORMS = {path for method, path in ALLOWED_PAGES if method == "POST"} - FROM_ANYWHERE.keys()


@pytest.mark.parametrize("path", sorted(FORMS))
def test_every_form_asks_where_it_comes_from_also_one_that_is_open_to_all(api: Api, path: str) -> None:
    """Without a word, and typed by the person: only a page of ours sends a form."""
    address = re.sub(r"{\w+}", "grader-07", path)
    for headers in ({}, {"Sec-Fetch-Site": "none"}, {"Sec-Fetch-Site": "cross-site"}):
        response = api.request("POST", address, key=None, headers={"Accept": "application/json", **headers})
        assert response.status_code == 403
        assert "set-cookie" not in response.headers


@pytest.mark.parametrize("site", ["none", "same-site", "cross-site"])
def test_a_key_is_no_leave_for_another_site(api: Api, site: str) -> None:
    response = api.request("POST", "/language", key="admin", headers={"Sec-Fetch-Site": site})
    assert response.status_code == 403


@pytest.mark.parametrize(
    "path",
    [
        "https://elsewhere.test/",
        "//elsewhere.test",
        "//[",
        "/\\elsewhere.test",
        "javascript:alert(1)",
        "",
        "fleet",
        "/\r\nx",
    ],
)
def test_nobody_is_led_elsewhere(path: str) -> None:
    """OWASP Unvalidated Redirects and Forwards Cheat Sheet."""
    assert own_path(path) == "/"


def test_a_path_of_ours_is_gone_to_with_its_query() -> None:
    assert own_path("/machines/grader-07?from=2026-01-01") == "/machines/grader-07?from=2026-01-01"


# ---------------------------------------------------------------- errors


def test_a_browser_is_answered_with_a_page_and_a_program_with_a_document(api: Api) -> None:
    for_people = api.get("/nothing-here", key=None, headers={"Accept": "text/html,*/*;q=0.8"})
    assert for_people.headers["content-type"].startswith("text/html")
    for_programs = api.get("/nothing-here", key=None)
    assert for_programs.headers["content-type"] == "application/problem+json"
    below_v1 = api.get("/v1/nothing-here", key=None, headers={"Accept": "text/html"})
    assert below_v1.headers["content-type"] == "application/problem+json"


def test_an_error_page_has_a_number_to_quote(api: Api) -> None:
    response = api.get("/nothing-here", key=None, headers={"Accept": "text/html"})
    assert response.headers["request-id"] in response.text


def test_what_breaks_shows_a_number_and_nothing_of_the_inside(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(_: str) -> bool:
        raise RuntimeError("a secret of the inside")

    monkeypatch.setattr("cleanside.ingest.console.front_page.own_path", breaks)
    response = api.request("POST", "/language", key=None, headers=OWN, data={"language": "de"})
    assert response.status_code == 500
    assert response.headers["request-id"] in response.text
    assert "secret" not in response.text
    assert "Traceback" not in response.text


@pytest.mark.parametrize(
    ("asked", "cookie", "language"),
    [
        ("de-AT,de;q=0.9", "", "de"),
        ("en-US", "", "en"),
        ("de", "language=en", "en"),
        ("", "language=xx", "en"),
    ],
)
def test_a_page_is_in_the_language_of_who_looks(api: Api, asked: str, cookie: str, language: str) -> None:
    page = nothing_here(api, **{"Accept-Language": asked, "Cookie": cookie})
    assert f'<html lang="{language}">' in page


def test_the_zone_is_named_in_the_head(api: Api) -> None:
    assert "times in UTC" in nothing_here(api)
    assert "Asia/Kathmandu" in nothing_here(api, Cookie="zone=Asia/Kathmandu")


def test_a_hostile_address_is_text(api: Api) -> None:
    page = nothing_here(api, path="/%3Cscript%3Ealert(1)%3C/script%3E?x=%22%3E%3Cscript%3E")
    assert "<script>alert" not in page
    assert '"><script>' not in page
