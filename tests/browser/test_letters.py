"""
Messages as HTML at the size of a phone, in a real browser: they fit, load nothing, and axe finds nothing.

Width: WCAG 2.2, success criterion 1.4.10 (reflow at 320 CSS pixels).
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from playwright.sync_api import Browser, Request

from cleanside.ingest.api.description import examples
from cleanside.ingest.console.letters import letter_of
from tests.browser.chromium import faults_of, is_scrolled_sideways
from tests.support.letters import HOSTILE_NAME, outgoing

OVER: dict[str, Any] = {
    "what": "opened",
    "since_s": 1.77e9,
    "machine": "grader-07",
    "display_name": HOSTILE_NAME,
}
OVER |= {"housing": "main", "site": "W" * 64, "share_used_percent": 117.0, "restriction_pa": 6760.0}
OVER |= {"limit_pa": 6200.0, "unit": "kPa", "measured_s": 1.77e9, "advice_code": "advice_over"}


def digest() -> dict[str, Any]:
    """That of the API's example, everything of a hostile name."""
    text = json.dumps(examples()["GET /v1/digest"]["answer"])
    about: dict[str, Any] = json.loads(text.replace('"Grader 7, gravel plateau"', json.dumps(HOSTILE_NAME)))
    return about


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("kind", ["over_limit", "digest", "test"])
def test_a_message_fits_a_phone_and_loads_nothing(browser: Browser, kind: str, language: str) -> None:
    about = {"over_limit": OVER, "digest": digest(), "test": {}}[kind]
    html = letter_of(outgoing(kind, about, language)).html
    context = browser.new_context(viewport={"width": 320, "height": 740})
    page = context.new_page()
    asked: list[Request] = []
    page.on("request", lambda request: asked.append(request))
    page.set_content(html)
    assert not is_scrolled_sideways(page)
    assert faults_of(page) == []
    assert asked == []
    assert page.locator("b:text-is('Grader')").count() == 0
    context.close()
