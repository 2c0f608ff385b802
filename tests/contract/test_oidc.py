"""
Signing in by an OpenID provider: bound by an invitation, once a try, and no answer that does not hold.

The attacks are those of RFC 9700 section 4 and RFC 8725 section 2, as far as they reach a client.
"""

from __future__ import annotations

import base64
import hmac
import json
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
from joserfc import jwt
from joserfc.jwk import RSAKey

from cleanside.ingest.api.routes.services import new_services
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.owners.oidc_provider import is_usable
from cleanside.ingest.settings import load
from tests.support.coded import refused
from tests.support.oidc_provider import CLIENT, SECRET, OpenIdProvider
from tests.support.people import ORIGIN, Browser, invited, quick_passwords
from tests.support.serving import Api, in_process

BEGIN = "/sign-in/provider"


@pytest.fixture
def provider() -> Iterator[OpenIdProvider]:
    with OpenIdProvider() as running:
        yield running


@pytest.fixture
def api(sqlite_database_url: str, provider: OpenIdProvider, tmp_path_factory: Any) -> Iterator[Api]:
    secret = tmp_path_factory.mktemp("oidc") / "secret"
    secret.write_text(f"{SECRET}\n")
    flags = {"database": sqlite_database_url, "oidc_issuer": provider.issuer, "oidc_client_id": CLIENT}
    flags |= {"oidc_name": "the works' directory", "oidc_client_secret_file": str(secret)}
    settings = load(flags=flags, environ={})
    with in_process(sqlite_database_url, settings=settings) as running:
        quick_passwords(running)
        provider.now_s = lambda: running.clock() / 1e6
        yield running


def come_back(browser: Browser, provider: OpenIdProvider, **query: str) -> Any:
    """Through the provider's page and back, as a browser does it."""
    begun = browser.get(f"{BEGIN}?{urlencode(query)}")
    assert begun.status_code == 303, begun.text
    return browser.get(path_of(provider.approve(begun.headers["location"])))


def path_of(address: str) -> str:
    assert address.startswith(ORIGIN)
    return address.removeprefix(ORIGIN)


def bound(api: Api, provider: OpenIdProvider, person: str = "mara", role: str = "planner") -> Browser:
    """Somebody who came in by the link of an invitation and the provider."""
    browser = Browser(api)
    answer = come_back(browser, provider, code=invited(api, person, role))
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    return browser


def is_in(browser: Browser) -> bool:
    return browser.get("/v1/me").status_code == 200


def test_an_invitation_binds_an_identity_which_signs_in_from_then_on(
    api: Api, provider: OpenIdProvider
) -> None:
    code = invited(api, "mara", "planner")
    assert f"{BEGIN}?code={code}" in Browser(api).get(f"/join?code={code}").text
    first = Browser(api)
    assert come_back(first, provider, code=code).status_code == 303
    assert first.get("/v1/me").json()["person"] == "mara"
    again = Browser(api)
    assert "the works&#39; directory" in again.get("/sign-in").text
    answer = come_back(again, provider, next="/fleet?kind=grader")
    assert answer.headers["location"] == "/fleet?kind=grader"
    assert is_in(again)
    assert "cleanside-try" not in again.cookies
    assert Browser(api).sign_in("mara").status_code == 403  # there is no password that anybody knows


def test_nobodys_identity_signs_nobody_in(api: Api, provider: OpenIdProvider) -> None:
    bound(api, provider)
    provider.subject = "another"
    browser = Browser(api)
    answer = come_back(browser, provider)
    assert (answer.status_code, is_in(browser)) == (403, False)


def test_an_identity_is_one_persons(api: Api, provider: OpenIdProvider) -> None:
    bound(api, provider)
    other = Browser(api)
    answer = come_back(other, provider, code=invited(api, "otto", "viewer"))
    assert (answer.status_code, is_in(other)) == (409, False)
    assert api.get("/v1/people").json()["people"][1]["state"] == "invited"  # the link is good still


@pytest.mark.parametrize("end", ["DELETE", "resets"])
def test_who_is_revoked_or_reset_is_out(api: Api, provider: OpenIdProvider, end: str) -> None:
    browser = bound(api, provider)
    path = "/v1/people/mara"
    ended = api.request("DELETE", path) if end == "DELETE" else api.post(f"{path}/resets", {})
    assert ended.status_code in (200, 201)
    assert not is_in(browser)
    assert come_back(Browser(api), provider).status_code == 403


