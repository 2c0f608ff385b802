"""
The pages in a real browser against a real server: they fit, axe finds nothing, forms work without scripts.

Widths: WCAG 2.2, success criterion 1.4.10 (reflow at 320 CSS pixels).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from functools import partial

import pytest
from playwright.sync_api import Browser, Error, Page

from tests.browser.chromium import faults_of, is_scrolled_sideways, page_in
from tests.support.databases import migrated_sqlite
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
    "/work-list",
    "/visit-plan",
    "/shop",
    "/machines/grader-07/papers",
    "/webhooks",
    "/transfers",
    "/element-lives",
    "/nothing-here",
)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    """A server with a machine of a hostile name, a gap, and quarantined readings."""
    with as_process(migrated_sqlite(tmp_path_factory.mktemp("seen"))) as running:
        limit = {"value": 6.2, "unit": "kPa"}
        housings = [{"housing": "main", "terminal_restriction": limit}]
        machine = {"machine": "grader-07", "display_name": NAME, "kind": "grader", "housings": housings}
        with running.client("admin") as client:
            assert client.post("/v1/machines", json=machine).status_code == 200
            device = {"device": DEVICE, "machine": "grader-07"}
            assert client.post("/v1/devices", json=device).status_code == 200
        enter_shop(running)
        with running.client("device") as client:
            for first in (1, 501):
                body = batch(first, [3.0] * 300 + [900.0], gateway={"appended_through": 900})
                assert client.post("/v1/readings", json=body).status_code == 200
        yield running


def enter_shop(server: ServerProcess) -> None:
    """A site of a hostile name, a part that is out of stock, and a change planned for tomorrow."""
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).date().isoformat()
    housing = {"housing": "main", "primary_part": NAME[:64]}
    papers = {"site": "oberkies", "next_service": {"service": NAME, "on": tomorrow}, "housings": [housing]}
    stock = [{"site": "oberkies", "pieces": 0}]
    with server.client("planner") as client:
        for method, path, body in (
            ("POST", "/v1/sites", {"site": "oberkies", "display_name": NAME}),
            ("POST", "/v1/parts", {"part": NAME[:64], "lead_time_days": 3, "stock": stock}),
            ("PATCH", "/v1/machines/grader-07/papers", papers),
            ("POST", "/v1/machines/grader-07/planned-change", {"on": tomorrow, "note": NAME}),
        ):
            assert client.request(method, path, json=body).status_code == 200


def note(problems: list[str], error: Error) -> None:
    """Write down what a script of the page raised."""
    problems.append(str(error))


#: width [CSS pixels], colours, language
READERS = ((320, "light", "de-DE"), (1280, "dark", "en-GB"))


@pytest.fixture(scope="module")
def readers(server: ServerProcess, browser: Browser) -> Iterator[list[Page]]:
    """A page for each of `READERS`, which goes from one address to the next."""
    with ExitStack() as stack:
        pages = []
        for width, scheme, locale in READERS:
            shown = {"viewport": {"width": width, "height": 800}, "color_scheme": scheme, "locale": locale}
            pages.append(stack.enter_context(page_in(browser, server.url, server.tokens["admin"], **shown)))
        yield pages


@pytest.mark.parametrize("path", PAGES)
def test_a_page_fits_and_axe_finds_nothing(readers: list[Page], path: str) -> None:
    for (width, _, locale), page in zip(READERS, readers, strict=True):
        problems: list[str] = []
        noting = partial(note, problems)
        page.on("pageerror", noting)
        page.goto(path)
        assert not is_scrolled_sideways(page), (path, width)
        assert faults_of(page) == []
        assert page.locator("html").get_attribute("lang") == locale[:2]
        assert page.locator("main b:text('Grader')").count() == 0
        page.remove_listener("pageerror", noting)
        assert problems == []


OPENED = "() => document.querySelectorAll('details').forEach((each) => { each.open = true; })"
UNLIKE_HEIGHTS = """() => {
  const found = [];
  for (const fields of document.querySelectorAll(".fields")) {
    const rows = [];
    let before = Infinity;
    for (const field of fields.querySelectorAll(":scope > div")) {
      const control = field.querySelector(
        ":scope > :is(input, select, textarea, button):not([type=checkbox])",
      );
      if (!control || !field.checkVisibility()) continue;
      const { left } = field.getBoundingClientRect();
      if (left <= before) rows.push([]);
      rows.at(-1).push(control);
      before = left;
    }
    for (const row of rows) {
      const tops = row.map((control) => control.getBoundingClientRect().top);
      if (Math.max(...tops) - Math.min(...tops) > 1) found.push(row.map((control) => control.name));
    }
  }
  return found;
}"""


@pytest.mark.parametrize("path", ["/machines/grader-07/papers", "/visit/grader-07", "/shop", "/monitors"])
def test_fields_of_a_row_stand_at_one_height(server: ServerProcess, browser: Browser, path: str) -> None:
    """One with a hint below it, or two lines of label, stood higher than those beside it."""
    shown = {"viewport": {"width": 1280, "height": 800}, "locale": "de-DE"}
    with page_in(browser, server.url, server.tokens["admin"], **shown) as page:
        page.goto(path)
        page.evaluate(OPENED)
        assert page.locator(".fields > div").count() > 2
        assert page.evaluate(UNLIKE_HEIGHTS) == []


SMALL_TARGETS = """() => {
  const of = (each) => (["checkbox", "radio"].includes(each.type) && each.labels[0]) || each;
  const isAlone = (each) => each.tagName !== "A"
    || each.matches(".opening > .aside > :first-child, .foot p > a")
    || each.parentElement.innerText.trim() === each.innerText.trim();
  return [...document.querySelectorAll("body :is(a, button, summary, select, input, textarea)")]
    .filter((each) => each.type !== "hidden" && !each.matches(".skip") && each.checkVisibility())
    .filter((each) => isAlone(each) && of(each).getBoundingClientRect().height < 43.5)
    .map((each) => each.outerHTML);
}"""


def test_what_stands_alone_is_as_large_as_a_gloved_finger(server: ServerProcess, browser: Browser) -> None:
    """44 px, as the look says; a link within a sentence is exempt (WCAG 2.2, success criterion 2.5.8)."""
    shown = {"viewport": {"width": 390, "height": 844}}
    with page_in(browser, server.url, server.tokens["admin"], **shown) as page:
        small = {}
        for path in (*PAGES, "/visit", "/visit/grader-07", "/audit", "/keys", "/people", "/messages"):
            page.goto(path)
            page.evaluate(OPENED)
            small[path] = page.evaluate(SMALL_TARGETS)
    assert {path: targets for path, targets in small.items() if targets} == {}


def test_the_fleet_and_an_admins_menu_fit_in_german(server: ServerProcess, browser: Browser) -> None:
    """German is the longer language: no sideways scrolling, and the menu is one line."""
    size = {"width": 1280, "height": 800}
    with page_in(browser, server.url, server.tokens["admin"], viewport=size, locale="de-DE") as page:
        page.goto("/fleet")
        assert not is_scrolled_sideways(page)
        tops = page.locator(".masthead nav > ul > li").evaluate_all("all => all.map(one => one.offsetTop)")
        assert len(tops) > 8
        assert len(set(tops)) == 1
        page.locator(".folded summary").press("Enter")
        page.locator(".folded a[href='/people']").press("Enter")
        page.wait_for_url("**/people")


def test_fleet_and_lists_on_paper_begin_on_the_first_sheet_and_keep_each_day_with_its_rows(
    server: ServerProcess, browser: Browser
) -> None:
    """
    One page box for all of Fleet: with another one for its table the first sheet had a header alone.

    Before the tests below, after which no work is left on the list.
    """
    with page_in(browser, server.url, server.tokens["planner"]) as page:
        page.emulate_media(media="print")
        page.goto("/fleet")
        boxes = "[document.body, document.querySelector('main')].map(one => getComputedStyle(one).page)"
        assert page.evaluate(boxes)[0] == "fleet"
        assert page.locator("[action='/pressures']").is_hidden()
        page.goto("/work-list?before=" + (datetime.now(UTC) + timedelta(days=90)).date().isoformat())
        days = page.locator(".jobs tr:has(> [scope=rowgroup])")
        assert days.count() > 0
        assert days.evaluate_all("rows => rows.every(r => getComputedStyle(r).breakAfter == 'avoid')")


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
        page.locator("#what").select_option("new")
        page.get_by_label("Note").fill("new primary element")
        page.get_by_label("Note").press("Enter")
        page.locator(".done[role=status]").wait_for()
        assert "entered=" in page.url
        assert page.locator("#entries").get_by_text("new primary element").count() == 1


def test_a_work_list_is_ticked_back_by_keyboard_and_without_scripts(
    server: ServerProcess, browser: Browser
) -> None:
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).date().isoformat()
    with server.client("planner") as client:  # again: another test may have entered a change
        client.post("/v1/machines/grader-07/planned-change", json={"on": tomorrow}).raise_for_status()
    with page_in(browser, server.url, server.tokens["planner"], java_script_enabled=False) as page:
        page.goto("/work-list")
        page.locator("input[name=done]").press("Space")
        page.locator("input[name^='meter/']").fill("8120.5")
        page.locator("input[name^='meter/']").press("Enter")
        page.wait_for_url("**/work-list?sent=*#done")
        assert page.locator("#done li").first.is_visible()
        assert page.locator("input[name=done]").count() == 0


def test_the_work_list_prints_its_table_on_a_page_of_a4(server: ServerProcess, browser: Browser) -> None:
    """A4 with 13 mm margins is 695 CSS pixels wide; what is for the screen alone does not print."""
    with page_in(browser, server.url, server.tokens["planner"]) as page:
        page.set_viewport_size({"width": 695, "height": 1000})
        page.emulate_media(media="print")
        page.goto("/work-list?before=" + (datetime.now(UTC) + timedelta(days=90)).date().isoformat())
        assert not is_scrolled_sideways(page)
        for selector in (".filters", ".end-bar", "nav"):
            assert page.locator(selector).first.is_hidden()


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
