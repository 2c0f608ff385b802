"""
The documents in a real browser, as the server sends them: they fit, axe finds nothing, nothing is stopped.

Widths: WCAG 2.2, success criterion 1.4.10 (reflow at 320 CSS pixels).
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, ConsoleMessage

from tests.browser.chromium import faults_of, is_scrolled_sideways, page_in
from tests.support.databases import migrated_sqlite
from tests.support.house import ROOT
from tests.support.serving import ServerProcess, as_process

PAGES = (
    "index.html",
    "start.html",
    "tutorials/technician.html",
    "howto/monitors-swapped.html",
    "reference/settings-server.html",
    "reference/problems.html",
    "reference/routes/machines.html",
    "explanation/never-lost.html",
)
#: the theme has two asides, contents of the site and of the page, and gives neither a name
OF_THE_THEME = 'landmark-unique: <aside class="sidebar-drawer">'


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    site = tmp_path_factory.mktemp("docs") / "site"
    command = [sys.executable, "-m", "ingest", "docs", "build", "--to", str(site)]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    with as_process(migrated_sqlite(tmp_path_factory.mktemp("seen")), "--docs-folder", str(site)) as running:
        yield running


@pytest.mark.parametrize("name", PAGES)
def test_a_document_fits_and_axe_finds_nothing(server: ServerProcess, browser: Browser, name: str) -> None:
    for width, scheme in ((320, "dark"), (1280, "light")):
        size = {"width": width, "height": 800}
        with page_in(browser, server.url, "none", viewport=size, color_scheme=scheme) as page:
            said: list[str] = []

            def note(message: ConsoleMessage, said: list[str] = said) -> None:
                said.append(message.text)

            page.on("console", note)
            page.goto(f"/docs/{name}")
            assert not is_scrolled_sideways(page), (name, width)
            assert [fault for fault in faults_of(page) if not fault.startswith(OF_THE_THEME)] == []
            assert said == []


def test_the_search_finds_a_setting_and_the_menu_opens_on_a_phone(
    server: ServerProcess, browser: Browser
) -> None:
    with page_in(browser, server.url, "none", viewport={"width": 390, "height": 800}) as page:
        page.goto("/docs/index.html")
        page.locator(".mobile-header .nav-overlay-icon").click()
        page.get_by_placeholder("Search").fill("trusted_proxies")
        page.get_by_placeholder("Search").press("Enter")
        page.locator("#search-results a", has_text="Settings of the server").first.wait_for()