def test_a_link_counts_once_by_the_provider_too(api: Api, provider: OpenIdProvider) -> None:
    code = invited(api, "mara", "planner")
    assert come_back(Browser(api), provider, code=code).status_code == 303
    provider.subject = "another"
    assert come_back(Browser(api), provider, code=code).status_code == 403


# ---------------------------------------------------------------- answers that do not hold


def unsigned(claims: dict[str, Any], _: RSAKey) -> str:
    return b".".join([*map(encoded, [{"alg": "none", "kid": "of-today"}, claims]), b""]).decode()


def by_another_key(claims: dict[str, Any], _: RSAKey) -> str:
    return jwt.encode({"alg": "RS256", "kid": "of-today"}, claims, RSAKey.generate_key(2048))


def with_the_public_key_as_a_secret(claims: dict[str, Any], key: RSAKey) -> str:
    """RFC 8725 section 2.1. By hand: no library signs like that any more."""
    signed = b".".join(map(encoded, [{"alg": "HS256", "kid": "of-today"}, claims]))
    made = hmac.digest(key.as_pem(private=False), signed, "sha256")
    return (signed + b"." + base64.urlsafe_b64encode(made).rstrip(b"=")).decode()


def encoded(part: dict[str, Any]) -> bytes:
    return base64.urlsafe_b64encode(json.dumps(part).encode()).rstrip(b"=")


def changed_after(claims: dict[str, Any], key: RSAKey) -> str:
    head, _, signature = jwt.encode({"alg": "RS256", "kid": "of-today"}, claims, key).split(".")
    other = json.dumps(claims | {"sub": "248289761001"}).encode() + b" "
    return ".".join([head, base64.urlsafe_b64encode(other).rstrip(b"=").decode(), signature])


def no_token(*_: object) -> str:
    return "no token at all"


@pytest.mark.parametrize(
    "forge", [unsigned, by_another_key, with_the_public_key_as_a_secret, changed_after, no_token]
)
def test_a_token_that_the_provider_did_not_sign_signs_nobody_in(
    api: Api, provider: OpenIdProvider, forge: Callable[[dict[str, Any], RSAKey], str]
) -> None:
    bound(api, provider)
    provider.forge = forge
    browser = Browser(api)
    assert (come_back(browser, provider).status_code, is_in(browser)) == (403, False)


@pytest.mark.parametrize(
    "claims",
    [
        {"aud": "another client"},
        {"aud": [CLIENT, "another client"]},
        {"aud": [CLIENT, "another client"], "azp": "another client"},
        {"aud": None},
        {"azp": "another client"},
        {"iss": "https://provider.example"},
        {"nonce": "of another try"},
        {"nonce": None},
        {"exp": 1},
        {"exp": None},
        {"exp": "never"},
        {"iat": 10**11},
        {"iat": None},
        {"sub": None},
        {"sub": ""},
        {"sub": "x" * 256},
    ],
    ids=str,
)
def test_a_token_that_is_not_for_this_try_signs_nobody_in(
    api: Api, provider: OpenIdProvider, claims: dict[str, Any]
) -> None:
    bound(api, provider)
    provider.claims = claims
    browser = Browser(api)
    assert (come_back(browser, provider).status_code, is_in(browser)) == (403, False)


@pytest.mark.parametrize("issuer", ["https://provider.example", None])
def test_an_answer_of_another_provider_is_not_taken(
    api: Api, provider: OpenIdProvider, issuer: str | None
) -> None:
    """Mix-up (RFC 9207): also where the provider promises to name itself and the answer does not."""
    bound(api, provider)
    provider.answered_issuer = issuer
    asked = len(provider.asked)
    browser = Browser(api)
    assert (come_back(browser, provider).status_code, is_in(browser)) == (403, False)
    assert "/token" not in provider.asked[asked:], "the code is not shown to anyone"


def test_an_answer_counts_once(api: Api, provider: OpenIdProvider) -> None:
    bound(api, provider)
    browser = Browser(api)
    back = path_of(provider.approve(browser.get(BEGIN).headers["location"]))
    kept = dict(browser.cookies)
    assert browser.get(back).status_code == 303
    replayed = Browser(api)
    replayed.cookies = kept
    assert (replayed.get(back).status_code, is_in(replayed)) == (403, False)


