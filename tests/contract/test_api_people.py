"""People: invited, listed, changed, given a new link, out again; who may decide about whom."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from tests.support.coded import sentence
from tests.support.people import ORIGIN, PASSWORD, Browser, invited, quick_passwords, said, signed_in
from tests.support.serving import Api, in_process

HOSTILE = '<script>alert(1)</script> "\u202e\U0001f69c' + "x" * 60


@pytest.fixture
def lone(sqlite_database_url: str) -> Iterator[Api]:
    """What does not depend on the database."""
    with in_process(sqlite_database_url) as running:
        quick_passwords(running)
        yield running


def test_people_are_listed_by_name_a_page_at_a_time_without_secrets(lone: Api) -> None:
    signed_in(lone, "zoe", "viewer", sites=["valley", "plateau-north"])
    invited(lone, "adam", "technician", display_name="Adam Kühn")
    invited(lone, "mara", "planner", key="quarry admin")
    page = lone.get("/v1/people?limit=1").json()
    rest = lone.get(f"/v1/people?limit=1&cursor={page['next']}").json()
    assert rest["next"] is None
    adam, zoe = page["people"] + rest["people"]
    assert (adam["person"], adam["state"], adam["display_name"]) == ("adam", "invited", "Adam Kühn")
    assert adam["invited_until"] == "2026-03-09T09:00:00Z"
    assert (zoe["person"], zoe["state"], zoe["sites"]) == ("zoe", "valid", ["plateau-north", "valley"])
    assert zoe["invited_until"] is None
    assert "link" not in adam


@pytest.mark.parametrize(
    "name",
    [
        "",
        "Mara",
        "mara lindt",
        "k0a1b2c3d",
        "command",
        "start",
        "../x",
        "-mara",
        "m" * 33,
        "mära",
        "server",
        "system",
        "gateway",
        "undo",
        "s-ystem",
        "c0mmand",
        "boss.",
    ],
)
def test_a_name_that_the_audit_log_could_not_tell_is_refused(lone: Api, name: str) -> None:
    assert said(lone.post("/v1/people", {"name": name, "role": "viewer"})) == (422, "not_valid")


def test_a_name_is_given_out_once(lone: Api) -> None:
    invited(lone, "mara", "viewer")
    body = {"name": "mara", "role": "admin"}
    assert said(lone.post("/v1/people", body)) == (409, "name_taken")
    assert lone.request("DELETE", "/v1/people/mara").json()["state"] == "revoked"
    assert said(lone.post("/v1/people", body)) == (409, "name_taken")
    assert said(lone.request("PATCH", "/v1/people/mara", json={"role": "viewer"})) == (404, "unknown_person")
    assert said(lone.post("/v1/people/mara/resets", {})) == (404, "unknown_person")
    assert lone.request("DELETE", "/v1/people/mara").status_code == 200  # a second time changes nothing


@pytest.mark.parametrize("other", ["b-oss", "bo_ss", "b0ss"])
def test_a_name_that_reads_like_another_persons_is_refused(lone: Api, other: str) -> None:
    invited(lone, "boss", "viewer")
    refused = lone.post("/v1/people", {"name": other, "role": "viewer"})
    assert said(refused) == (409, "name_taken")
    assert "boss" in refused.json()["detail"]
    assert "machine" not in refused.json()["next_step"], "the next step fits a person"
    assert lone.post("/v1/people", {"name": "boss2", "role": "viewer"}).status_code == 201


def test_whoever_is_revoked_a_second_time_is_in_the_audit_once(lone: Api) -> None:
    invited(lone, "mara", "viewer")
    made = lone.post("/v1/keys", {"role": "operator"}).json()["key"].partition(".")[0]
    for path in ("/v1/people/mara", f"/v1/keys/{made}") * 2:
        assert lone.request("DELETE", path).status_code == 200
    lines = [entry["what"] for entry in lone.get("/v1/audit").json()["entries"]]
    assert (lines.count("person_revoked"), lines.count("key_revoked")) == (1, 1)


def test_a_display_name_may_have_any_text_and_comes_back_unchanged(lone: Api) -> None:
    shown = HOSTILE.replace("\u202e", "")
    browser = signed_in(lone, "mara", "viewer", display_name=shown)
    assert browser.get("/v1/me").json()["display_name"] == shown
    refused = lone.post("/v1/people", {"name": "otto", "role": "viewer", "display_name": HOSTILE})
    assert said(refused) == (422, "not_valid")  # a character that turns the writing round is not printable


def test_what_is_done_to_people_is_in_the_audit_with_who_did_it(lone: Api) -> None:
    admin = signed_in(lone, "boss", "admin")
    lone.post("/v1/sites", {"site": "valley"}).raise_for_status()
    assert admin.post("/v1/people", {"name": "mara", "role": "viewer"}).status_code == 201
    assert admin.request("PATCH", "/v1/people/mara", {"role": "planner", "sites": ["valley"]}).is_success
    assert admin.post("/v1/people/mara/resets").status_code == 201
    assert admin.request("DELETE", "/v1/people/mara").status_code == 200
    assert admin.request("PATCH", "/v1/me", {"language": "de"}).json()["language"] == "de"
    [session] = admin.get("/v1/sessions").json()["sessions"]
    change = {"password": PASSWORD, "new_password": "seven graders on gravel"}
    assert admin.post("/v1/me/password", change).status_code == 200
    [session] = admin.get("/v1/sessions").json()["sessions"]
    assert admin.request("DELETE", f"/v1/sessions/{session['session']}").status_code == 200
    entries = lone.get("/v1/audit?who=boss").json()["entries"]
    assert [entry["what"] for entry in reversed(entries)] == [
        *("person_joined", "signed_in"),
        *("person_invited", "person_edited", "person_reset", "person_revoked", "me_edited"),
        *("password_changed", "signed_in", "signed_out"),
    ]
    assert entries[-4]["detail"] == "mara planner, sites: valley"


# ---------------------------------------------------------------- the last admin


def test_the_last_admin_who_can_sign_in_stays_one(lone: Api) -> None:
    admin = signed_in(lone, "boss", "admin")
    invited(lone, "second", "admin")  # has no password yet, so cannot sign in
    signed_in(lone, "third", "admin", sites=["valley"])
    requests: list[tuple[str, str, Any]] = [
        ("DELETE", "/v1/people/boss", None),
        ("PATCH", "/v1/people/boss", {"role": "viewer"}),
        ("PATCH", "/v1/people/boss", {"sites": ["valley"]}),
        ("POST", "/v1/people/boss/resets", {}),
    ]
    for method, path, body in requests:
        assert said(admin.request(method, path, body)) == (409, "last_admin")
    assert admin.request("PATCH", "/v1/people/boss", {"role": "admin", "sites": []}).status_code == 200
    signed_in(lone, "fourth", "admin")
    assert admin.request("DELETE", "/v1/people/boss").status_code == 200
    assert admin.get("/v1/me").status_code == 401


def test_of_two_admins_that_revoke_each_other_at_the_same_moment_one_person_stays(api: Api) -> None:
    quick_passwords(api)
    browsers = {name: signed_in(api, name, "admin") for name in ("boss", "chief")}

    def request_of(browser: Browser, other: str) -> Any:
        headers = {"Origin": ORIGIN, "Cookie": f"cleanside={browser.token}"}
        return lambda: ("DELETE", f"/v1/people/{other}", headers, b"")

    answers = api.together([request_of(browsers["boss"], "chief"), request_of(browsers["chief"], "boss")])
    assert answers.count(200) == 1
    states = [one["state"] for one in api.get("/v1/people").json()["people"]]
    assert sorted(states) == ["revoked", "valid"]


# ---------------------------------------------------------------- some sites


def test_a_site_that_is_not_entered_is_refused_with_the_one_it_resembles(lone: Api) -> None:
    lone.post("/v1/sites", {"site": "plateau-north", "display_name": "Kieswerk"}).raise_for_status()
    wanted = {"name": "ines.kolb", "role": "technician"}
    for written, meant in (("plateau-nord", "plateau-north"), ("Kieswerk", "plateau-north"), ("quay", None)):
        answer = lone.post("/v1/people", wanted | {"sites": [written]})
        about = {"site": written, "likely": meant}
        assert said(answer) == (404, "unknown_site")
        assert answer.json()["detail"] == sentence("site_unknown", **about)
    assert lone.get("/v1/people/ines.kolb").status_code in (404, 405)
    invited(lone, "ines.kolb", "technician", sites=["plateau-north"])
    changed = lone.request("PATCH", "/v1/people/ines.kolb", json={"sites": ["plateau-nort"]})
    assert said(changed) == (404, "unknown_site")


def test_an_admin_of_some_sites_decides_about_people_of_these_alone(lone: Api) -> None:
    admin = signed_in(lone, "boss", "admin", sites=["valley", "quay"])
    signed_in(lone, "chief", "admin")
    invited(lone, "everywhere", "viewer")
    invited(lone, "north", "viewer", sites=["plateau-north", "valley"])
    bodies: list[dict[str, Any]] = [{}, {"sites": []}, {"sites": ["plateau-north"]}]
    for body in (*bodies, {"sites": ["valley", "plateau-north"]}):
        refused = admin.post("/v1/people", {"name": "otto", "role": "viewer"} | body)
        assert said(refused) == (403, "site_not_yours")
    for name in ("everywhere", "north", "chief"):
        assert said(admin.request("PATCH", f"/v1/people/{name}", {"role": "admin"})) == (
            403,
            "site_not_yours",
        )
        assert said(admin.request("DELETE", f"/v1/people/{name}")) == (403, "site_not_yours")
        assert said(admin.post(f"/v1/people/{name}/resets")) == (403, "site_not_yours")
    assert said(admin.request("PATCH", "/v1/people/boss", {"sites": []})) == (403, "site_not_yours")
    made = admin.post("/v1/people", {"name": "otto", "role": "technician", "sites": ["valley"]})
    assert made.status_code == 201
    assert admin.request("PATCH", "/v1/people/otto", {"sites": ["quay"]}).json()["sites"] == ["quay"]


def test_who_sees_some_sites_gets_at_nothing_that_reaches_beyond_them(lone: Api) -> None:
    """A key sees all sites: whoever may make one would see them too."""
    admin = signed_in(lone, "boss", "admin", sites=["valley"])
    for method, path, body in (
        ("GET", "/v1/keys", None),
        ("POST", "/v1/keys", {"role": "admin"}),
        ("GET", "/v1/audit", None),
        ("GET", "/v1/webhooks", None),
        ("GET", "/v1/transfers", None),
        ("GET", "/metrics", None),
    ):
        assert said(admin.request(method, path, body)) == (403, "site_not_yours")
    assert "keys:manage" not in admin.get("/v1/me").json()["permissions"]
    page = admin.get("/people", headers={"Accept": "text/html"}).text
    assert 'href="/keys"' not in page
    assert lone.request("PATCH", "/v1/people/boss", json={"sites": []}).status_code == 200
    assert admin.get("/v1/keys").status_code == 200


def test_a_role_that_a_person_may_not_have_is_refused(lone: Api) -> None:
    for role in ("device", "integrator", "owner", "", None):
        assert said(lone.post("/v1/people", {"name": "otto", "role": role})) == (422, "not_valid")
    browser = signed_in(lone, "mara", "viewer")
    not_ones_own: list[dict[str, Any]] = [{"role": "admin"}, {"sites": []}, {"person": "otto"}]
    for body in not_ones_own:
        assert said(browser.request("PATCH", "/v1/me", body)) == (422, "not_valid")
    assert json.dumps(browser.get("/v1/me").json()["role"]) == '"viewer"'


def test_a_name_that_nobody_can_sign_in_with_is_refused_by_its_own_rule(api: Api) -> None:
    refused = api.post("/v1/people", {"name": "Anna Müller", "role": "viewer"})
    assert refused.status_code == 422
    [wrong] = refused.json()["errors"]
    assert "1 to 32 small letters" in wrong["detail"]  # and not the rule for names of machines
