"""
The page Messages in a real browser, for an admin who is signed in: it fits, axe finds nothing, and its forms
work without scripts.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from cleanside.ingest.api.routes.signed_in import COOKIE
from cleanside.ingest.owners import sessions
from cleanside.ingest.store import fleet, people
from tests.browser.chromium import WITHIN_MS, faults_of, is_scrolled_sideways
from tests.support.databases import migrated_sqlite, opened
from tests.support.matter import a_matter
from tests.support.serving import ServerProcess, as_process

MAIL: tuple[str, ...] = ("--smtp-host", "127.0.0.1", "--smtp-port", "9", "--smtp-security", "none")
MAIL += ("--smtp-sender", "filters@kargrund.example", "--public-address", "https://filters.example")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[ServerProcess, str]]:
    """A server with a matter, a message that was not delivered, and the token of an admin's session."""
    url, token = migrated_sqlite(tmp_path_factory.mktemp("messages")), sessions.new_token()
    with opened(url) as engine, engine.begin() as connection:
        values: dict[str, Any] = {"owner_id": fleet.keep_owner(connection, "plateau", 0), "name": "ada.holm"}
        values |= {"handle": "p00000009", "display_name": "Ada Holm", "role": "admin"}
        ada = people.create(connection, sites=(), **values, created_us=1, who="command")
        people.edit(connection, ada.id, password_hash="not to sign in with")
        a_matter(connection, "grader-07", "ada.holm")
        now_us = time.time_ns() // 1_000
        ada = ada._replace(password_hash="not to sign in with")
        begun: dict[str, Any] = {"replaces": None, "host": "127.0.0.1", "agent": "", "now_us": now_us}
        sessions.begin(connection, ada, token=token, **begun)
    with as_process(url, *MAIL) as running:
        yield running, token


def holds_up(page: Page) -> None:
    for width in (320, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        assert not is_scrolled_sideways(page), width
    assert faults_of(page) == []


def test_the_page_holds_up_and_its_forms_work_without_scripts(
    server: tuple[ServerProcess, str], browser: Browser
) -> None:
    running, token = server
    cookie = {"name": COOKIE, "value": token, "url": running.url}
    for scripts in (True, False):
        context = browser.new_context(
            base_url=running.url, locale="en-GB", java_script_enabled=scripts, color_scheme="dark"
        )
        context.set_default_timeout(WITHIN_MS)
        context.add_cookies([cookie])  # type: ignore[list-item]  # its shape is that of the library
        page = context.new_page()
        page.goto("/messages")
        if scripts:
            holds_up(page)
        else:
            page.fill("#address", "ada@shop.example")
            page.get_by_label("machines over their change limit").check()
            page.get_by_role("button", name="Keep these choices").click()
            page.wait_for_url("**/messages#mine")
            assert page.input_value("#address") == "ada@shop.example"
            page.get_by_role("button", name="Make an address").click()
            page.get_by_text("/calendars/").wait_for()
        context.close()
