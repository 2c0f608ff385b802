"""
From a fresh server to a signed-in page in a real Chromium: by keyboard alone, and with scripts switched off.

WCAG 2.2 AA: axe-core finds nothing; 1.4.10 (320 px without sideways scrolling); 2.5.8 asks for targets of
24 px, the design for 44.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.chromium import WITHIN_MS, faults_of, is_scrolled_sideways
from tests.support.people import PASSWORD
from tests.support.serving import ServerProcess

WIDTHS_PX = (1280, 320)
TARGET_PX = 44
SMALL = """[...document.querySelectorAll('button, input, select, summary, a.button')]
    .filter(e => e.type != 'hidden' && e.getClientRects().length && !e.closest('.hidden'))
    .filter(e => e.getBoundingClientRect().height < %s - .5).map(e => e.outerHTML.slice(0, 120))"""


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[ServerProcess]:
    server = ServerProcess(f"sqlite:///{tmp_path / 'ingest.db'}", {})
    try:
        server.start()
        yield server
    finally:
        server.close()


def first_link(server: ServerProcess) -> str:
    found = re.search(r"the link of the first one is in (.*), for", server.log())
    assert found is not None
    return Path(found[1]).read_text().strip()


def tab_to(page: Page, name: str) -> None:
    """Go on by the keyboard until the field or button of this name has the focus."""
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.name || document.activeElement.textContent") == name:
            return
    raise AssertionError(f"{name} is not reached by the keyboard")


def holds_up(page: Page, shots: Path, name: str) -> None:
    """At both widths: nothing wider than the screen, nothing too small for a finger, nothing for axe."""
    for width in WIDTHS_PX:
        page.set_viewport_size({"width": width, "height": 800})
        assert not is_scrolled_sideways(page), (name, width)
        assert page.evaluate(SMALL % TARGET_PX) == [], (name, width)
        page.screenshot(path=shots / f"{name}-{width}.png", full_page=True)
    assert faults_of(page) == [], name


def test_from_the_first_link_to_every_page_of_people_by_keyboard(
    fresh: ServerProcess, browser: Browser, tmp_path: Path
) -> None:
    context = browser.new_context(locale="en-GB")
    context.set_default_timeout(WITHIN_MS)
    page = context.new_page()
    page.goto(first_link(fresh))
    holds_up(page, tmp_path, "join")
    for name, typed in (("name", "mara.lindt"), ("password", PASSWORD), ("again", PASSWORD)):
        tab_to(page, name)
        page.keyboard.type(typed)
    page.keyboard.press("Enter")
    page.wait_for_url("**/fleet")
    page.goto(f"{fresh.url}/people")
    tab_to(page, "name")
    page.keyboard.type("otto")
    page.keyboard.press("Enter")
    page.wait_for_selector("#link")
    holds_up(page, tmp_path, "people-invited")
    for path in ("people", "keys", "audit", "me"):
        page.goto(f"{fresh.url}/{path}")
        for summary in page.locator("summary").all():
            summary.click()
        holds_up(page, tmp_path, path)
    tab_to(page, "Sign out")
    page.keyboard.press("Enter")
    page.wait_for_url("**/sign-in")
    page.goto(f"{fresh.url}/me")
    assert page.url == f"{fresh.url}/sign-in?next=/me"
    holds_up(page, tmp_path, "sign-in")
    context.close()


def test_without_scripts_a_person_comes_in_and_goes_out(fresh: ServerProcess, browser: Browser) -> None:
    context = browser.new_context(java_script_enabled=False, locale="de-DE")
    context.set_default_timeout(WITHIN_MS)
    page = context.new_page()
    page.goto(first_link(fresh))
    page.fill("#name", "mara")
    page.fill("#password", PASSWORD)
    page.fill("#again", PASSWORD)
    page.click("main button")
    page.wait_for_url("**/fleet")
    [session] = [one for one in context.cookies() if one["name"] == "cleanside"]
    assert (session["httpOnly"], session["sameSite"], session["secure"]) == (True, "Lax", False)
    page.goto(f"{fresh.url}/me")
    page.click("text=Abmelden >> nth=0")
    page.wait_for_url("**/sign-in")
    page.fill("#name", "mara")
    page.fill("#password", "falsch")
    page.click("main button")
    page.wait_for_selector(".fault")
    page.fill("#password", PASSWORD)
    page.click("main button")
    page.wait_for_url("**/fleet")
    context.close()


def test_a_form_says_its_origin_for_browsers_without_fetch_metadata(
    fresh: ServerProcess, browser: Browser
) -> None:
    """WHATWG Fetch, "append a request Origin header": null under the policy no-referrer."""
    context = browser.new_context(locale="en-GB")
    context.set_default_timeout(WITHIN_MS)
    page = context.new_page()
    page.goto(f"{fresh.url}/sign-in")
    page.fill("#name", "mara")
    page.fill("#password", PASSWORD)
    with page.expect_request(lambda request: request.method == "POST") as sent:
        page.click("main button")
    page.wait_for_selector(".fault")
    assert sent.value.all_headers()["origin"] == fresh.url
    context.close()


def test_a_passkey_is_made_and_signs_in_with_a_virtual_authenticator(
    fresh: ServerProcess, browser: Browser
) -> None:
    """Web Authentication level 3 section 11: virtual authenticators."""
    context = browser.new_context(locale="en-GB")
    context.set_default_timeout(WITHIN_MS)
    page = context.new_page()
    devtools = context.new_cdp_session(page)
    devtools.send("WebAuthn.enable")
    token = {"protocol": "ctap2", "transport": "internal", "hasResidentKey": True}
    token |= {"hasUserVerification": True, "isUserVerified": True, "automaticPresenceSimulation": True}
    devtools.send("WebAuthn.addVirtualAuthenticator", {"options": token})
    here = fresh.url.replace("127.0.0.1", "localhost")  # a passkey is bound to a name
    page.goto(first_link(fresh).replace(fresh.url, here))
    page.fill("#name", "mara")
    page.fill("#password", PASSWORD)
    page.fill("#again", PASSWORD)
    page.click("main button")
    page.wait_for_url("**/fleet")
    page.goto(f"{here}/me")
    page.fill("#passkey-name", "token in the drawer")
    page.fill("#passkey-password", PASSWORD)
    page.click("text=Make a passkey")
    page.wait_for_selector("text=token in the drawer")
    page.click("text=Sign out >> nth=0")
    page.wait_for_url("**/sign-in")
    page.click("text=Sign in with a passkey")
    page.wait_for_url("**/fleet")
    assert "mara" in page.inner_text(".viewer")
    page.goto(f"{here}/me")
    page.click('[action$="/remove"] button')
    page.wait_for_selector("text=token in the drawer", state="detached")
    page.goto(f"{fresh.url}/sign-in")  # under a bare address: no button
    assert page.locator("text=Sign in with a passkey").is_hidden()
    context.close()
