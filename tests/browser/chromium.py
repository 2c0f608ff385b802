"""A real Chromium for tests: Debian's, headless. Where it is missing, tests fail and are not skipped."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = "/usr/bin/chromium"
AXE = Path(__file__).with_name("axe.min.js")
#: each wait of a page for something to show [ms]; generous, because cores are shared
WITHIN_MS = 30_000
# All rules of axe-core: W3C WCAG 2.2, levels A and AA, and what it calls best practice.
_FAULTS = """() => axe.run().then(found => found.violations.map(
    fault => `${fault.id}: ${fault.nodes.map(node => node.html.slice(0, 120)).join(" | ")}`))"""


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser for a file of tests; each test makes a context of its own."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def page_in(browser: Browser, url: str, token: str, **more: Any) -> Iterator[Page]:
    """A page of a fresh context at a server, signed in with a key. more : of the context (Playwright)."""
    headers = {"Authorization": f"Bearer {token}"}
    context = browser.new_context(base_url=url, extra_http_headers=headers, **more)
    try:
        yield context.new_page()
    finally:
        context.close()


def faults_of(page: Page) -> list[str]:
    """What axe-core finds on a page."""
    page.evaluate(AXE.read_text())
    found: list[str] = page.evaluate(_FAULTS)
    return found


def is_scrolled_sideways(page: Page) -> bool:
    """True where the page is wider than its window."""
    return bool(page.evaluate("(root => root.scrollWidth > root.clientWidth)(document.documentElement)"))
