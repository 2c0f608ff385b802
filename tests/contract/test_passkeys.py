"""
Passkeys: made, used, refused. W3C Web Authentication level 3, sections 7.1 and 7.2: what a server checks.

The authenticator is software of the tests (`tests/support/authenticator.py`); a browser with a virtual one is
in `tests/browser/test_sign_in_pages.py`.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.ingest.console.me_page import NEW_US
from cleanside.ingest.owners.passkeys import CHALLENGE_US, MOST_PASSKEYS, OF_ADDRESS
from cleanside.ingest.owners.sign_in_pace import FREE, PAIR
from cleanside.ingest.settings import load
from cleanside.ingest.store import passkeys as passkey_store
from tests.support.authenticator import USER_PRESENT, Authenticator, encoded
from tests.support.people import PASSWORD, Browser, quick_passwords, said, signed_in
from tests.support.serving import Api, in_process

NAME, SHOP = "filters.example", "https://filters.example"
MAKING = "/v1/passkeys/options"
NEW_PASSWORD = "seven graders on gravel"


@pytest.fixture
def api(database_url: str) -> Iterator[Api]:
    settings = load(flags={"database": database_url, "public_address": SHOP}, environ={})
    with in_process(database_url, settings=settings) as running:
        quick_passwords(running)
        yield running


@pytest.fixture
def lone(sqlite_database_url: str) -> Iterator[Api]:
    """What does not depend on the database."""
    settings = load(flags={"database": sqlite_database_url, "public_address": SHOP}, environ={})
    with in_process(sqlite_database_url, settings=settings) as running:
        quick_passwords(running)
        yield running


def options_of(browser: Browser, path: str, body: Any = None) -> dict[str, Any]:
    answer = browser.post(path, body)
    assert answer.status_code == 200, answer.text
    options: dict[str, Any] = answer.json()["options"]
    return options


def making_options(browser: Browser) -> dict[str, Any]:
    return options_of(browser, MAKING, {"password": PASSWORD})


def made(browser: Browser, token: Authenticator, name: str = "phone") -> Any:
    credential = token.make(making_options(browser))
    return browser.post("/v1/passkeys", {"name": name, "credential": credential})


def used(api: Api, token: Authenticator) -> tuple[Browser, Any]:
    browser = Browser(api)
    credential = token.sign(options_of(browser, "/v1/sessions/passkey-options"))
    return browser, browser.post("/v1/sessions/passkey", {"credential": credential})


def test_a_passkey_signs_its_person_in_without_name_and_password(api: Api) -> None:
    mara, token = signed_in(api, "mara", "planner"), Authenticator(SHOP, NAME)
    options = making_options(mara)
    assert options["rp"]["id"] == NAME
    assert options["authenticatorSelection"]["userVerification"] == "required"
    assert options["authenticatorSelection"]["residentKey"] == "required"
    assert made(mara, token).status_code == 201
    asked = options_of(Browser(api), "/v1/sessions/passkey-options")
    assert not asked.get("allowCredentials")  # it names no person
    browser, answer = used(api, token)
    assert (answer.status_code, answer.json()["person"]) == (201, "mara")
    assert browser.token not in (mara.token, None)
    assert browser.get("/v1/me").status_code == 200
    [listed] = mara.get("/v1/passkeys").json()["passkeys"]
    assert (listed["name"], listed["last_used_at"]) == ("phone", "2026-03-02T09:00:00Z")
    assert mara.request("DELETE", f"/v1/passkeys/{listed['passkey']}").status_code == 200
    assert said(used(api, token)[1]) == (403, "passkey_refused")
    kinds = [entry["what"] for entry in api.get("/v1/audit?who=mara&limit=3").json()["entries"]]
    assert kinds == ["passkey_removed", "signed_in", "passkey_made"]


def test_a_challenge_is_signed_once_in_time_and_for_what_it_was_made_for(api: Api) -> None:
    mara, token = signed_in(api, "mara", "viewer"), Authenticator(SHOP, NAME)
    assert made(mara, token).status_code == 201
    browser = Browser(api)
    credential = token.sign(options_of(browser, "/v1/sessions/passkey-options"))
    assert browser.post("/v1/sessions/passkey", {"credential": credential}).status_code == 201
    assert said(browser.post("/v1/sessions/passkey", {"credential": credential})) == (403, "passkey_refused")
    late = token.sign(options_of(browser, "/v1/sessions/passkey-options"))
    api.clock.advance(CHALLENGE_US / 1e6)
    assert said(browser.post("/v1/sessions/passkey", {"credential": late})) == (403, "passkey_refused")
    for_making = token.sign(making_options(mara))
    assert said(browser.post("/v1/sessions/passkey", {"credential": for_making})) == (403, "passkey_refused")
    made_up = token.sign({"challenge": encoded(bytes(32))})
    assert said(browser.post("/v1/sessions/passkey", {"credential": made_up})) == (403, "passkey_refused")
    otto, other = signed_in(api, "otto", "viewer"), Authenticator(SHOP, NAME)
    of_mara = other.make(making_options(mara))
    assert said(otto.post("/v1/passkeys", {"credential": of_mara})) == (403, "passkey_refused")


@pytest.mark.parametrize(
    "wrong",
    [
        Authenticator("https://evil.example", NAME),  # section 7.2 step 13: another origin
        Authenticator(SHOP, "evil.example"),  # step 15: another server's passkey
        Authenticator(SHOP, NAME, flags=USER_PRESENT),  # step 17: neither PIN nor finger was shown
    ],
    ids=["origin", "server", "not verified"],
)
def test_what_another_page_or_nobody_asked_for_is_refused(api: Api, wrong: Authenticator) -> None:
    mara, right = signed_in(api, "mara", "viewer"), Authenticator(SHOP, NAME)
    assert said(made(mara, wrong)) == (403, "passkey_refused")
    assert made(mara, right).status_code == 201
    right.origin, right.name, right.flags = wrong.origin, wrong.name, wrong.flags
    assert said(used(api, right)[1]) == (403, "passkey_refused")


def test_a_signature_that_was_altered_and_a_counter_that_went_back_are_refused(api: Api) -> None:
    mara, token = signed_in(api, "mara", "viewer"), Authenticator(SHOP, NAME)
    assert made(mara, token).status_code == 201
    browser = Browser(api)
    credential = token.sign(options_of(browser, "/v1/sessions/passkey-options"))
    altered = copy.deepcopy(credential)
    altered["response"]["signature"] = credential["response"]["signature"][:-6] + "AAAAAA"
    assert said(browser.post("/v1/sessions/passkey", {"credential": altered})) == (403, "passkey_refused")
    token.count = 5
    assert used(api, token)[1].status_code == 201
    token.count = 2  # a copy of the authenticator (section 6.1.1)
    assert said(used(api, token)[1]) == (403, "passkey_refused")


@pytest.mark.parametrize("ending", ["revoked", "reset"])
def test_who_is_out_signs_in_with_no_passkey(api: Api, ending: str) -> None:
    mara, token = signed_in(api, "mara", "viewer"), Authenticator(SHOP, NAME)
    assert made(mara, token).status_code == 201
    if ending == "revoked":
        assert api.request("DELETE", "/v1/people/mara").status_code == 200
    else:
        assert api.post("/v1/people/mara/resets", {}).status_code == 201
    assert said(used(api, token)[1]) == (403, "passkey_refused")


def test_a_new_password_removes_passkeys_and_ends_their_sessions(api: Api) -> None:
    """Whoever took the session may have made one: OWASP ASVS 5.0 chapter 7.4 (from memory)."""
    mara, token = signed_in(api, "mara", "viewer"), Authenticator(SHOP, NAME)
    assert made(mara, token).status_code == 201
    browser, _ = used(api, token)
    begun = Authenticator(SHOP, NAME).make(making_options(mara))
    change = {"password": PASSWORD, "new_password": NEW_PASSWORD}
    assert mara.post("/v1/me/password", change).status_code == 200
    assert browser.get("/v1/me").status_code == 401
    assert said(used(api, token)[1]) == (403, "passkey_refused")
    assert said(mara.post("/v1/passkeys", {"credential": begun})) == (403, "passkey_refused")
    assert mara.get("/v1/passkeys").json() == {"passkeys": []}


def test_who_took_a_session_makes_no_passkey_without_the_password(api: Api) -> None:
    taken = signed_in(api, "mara", "viewer")
    assert said(taken.post(MAKING)) == (422, "not_valid")
    for _ in range(FREE[PAIR]):
        assert said(taken.post(MAKING, {"password": NEW_PASSWORD})) == (403, "sign_in_refused")
    assert said(taken.post(MAKING, {"password": PASSWORD})) == (429, "over_quota")  # guessing waits here, too


def test_a_passkey_is_shown_as_new_for_a_week(lone: Api) -> None:
    mara = signed_in(lone, "mara", "viewer")
    assert made(mara, Authenticator(SHOP, NAME)).status_code == 201
    assert "data-new" in mara.get("/me").text
    lone.clock.advance(NEW_US / 1e6 - 60)
    assert mara.sign_in("mara").status_code == 201
    assert "data-new" in mara.get("/me").text
    lone.clock.advance(60)
    assert "data-new" not in mara.get("/me").text


@pytest.mark.parametrize(
    "credential",
    [
        {},
        {"id": 7},
        {"response": []},
        {"response": {"clientDataJSON": "é"}},
        {"response": {"clientDataJSON": encoded(b"[]")}},
        {"response": {"clientDataJSON": encoded(b'{"challenge": 7}')}},
        {"response": {"clientDataJSON": encoded(b"\xff")}},
    ],
)
def test_what_is_no_credential_is_refused_as_one_that_does_not_fit(
    api: Api, credential: dict[str, Any]
) -> None:
    mara = signed_in(api, "mara", "viewer")
    for browser, path in ((mara, "/v1/passkeys"), (Browser(api), "/v1/sessions/passkey")):
        assert said(browser.post(path, {"credential": credential})) == (403, "passkey_refused")


@pytest.mark.parametrize("garbage", [b"", b"\xff" * 10, b"\xa0", b"\xbf", bytes(37), bytes(200), None])
@pytest.mark.parametrize("member", ["attestationObject", "authenticatorData", "signature", "id", "type"])
def test_garbage_that_carries_an_open_challenge_is_refused_too(
    lone: Api, garbage: bytes | None, member: str
) -> None:
    mara, token = signed_in(lone, "mara", "viewer"), Authenticator(SHOP, NAME)
    assert made(mara, token).status_code == 201
    browser = Browser(lone)
    making = member == "attestationObject"
    asker, path = (mara, "/v1/passkeys") if making else (browser, "/v1/sessions/passkey")
    asked = making_options(mara) if making else options_of(browser, "/v1/sessions/passkey-options")
    credential = Authenticator(SHOP, NAME).make(asked) if making else token.sign(asked)
    place = credential if member in credential else credential["response"]
    place[member] = 7 if garbage is None else encoded(garbage)
    assert said(asker.post(path, {"credential": credential})) == (403, "passkey_refused")


def test_a_person_has_a_bounded_number_and_removes_only_their_own(api: Api) -> None:
    mara, otto = signed_in(api, "mara", "viewer"), signed_in(api, "otto", "viewer")
    for _ in range(MOST_PASSKEYS):
        assert made(mara, Authenticator(SHOP, NAME)).status_code == 201
    assert said(mara.post(MAKING, {"password": PASSWORD})) == (409, "passkey_refused")
    [first, *_] = mara.get("/v1/passkeys").json()["passkeys"]
    assert said(otto.request("DELETE", f"/v1/passkeys/{first['passkey']}")) == (404, "unknown_passkey")
    assert otto.get("/v1/passkeys").json() == {"passkeys": []}


def test_who_is_not_signed_in_gets_a_bounded_number_of_challenges(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By address, and apart from those that people make passkeys with."""
    mara, token = signed_in(api, "mara", "viewer"), Authenticator(SHOP, NAME)
    begun = token.make(making_options(mara))
    other, asking = Browser(api.from_address("198.51.100.7")), "/v1/sessions/passkey-options"
    monkeypatch.setattr(passkey_store, "MOST_CHALLENGES", OF_ADDRESS // 2)
    for _ in range(OF_ADDRESS):
        assert other.post(asking).status_code == 200
        api.clock.advance(0.001)
    waits = other.post(asking)
    assert said(waits) == (429, "over_quota")
    assert 0 < int(waits.headers["retry-after"]) <= CHALLENGE_US / 1e6
    assert mara.post("/v1/passkeys", {"name": "phone", "credential": begun}).status_code == 201
    assert used(api, token)[1].status_code == 201  # from another address at once
    api.clock.advance(CHALLENGE_US / 1e6)
    assert other.post(asking).status_code == 200


def test_under_a_bare_address_there_are_none(sqlite_database_url: str) -> None:
    for address in ("http://127.0.0.1:8750", "https://192.0.2.7", "http://filters.example", "https://[::1]"):
        flags = {"database": sqlite_database_url, "public_address": address}
        with in_process(sqlite_database_url, settings=load(flags=flags, environ={}), tokens={}) as api:
            answer = Browser(api).post("/v1/sessions/passkey-options")
            assert said(answer) == (409, "passkeys_not_here")


def test_another_site_asks_for_no_challenge(api: Api) -> None:
    for path in ("/v1/sessions/passkey-options", "/v1/sessions/passkey"):
        answer = Browser(api).post(path, {"credential": {}}, headers={"Sec-Fetch-Site": "cross-site"})
        assert said(answer) == (403, "cross_site")
