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
from cleanside.ingest.messages.letter import Outgoing
from cleanside.ingest.messages.smtp import Relay
from cleanside.ingest.store.messages import Message
from cleanside.ingest.store.people import Person
from tests.browser.chromium import faults_of, is_scrolled_sideways

NAME = "<b>Grader</b> sieben 🚜 " + "W" * 64
RELAY = Relay(
    host="127.0.0.1",
    port=25,
    security="none",
    user="",
    password_file=None,
    sender="filters@kargrund.example",
    pages="https://filters.example",
)
PERSON = Person(
    *(1, 1, "kargrund", "mara.lindt", "p00000001", NAME, "planner", None, "hash", 0, "x"),
    *(None, None, None),
)
OVER: dict[str, Any] = {"what": "opened", "since_s": 1.77e9, "machine": "grader-07", "display_name": NAME}
OVER |= {"housing": "main", "site": "W" * 64, "share_used_percent": 117.0, "restriction_pa": 6760.0}
OVER |= {"limit_pa": 6200.0, "unit": "kPa", "measured_s": 1.77e9, "advice_code": "advice_over"}


def digest() -> dict[str, Any]:
    """That of the API's example, everything of a hostile name."""
    text = json.dumps(examples()["GET /v1/digest"]["answer"])
    about: dict[str, Any] = json.loads(text.replace('"Grader 7, gravel plateau"', json.dumps(NAME)))
    return about


def outgoing(kind: str, about: dict[str, Any], language: str) -> Outgoing:
    message = Message(
        id=1,
        owner_id=1,
        person_id=1,
        name=f"{kind}.1",
        kind=kind,
        matter_id=None,
        about=about,
        language=language,
        zone="Europe/Vienna",
        written_us=1_772_442_000_000_000,
        state="waiting",
        tries=0,
        first_tried_us=None,
        next_us=0,
        settled_us=None,
        reason=None,
    )
    link = "https://filters.example/messages/leave?code=x"
    return Outgoing(
        message=message, person=PERSON, to="m@x.example", relay=RELAY, first_name=None, leave_link=link
    )


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
