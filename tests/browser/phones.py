"""Phones for tests: a context of the real Chromium in which somebody is signed in."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import httpx
from playwright.sync_api import Browser, BrowserContext

from tests.browser.chromium import WITHIN_MS
from tests.support.people import PASSWORD
from tests.support.serving import ServerProcess, bearer


def session_of(server: ServerProcess, person: str, role: str) -> dict[str, str]:
    """Invite a person, who comes in by the link. Returns the cookie of the session: name and value."""
    admin = {**bearer(server.tokens["admin"])}
    own = {"Origin": server.url, "Sec-Fetch-Site": "same-origin"}
    with httpx.Client(base_url=server.url, timeout=30.0, trust_env=False) as client:
        invited = client.post("/v1/people", json={"name": person, "role": role}, headers=admin)
        code = invited.raise_for_status().json()["link"].partition("code=")[2]
        accepted = client.post(
            "/v1/invitations/accept", json={"code": code, "password": PASSWORD}, headers=own
        )
        accepted.raise_for_status()
        [(name, value)] = client.cookies.items()
    return {"name": name, "value": value.strip('"')}


def end_session(server: ServerProcess, cookie: dict[str, str]) -> None:
    """End a session from elsewhere."""
    headers = {"Origin": server.url, "Cookie": f"{cookie['name']}={cookie['value']}"}
    with httpx.Client(base_url=server.url, timeout=30.0, trust_env=False, headers=headers) as client:
        for session in client.get("/v1/sessions").raise_for_status().json()["sessions"]:
            client.delete(f"/v1/sessions/{session['session']}")


@contextmanager
def phone(browser: Browser, url: str, cookie: dict[str, str], **more: Any) -> Iterator[BrowserContext]:
    """A fresh phone on which somebody is signed in; 360 px wide unless told."""
    shown = {"viewport": {"width": 360, "height": 740}, "locale": "en-GB", "timezone_id": "Europe/Berlin"}
    context = browser.new_context(base_url=url, **(shown | more))
    context.set_default_timeout(WITHIN_MS)
    # With its zone known already: else the page is asked for again in it while the test looks on.
    zone = {"name": "zone", "value": "Europe/Berlin", "url": url}
    context.add_cookies([cookie | {"url": url}, zone])  # type: ignore[list-item]  # as it takes them
    try:
        yield context
    finally:
        context.close()
