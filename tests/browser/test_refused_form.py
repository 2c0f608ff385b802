"""
A refused form in a real browser: the page opens at it, wrong fields are marked, nothing is typed twice.

Marks: WCAG 2.2, technique ARIA21 (aria-invalid); the reason beside the field: success criterion 3.3.1.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from tests.browser.chromium import faults_of, page_in
from tests.support.databases import migrated_sqlite
from tests.support.serving import ServerProcess, as_process

SIZES = ({"width": 390, "height": 844}, {"width": 1440, "height": 900})


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    """A server with a machine, a site and a part."""
    with as_process(migrated_sqlite(tmp_path_factory.mktemp("refused"))) as running:
        with running.client("admin") as client:
            for path, body in (
                ("/v1/machines", {"machine": "loader-05"}),
                ("/v1/sites", {"site": "oberkies"}),
                ("/v1/machines/loader-05/planned-change", {"on": "2099-01-01"}),
            ):
                client.post(path, json=body)
        yield running


def is_seen(page: Page, place: Locator) -> bool:
    """True where a place lies in the window."""
    box, size = place.bounding_box(), page.viewport_size
    return box is not None and size is not None and 0 <= box["y"] < size["height"]


def reason_of(page: Page, field: Locator) -> str:
    """What the page says beside a field that is marked as wrong."""
    expect(field).to_have_attribute("aria-invalid", "true")
    [first, *_] = (field.get_attribute("aria-describedby") or "").split()
    return page.locator(f"#{first}").inner_text()


@pytest.mark.parametrize("size", SIZES, ids=("phone", "desk"))
def test_after_a_refused_entry_the_page_opens_at_its_form(
    server: ServerProcess, browser: Browser, size: dict[str, int]
) -> None:
    """The message stood 2000 px below the top, and only one of two faults was named."""
    with page_in(browser, server.url, server.tokens["planner"], viewport=size) as page:
        page.goto("/machines/loader-05")
        page.locator("summary", has_text="what was done").click()
        page.locator("#what").select_option("cleaned")
        page.locator("#day").fill("2031-01-01")
        page.locator("#meter").fill("12abc")
        page.locator("#note").fill("a long story")
        page.get_by_role("button", name="Enter it").click()
        box = page.locator("[data-refused]")
        expect(box).to_be_focused()
        assert is_seen(page, box)
        assert "yet to come" in reason_of(page, page.locator("#day"))
        assert "12abc" in reason_of(page, page.locator("#meter"))
        expect(page.locator("#note")).to_have_value("a long story")
        expect(page.locator("#meter")).to_be_visible()
        assert faults_of(page) == []


def test_a_phone_writes_times_in_the_language_of_the_page(server: ServerProcess, browser: Browser) -> None:
    """A German page had 11/29/26, 10:20 PM where the browser speaks English."""
    with page_in(browser, server.url, server.tokens["planner"], locale="en-US") as page:
        page.context.add_cookies([{"name": "language", "value": "de", "url": server.url}])
        page.goto("/visit/loader-05")
        assert page.locator("html").get_attribute("lang") == "de"
        page.context.set_offline(True)
        form = page.locator("form#element_change")
        form.evaluate("form => { form.closest('details').open = true }")
        form.locator("[name=what]").select_option("cleaned")
        form.get_by_role("button").click()
        made = page.locator("[data-entries] [data-made]")
        expect(made).to_have_text(re.compile(r"^\d{1,2}\. \w+\.? \d{2}:\d{2}$"))


def test_without_scripts_the_box_has_the_focus_by_itself(server: ServerProcess, browser: Browser) -> None:
    with page_in(browser, server.url, server.tokens["planner"], java_script_enabled=False) as page:
        page.goto("/machines/loader-05")
        page.locator("summary", has_text="what was done").press("Enter")
        page.locator("#what").select_option("cleaned")
        page.locator("#meter").fill("12abc")
        page.locator("#meter").press("Enter")
        box = page.locator("[data-refused]")
        expect(box).to_be_focused()
        assert is_seen(page, box)


def test_a_form_far_down_a_page_has_the_reason_above_it_and_every_line_again(
    server: ServerProcess, browser: Browser
) -> None:
    """Stock lines were typed a second time, and the reason stood at the top of the page."""
    with page_in(browser, server.url, server.tokens["planner"], viewport=SIZES[0]) as page:
        page.goto("/shop")
        page.locator("#order_part").fill("KG-0715")
        page.locator("#order_pieces").fill("many")
        page.locator("form", has=page.locator("#order_part")).get_by_role("button").click()
        assert "many" in reason_of(page, page.locator("#order_pieces"))
        expect(page.locator("[data-refused] + form #order_pieces")).to_be_visible()
        page.goto("/shop")
        page.locator("#part").fill("KG-0715")
        page.locator("#lead_time_days").fill("soon")
        page.locator("[name=stock_site]").nth(1).select_option("oberkies")
        page.locator("[name=pieces]").nth(1).fill("7")
        page.locator("form", has=page.locator("#part")).get_by_role("button").click()
        reason_of(page, page.locator("#lead_time_days"))
        expect(page.locator("[name=pieces]").nth(1)).to_have_value("7")
        expect(page.locator("[name=stock_site]").nth(1)).to_have_value("oberkies")


def test_all_that_is_wrong_with_papers_is_marked_at_once(server: ServerProcess, browser: Browser) -> None:
    with page_in(browser, server.url, server.tokens["planner"]) as page:
        page.goto("/machines/loader-05/papers")
        page.locator("[name=meter_hours]").fill("12abc")
        page.locator("[name='calendar_limit_days/main']").fill("a year")
        page.get_by_role("button", name="Keep").click()
        reason_of(page, page.locator("[name=meter_hours]"))
        reason_of(page, page.locator("[name='calendar_limit_days/main']"))


def test_a_page_that_keeps_no_fields_itself_has_them_again(server: ServerProcess, browser: Browser) -> None:
    with page_in(browser, server.url, server.tokens["admin"]) as page:
        page.goto("/webhooks")
        form = page.locator("form[action='/webhooks']")
        form.locator("[name=url]").fill("http://receiver.example/events")
        form.get_by_role("button").click()
        expect(page.locator("[data-refused] + form [name=url]")).to_have_value(
            "http://receiver.example/events"
        )