def test_an_answer_counts_in_the_browser_that_began(api: Api, provider: OpenIdProvider) -> None:
    """Else somebody could sign another in as themselves (RFC 9700 section 4.7)."""
    bound(api, provider)
    attacker, victim = Browser(api), Browser(api)
    back = path_of(provider.approve(attacker.get(BEGIN).headers["location"]))
    victim.get(BEGIN)  # perhaps they are on their way too
    assert (victim.get(back).status_code, is_in(victim)) == (403, False)


def test_a_try_is_over_after_ten_minutes(api: Api, provider: OpenIdProvider) -> None:
    bound(api, provider)
    browser = Browser(api)
    back = path_of(provider.approve(browser.get(BEGIN).headers["location"]))
    api.clock.advance(601)
    assert (browser.get(back).status_code, is_in(browser)) == (403, False)


@pytest.mark.parametrize("query", ["", "state=x&code=y", "error=access_denied", "state=&code="])
def test_an_answer_to_nothing_is_a_page_that_says_so(api: Api, query: str) -> None:
    answer = Browser(api).get(f"{BEGIN}/back?{query}")
    assert (answer.status_code, 'role="alert"' in answer.text) == (403, True)


def test_the_way_back_leads_to_pages_of_ours_alone(api: Api, provider: OpenIdProvider) -> None:
    bound(api, provider)
    for to in ("//evil.example", "https://evil.example", "/\\evil.example"):
        answer = come_back(Browser(api), provider, next=to)
        assert answer.headers["location"] == "/"


def test_a_new_key_of_the_provider_is_asked_for(api: Api, provider: OpenIdProvider) -> None:
    bound(api, provider)
    provider.key = RSAKey.generate_key(2048, {"kid": "of-tomorrow", "use": "sig"})
    provider.forge = lambda claims, key: jwt.encode({"alg": "RS256", "kid": "of-tomorrow"}, claims, key)
    assert come_back(Browser(api), provider).status_code == 303


def test_a_provider_that_is_away_leaves_the_password(api: Api, provider: OpenIdProvider) -> None:
    provider._server.shutdown()
    provider._server.server_close()
    answer = Browser(api).get(BEGIN)
    assert (answer.status_code, 'id="password"' in answer.text) == (503, True)
    provider.__enter__()


def test_what_is_asked_of_the_provider(api: Api) -> None:
    asked = parse_qs(urlsplit(Browser(api).get(BEGIN).headers["location"]).query)
    assert asked["redirect_uri"] == [f"{ORIGIN}{BEGIN}/back"]
    assert asked["scope"] == ["openid"]
    assert len({asked["state"][0], asked["nonce"][0], asked["code_challenge"][0]}) == 3


# ---------------------------------------------------------------- settings


def test_without_settings_there_is_no_provider(sqlite_database_url: str) -> None:
    with in_process(sqlite_database_url) as api:
        assert api.services.oidc is None
        assert Browser(api).get(BEGIN).status_code == 404
        assert BEGIN not in Browser(api).get("/sign-in").text


@pytest.mark.parametrize(
    ("flags", "code"),
    [
        ({"oidc_issuer": "http://provider.example", "oidc_client_id": "c"}, "oidc_issuer_unusable"),
        ({"oidc_issuer": "https://provider.example"}, "oidc_incomplete"),
        (
            {"oidc_issuer": "https://provider.example", "oidc_client_id": "c"}
            | {"oidc_client_secret_file": "/nothing/here"},
            "oidc_secret_unreadable",
        ),
    ],
)
def test_settings_that_cannot_work_are_refused_at_the_start(flags: dict[str, str], code: str) -> None:
    with refused(CalledWrongly, code):
        new_services(load(flags=flags, environ={}), lambda: 0)


def test_only_https_and_this_machine_are_asked() -> None:
    usable = ("https://provider.example/x", "http://127.0.0.1:8080", "http://localhost", "http://[::1]/")
    others = ("http://provider.example", "http://127.0.0.1.evil.example", "ftp://x", "//x", "", "https://")
    assert all(map(is_usable, usable))
    assert not any(map(is_usable, others))
