"""
The pages in a real browser against a real server: they fit, axe finds nothing, forms work without scripts.

Widths: WCAG 2.2, success criterion 1.4.10 (reflow at 320 CSS pixels).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import pytest
from playwright.sync_api import Browser, Error

from tests.browser.chromium import chromium, faults_of, is_scrolled_sideways, page_in
from tests.conftest import sqlite_url
from tests.support.serving import DEVICE, ServerProcess, as_process, batch

NAME = "<b>Grader</b> sieben 🚜 " + "W" * 64
PAGES = (
    "/monitors",
    f"/monitors/{DEVICE}",
    "/fleet",
    "/machines/grader-07",
    "/backlog?counted=true",
    "/quarantine",
    f"/quarantine/group?code=out_of_range&device={DEVICE}",
    "/nothing-here",
)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    """A server with a machine of a hostile name, a gap, and quarantined readings."""
    with as_process(sqlite_url(tmp_path_factory.mktemp("seen"))) as running:
        limit = {"value": 6.2, "unit": "kPa"}
        housings = [{"housing": "main", "terminal_restriction": limit}]
        machine = {"machine": "grader-07", "display_name": NAME, "kind": "grader", "housings": housings}
        with running.client("admin") as client:
            assert client.post("/v1/machines", json=machine).status_code == 200
            device = {"device": DEVICE, "machine": "grader-07"}
            assert client.post("/v1/devices", json=device).status_code == 200
        with running.client("device") as client:
            for first in (1, 501):
                body = batch(first, [3.0] * 300 + [900.0], gateway={"appended_through": 900})
                assert client.post("/v1/readings", json=body).status_code == 200
        yield running


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


def note(problems: list[str], error: Error) -> None:
    """Write down what a script of the page raised."""
    problems.append(str(error))


@pytest.mark.parametrize("path", PAGES)
def test_a_page_fits_and_axe_finds_nothing(server: ServerProcess, browser: Browser, path: str) -> None:
    token = server.tokens["admin"]
    for width, scheme, locale in ((320, "light", "de-DE"), (1280, "dark", "en-GB")):
        size = {"width": width, "height": 800}
        with page_in(browser, server.url, token, viewport=size, color_scheme=scheme, locale=locale) as page:
            problems: list[str] = []
            page.on("pageerror", partial(note, problems))
            page.goto(path)
            assert not is_scrolled_sideways(page), (path, width)
            assert faults_of(page) == []
            assert page.locator("html").get_attribute("lang") == locale[:2]
            assert problems == []
            assert page.locator("main b:text('Grader')").count() == 0


def test_times_are_in_the_zone_of_the_browser(server: ServerProcess, browser: Browser) -> None:
    with page_in(browser, server.url, server.tokens["admin"], timezone_id="Asia/Tokyo") as page:
        page.goto("/fleet")
        page.locator(".viewer", has_text="Asia/Tokyo").wait_for()


def test_work_is_entered_by_keyboard_and_without_scripts(server: ServerProcess, browser: Browser) -> None:
    with page_in(browser, server.url, server.tokens["planner"], java_script_enabled=False) as page:
        page.goto("/machines/grader-07")
        page.keyboard.press("Tab")
        assert page.locator(":focus").get_attribute("href") == "#main"
        page.locator("summary", has_text="what was done").press("Enter")
        page.get_by_label("Note").fill("new primary element")
        page.get_by_label("Note").press("Enter")
        page.locator("[role=status]").wait_for()
        assert "entered=" in page.url
        assert page.locator("#entries").get_by_text("new primary element").count() == 1


def test_the_plot_is_enlarged_by_keyboard(server: ServerProcess, browser: Browser) -> None:
    with page_in(browser, server.url, server.tokens["planner"]) as page:
        page.goto("/machines/grader-07")
        page.get_by_role("button", name="Look closer").press("Enter")
        page.locator("#zoomed canvas").wait_for()
        page.locator("#zoomed").press("+")
        assert faults_of(page) == []


def test_a_page_is_small(server: ServerProcess, browser: Browser) -> None:
    """Under 150 kB on the way, everything it needs included."""
    with page_in(browser, server.url, server.tokens["admin"]) as page:
        sizes: list[int] = []
        page.on("requestfinished", lambda request: sizes.append(request.sizes()["responseBodySize"]))
        page.goto("/machines/grader-07")
        page.wait_for_load_state("networkidle")
        assert 0 < sum(sizes) < 150_000
