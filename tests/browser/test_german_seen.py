"""
The pages of the demo in German in a real browser: no sentence is left in English, and words fit.

Every page to which a link leads from another, with all that can be unfolded. Widths: WCAG 2.2, success
criterion 1.4.10 (reflow at 320 CSS pixels), and a usual phone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.chromium import is_scrolled_sideways, page_in
from tests.invariants.test_demo import run_demo
from tests.support.german import english_on
from tests.support.serving import ServerProcess

BEGIN = ("/fleet", "/quarantine", "/backlog?counted=true", "/messages", "/audit", "/nothing-here")
#: in English for everybody, files, and what changes something
_ELSEWHERE = re.compile(r"/(docs|v1|static|calendars|sign-out)|\.(csv|pdf|jpg|ics)$")
MOST = 90  # pages; of each kind two
#: words that run over their own box
_OVER = """() => [...document.querySelectorAll(".word, button, .button, dt, dd, th, td, summary")].filter(
    one => one.clientWidth && one.offsetParent && !one.closest(".hidden")
        && one.scrollWidth > one.clientWidth + 1).map(one => one.textContent.trim().slice(0, 80))"""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    """A server with the data of the demo."""
    folder: Path = tmp_path_factory.mktemp("demo")
    done, _ = run_demo(folder, "--folder", str(folder / "kept"), within_s=250.0)
    assert done.returncode == 0, done.stdout + done.stderr
    key = (folder / "kept" / "admin.key").read_text().strip()
    server = ServerProcess(f"sqlite:///{folder / 'kept' / 'shop.db'}", {"admin": key})
    try:
        server.start()
        yield server
    finally:
        server.close()


def kind_of(path: str) -> str:
    """Pages of one kind: names of machines and monitors, and what is asked for, left out."""
    return re.sub(r"/(grader|loader|hauler|crusher)[^/?]*|=[^&]*", "", path)


def linked(page: Page) -> list[str]:
    """The pages of this server to which a page leads."""
    here = urlsplit(page.url).netloc
    found = [urlsplit(to) for to in page.eval_on_selector_all("a[href]", "all => all.map(a => a.href)")]
    own = [to for to in found if to.netloc == here and not _ELSEWHERE.search(to.path)]
    return [f"{to.path}?{to.query}" if to.query else to.path for to in own]


@pytest.mark.timeout(400)  # some seventy pages, each at two widths
def test_every_page_is_in_german_and_fits(browser: Browser, demo: ServerProcess) -> None:
    shown = {"viewport": {"width": 390, "height": 844}, "locale": "de-DE", "timezone_id": "Europe/Berlin"}
    kinds: dict[str, int] = {}
    faults: dict[str, object] = {}
    with page_in(browser, demo.url, demo.tokens["admin"], **shown) as page:
        waiting = list(BEGIN)
        while waiting and sum(kinds.values()) < MOST:
            path = waiting.pop(0)
            kinds[kind_of(path)] = kinds.get(kind_of(path), 0) + 1
            faults |= {f"{path} {what}": found for what, found in looked_at(page, path) if found}
            waiting += [to for to in linked(page) if to not in waiting and kinds.get(kind_of(to), 0) < 2]
    assert faults == {}
    assert len(kinds) > 20


def looked_at(page: Page, path: str) -> Iterator[tuple[str, object]]:
    """What is wrong with a page, by what it is; nothing wrong is empty."""
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(path)
    page.eval_on_selector_all("details", "all => all.forEach(one => { one.open = true })")
    yield "english", english_on(page.content())
    yield "over", page.evaluate(_OVER)
    for width in (390, 320):
        page.set_viewport_size({"width": width, "height": 844})
        yield f"sideways at {width}", is_scrolled_sideways(page)
