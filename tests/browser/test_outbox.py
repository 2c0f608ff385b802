"""The phone keeps and sends: a real Chromium, a real server, a link that can be cut and loses replies."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect

from tests.browser.chromium import WITHIN_MS, faults_of
from tests.browser.phones import end_session, phone, session_of
from tests.support.gatewaying import wait_until
from tests.support.link import Link
from tests.support.people import PASSWORD
from tests.support.serving import DEVICE, ServerProcess

VISIT = "/visit/grader-07"


class Shop(NamedTuple):
    server: ServerProcess
    link: Link
    cookie: dict[str, str]


@pytest.fixture
def shop(server: ServerProcess) -> Iterator[Shop]:
    limit = {"value": 6.2, "unit": "kPa"}
    with server.client("admin") as client:
        body = {"machine": "grader-07", "housings": [{"housing": "main", "terminal_restriction": limit}]}
        client.post("/v1/machines", json=body).raise_for_status()
        client.post("/v1/devices", json={"device": DEVICE, "machine": "grader-07"}).raise_for_status()
    with Link(server.port) as link:
        yield Shop(server, link, session_of(server, "wolny", "technician"))


@pytest.fixture
def context(browser: Browser, shop: Shop) -> Iterator[BrowserContext]:
    with phone(browser, shop.link.url, shop.cookie) as opened:
        yield opened


def opened(context: BrowserContext) -> Page:
    """The page, once what it keeps on the phone is ready."""
    page = context.new_page()
    page.goto(VISIT)
    page.evaluate("navigator.serviceWorker.ready.then(() => null)")
    return page


def enter(page: Page, note: str) -> None:
    """An element change, by the form."""
    form = page.locator("form").filter(has=page.locator('[value="element_change"]'))
    form.evaluate("form => { form.closest('details').open = true }")
    form.locator("[name=what]").select_option("cleaned")  # nothing is chosen for anybody
    form.locator("[name=note]").fill(note)
    form.get_by_role("button").click()


def twice(button: Locator) -> None:
    """Two taps as quick as a finger is."""
    button.evaluate("button => { button.click(); button.click(); }")


def enter_limit_again(page: Page, value: str) -> None:
    form = page.locator("form").filter(has=page.locator('[value="second_reading"]'))
    form.evaluate("form => { form.closest('details').open = true }")
    form.locator("[name=value]").fill(value)
    form.locator("[name=unit]").select_option("kPa")
    form.get_by_role("button").click()


def link_is_back(page: Page) -> None:
    """As the browser says it, which lies now and then."""
    page.evaluate("dispatchEvent(new Event('online'))")


def delete(row: Locator) -> None:
    """Delete an entry from the phone, which asks once."""
    row.get_by_role("button", name="Delete it from this phone").click()
    row.get_by_role("button", name="Keep it").click()
    row.get_by_role("button", name="Delete it from this phone").click()
    row.get_by_role("button", name="Yes, delete it").click()


def kept_on_phone(page: Page) -> list[str]:
    """Paths of the pages that open without a link."""
    keys = "caches.open('pages').then(pages => pages.keys())"
    found: list[str] = page.evaluate(f"{keys}.then(keys => keys.map(key => new URL(key.url).pathname))")
    return found


def addresses_on_phone(page: Page) -> list[str]:
    """Paths with their query."""
    keys = "caches.open('pages').then(pages => pages.keys())"
    path = "(new URL(key.url)).pathname + (new URL(key.url)).search"
    found: list[str] = page.evaluate(f"{keys}.then(keys => keys.map(key => {path}))")
    return found


def all_sent(page: Page) -> None:
    expect(page.locator("[data-outbox]")).to_be_hidden(timeout=WITHIN_MS)


def notes(shop: Shop) -> list[str]:
    """What the shop has, in the order in which it was carried out."""
    with shop.server.client("admin") as client:
        lines = (
            client.get("/v1/audit", params={"what": "element_change"}).raise_for_status().json()["entries"]
        )
    return [line["values"]["body"]["note"] for line in reversed(lines)]


def test_entries_wait_without_a_link_through_a_killed_tab_and_go_in_order_once(
    shop: Shop, context: BrowserContext
) -> None:
    page = opened(context)
    page.reload()  # from now on it stands on the phone
    shop.link.cut()
    for note in ("first", "second", "third"):
        enter(page, note)
    expect(page.locator("[data-count]")).to_have_text("3 entries on this phone, not yet at the shop")
    page.close()
    assert notes(shop) == []

    again = context.new_page()
    again.goto(VISIT)  # from the phone
    expect(again.locator("[data-count]")).to_have_text("3 entries on this phone, not yet at the shop")
    shop.link.restore()
    link_is_back(again)
    all_sent(again)
    assert notes(shop) == ["first", "second", "third"]


def test_a_lost_reply_doubles_nothing(shop: Shop, context: BrowserContext) -> None:
    page = opened(context)
    shop.link.lose_replies(1)
    enter(page, "once")
    expect(page.locator("[data-count]")).to_have_text("1 entry on this phone, not yet at the shop")
    link_is_back(page)
    all_sent(page)
    assert shop.link.replies_lost == 1
    assert notes(shop) == ["once"]


def test_two_tabs_send_each_entry_once(shop: Shop, context: BrowserContext) -> None:
    pages = [opened(context), opened(context)]
    shop.link.cut()
    for number in range(4):
        enter(pages[number % 2], f"note {number}")
    expect(pages[0].locator("[data-entries] > li")).not_to_have_count(0)
    answered: list[str] = []
    context.on("requestfinished", lambda request: answered.append(request.method))
    shop.link.restore()
    for page in pages:
        link_is_back(page)
    for page in pages:
        link_is_back(page)  # the other tab has sent what this one shows
        all_sent(page)
    assert notes(shop) == [f"note {number}" for number in range(4)]
    assert answered.count("POST") == 4


def refused_with_another_behind(shop: Shop, page: Page) -> Locator:
    """Enter one behind the first, and let the link come back. Returns the row of the first, which failed."""
    enter(page, "after the refused one")
    expect(page.locator("[data-count]")).to_have_text("2 entries on this phone, not yet at the shop")
    shop.link.restore()
    link_is_back(page)
    row = page.locator("[data-entries] > li")
    expect(row).to_have_count(1)
    expect(row).to_have_class("failed")
    return row


def test_a_refused_entry_stays_with_its_reason_and_the_next_one_goes(
    shop: Shop, context: BrowserContext
) -> None:
    page = opened(context)
    shop.link.cut()
    enter_limit_again(page, "6,3")
    row = refused_with_another_behind(shop, page)
    expect(row.locator("[data-said]")).to_contain_text("It is not the limit that is entered")
    assert notes(shop) == ["after the refused one"]
    assert faults_of(page) == []
    page.reload()
    expect(row).to_have_class("failed")
    expect(page.locator("[data-correct-first]")).to_be_visible()  # beside whatever the checks say
    delete(row)
    all_sent(page)


def test_an_unlikely_limit_is_in_its_form_again_beside_the_box_to_tick(context: BrowserContext) -> None:
    """The fields were empty and there was no box, though the words said to tick it."""
    page = opened(context)
    form = page.locator("form#terminal_restriction")
    form.evaluate("form => { form.closest('details').open = true }")
    form.locator("[name=value]").fill("25")
    form.locator("[name=unit]").select_option("kPa")
    form.get_by_role("button").click()
    expect(form.locator("[name=sure]")).to_be_visible()
    expect(form.locator("[name=sure]")).to_be_focused()
    expect(form.locator("[name=value]")).to_have_value("25")
    expect(form.locator("[name=unit]")).to_have_value("kPa")
    form.locator("[name=sure]").check()
    form.get_by_role("button").click()
    all_sent(page)


def test_what_was_entered_while_the_phone_knows_of_no_link_is_deleted_from_it(
    context: BrowserContext,
) -> None:
    """The first one had no button: it counted as sent."""
    page = opened(context)
    context.set_offline(True)
    for note in ("first", "second"):
        enter(page, note)
    rows = page.locator("[data-entries] > li")
    expect(rows).to_have_count(2)
    for number in range(2):
        expect(rows.nth(number).locator("[data-discard]")).to_be_visible()
        expect(rows.nth(number).locator("[data-perhaps]")).to_be_hidden()
    delete(rows.first)
    expect(rows).to_have_count(1)


def test_an_entry_sent_without_an_answer_says_where_it_may_be(shop: Shop, context: BrowserContext) -> None:
    page = opened(context)
    shop.link.cut()
    enter(page, "perhaps there")
    row = page.locator("[data-entries] > li")
    expect(row.locator("[data-perhaps]")).to_be_visible()
    expect(row.locator("[data-discard]")).to_be_hidden()


def test_a_refused_entry_shows_what_was_typed_and_once_deleted_is_confirmed_nowhere(
    context: BrowserContext,
) -> None:
    page = opened(context)
    enter_limit_again(page, "6,3")
    row = page.locator("[data-entries] > li")
    expect(row).to_have_class("failed")
    expect(row.locator("[data-typed]")).to_contain_text("6,3")
    expect(row.locator("[data-typed]")).to_contain_text("kPa")
    expect(page.locator("[data-became]")).to_have_class("whole became fault")
    delete(row)
    expect(row).to_have_count(0)
    expect(page.locator("[data-became]")).to_have_count(0)
    enter(page, "goes through")
    expect(page.locator("[data-became]")).to_have_text("Entered: it is at the shop.")


@pytest.mark.parametrize("link", ["there", "cut"])
def test_a_form_that_is_tapped_twice_is_one_entry(shop: Shop, context: BrowserContext, link: str) -> None:
    page = opened(context)
    if link == "cut":
        shop.link.cut()
    form = page.locator("form#element_change")
    form.evaluate("form => { form.closest('details').open = true }")
    form.locator("[name=what]").select_option("cleaned")
    form.locator("[name=note]").fill("tapped twice")
    twice(form.get_by_role("button"))
    if link == "cut":
        waiting = page.locator("[data-entries] > li")
        expect(waiting).to_have_count(1)
        expect(waiting.locator("[data-typed]")).to_contain_text("tapped twice")
        expect(page.locator("[data-cut]")).to_be_visible()
        shop.link.restore()
        link_is_back(page)
    expect(form.locator("[data-became]")).to_contain_text("at the shop", timeout=WITHIN_MS)
    all_sent(page)
    assert notes(shop) == ["tapped twice"]


def test_entries_of_other_machines_are_one_line_and_a_closed_list_stays_closed(
    shop: Shop, context: BrowserContext
) -> None:
    with shop.server.client("admin") as client:
        body = {"machine": "loader-02", "housings": [{"housing": "main"}]}
        client.post("/v1/machines", json=body).raise_for_status()
    page = opened(context)
    enter_limit_again(page, "6,3")  # refused
    expect(page.locator("[data-entries] > li")).to_have_class("failed")
    page.locator("[data-listed] > summary").click()
    page.reload()
    expect(page.locator("[data-listed] > summary")).to_be_visible()
    expect(page.locator("[data-entries]")).to_be_hidden()
    page.goto("/visit/loader-02")
    expect(page.locator("[data-elsewhere]")).to_contain_text("1 entry not taken")
    expect(page.locator("[data-listed]")).to_be_hidden()
    page.locator("[data-elsewhere] a").click()
    expect(page.locator("[data-entries] > li")).to_have_count(1)


def test_who_signs_out_with_entries_that_wait_reads_so_before_and_after(context: BrowserContext) -> None:
    page = opened(context)
    page.goto("/visit/grader-07")
    page.route("**/visit/grader-07", lambda route: route.abort() if route.request.method == "POST" else None)
    enter(page, "waits")
    expect(page.locator("[data-count]")).to_contain_text("1 entry on this phone")
    page.goto("/me")
    expect(page.locator("[data-waiting]")).to_contain_text("only once you sign in here again")
    page.get_by_role("button", name="Sign out", exact=True).click()
    page.wait_for_url("**/sign-in")
    expect(page.locator("[data-waiting]")).to_contain_text("1 entry waits")


def enter_meter(page: Page, hours: str) -> None:
    form = page.locator("form#meter_reading")
    form.evaluate("form => { form.closest('details').open = true }")
    form.locator("[name=meter_hours]").fill(hours)
    form.get_by_role("button").click()


def meters(shop: Shop) -> list[float]:
    with shop.server.client("admin") as client:
        found = client.get("/v1/machines/grader-07/meter-readings").raise_for_status().json()
    return [reading["meter_hours"] for reading in found["meter_readings"]]


def test_a_refused_entry_is_filled_in_again_and_corrected_it_is_the_same_entry(
    shop: Shop, context: BrowserContext
) -> None:
    page = opened(context)
    shop.link.cut()
    enter_meter(page, "8,120")
    row = refused_with_another_behind(shop, page)
    made = row.locator("[data-made]").inner_text()
    assert re.fullmatch(r"\d{1,2} [A-Z][a-z]{2,3} \d\d:\d\d", made), "the month is a word: 12/03 is two days"
    assert (meters(shop), notes(shop)) == ([], ["after the refused one"])
    ids = "document.querySelector('[data-correct]').hash"
    refused_id = page.evaluate(ids).removeprefix("#correct-")

    page.goto(f"{VISIT}?job=installation")  # from another page of the machine, too
    row.get_by_role("link", name="Correct it").click()
    field = page.locator("form#meter_reading [name=meter_hours]")
    expect(field).to_have_value("8,120")
    expect(field).to_have_attribute("aria-invalid", "true")
    expect(field).to_be_focused()
    expect(page.locator("form#meter_reading [data-became]")).to_contain_text("8120")
    assert faults_of(page) == []
    enter_meter(page, "8120")
    all_sent(page)
    assert meters(shop) == [8120.0]
    with shop.server.client("admin") as client:
        [entry] = client.get("/v1/entries").raise_for_status().json()["entries"][-1:]
    assert (entry["kind"], entry["entry_id"]) == ("meter_reading", refused_id)
    expect(field).not_to_have_attribute("aria-invalid", "true")


def test_an_entry_whose_id_the_shop_has_otherwise_is_corrected_under_another(
    shop: Shop, context: BrowserContext
) -> None:
    page = opened(context)
    shop.link.cut()
    enter_meter(page, "8120")
    expect(page.locator("[data-entries] > li")).to_have_count(1)
    stored = "opened.result.transaction('entries').objectStore('entries').getAll()"
    taken_id = page.evaluate(
        "new Promise(done => { const opened = indexedDB.open('cleanside'); opened.onsuccess = () => {"
        f"const asked = {stored}; asked.onsuccess = () => done(asked.result[0].entry_id) }} }})"
    )
    with shop.server.client("admin") as client:
        content = {"value": 6.2, "unit": "kPa"}
        body = {"entry_id": taken_id, "kind": "second_reading", "machine": "grader-07", "content": content}
        client.post("/v1/entries", json=body | {"made_at": "2026-03-01T00:00:00Z"}).raise_for_status()
    shop.link.restore()
    link_is_back(page)
    row = page.locator("[data-entries] > li")
    expect(row).to_have_class("failed")
    row.get_by_role("link", name="Correct it").click()
    page.locator("form#meter_reading").get_by_role("button").click()
    all_sent(page)
    assert meters(shop) == [8120.0]


def test_a_session_that_ended_keeps_the_entry_for_whoever_made_it(
    shop: Shop, context: BrowserContext
) -> None:
    page = opened(context)
    end_session(shop.server, shop.cookie)
    enter(page, "kept")
    expect(page.locator("[data-signed-out]")).to_be_visible()

    other = session_of(shop.server, "marek", "technician")
    context.clear_cookies(name=shop.cookie["name"])
    context.add_cookies([other | {"url": shop.link.url}])  # type: ignore[list-item]  # as it takes them
    link_is_back(page)  # the page of the one, the session of the other
    expect(page.locator("[data-signed-out]")).to_be_visible()
    page.goto(VISIT)
    all_sent(page)  # nothing of the other's
    assert notes(shop) == []

    with shop.server.client(None) as client:
        own = {"Origin": shop.server.url}
        body = {"name": "wolny", "password": PASSWORD}
        client.post("/v1/sessions", json=body, headers=own).raise_for_status()
        [(name, value)] = client.cookies.items()
    context.clear_cookies(name=shop.cookie["name"])
    cookie = {"name": name, "value": value.strip('"'), "url": shop.link.url}
    context.add_cookies([cookie])  # type: ignore[list-item]  # as it takes them
    page.goto(VISIT)
    all_sent(page)
    assert notes(shop) == ["kept"]


def test_who_signs_out_leaves_no_page_on_the_phone(context: BrowserContext) -> None:
    page = opened(context)
    page.reload()
    wait_until(lambda: "/visit/grader-07" in kept_on_phone(page), "the page is on the phone")
    page.goto("/me")
    page.get_by_role("button", name="Sign out", exact=True).click()
    page.wait_for_url("**/sign-in")
    wait_until(lambda: kept_on_phone(page) == [], "no page is on the phone")


def test_machines_of_the_list_open_without_a_link_though_nobody_opened_them_before(
    shop: Shop, context: BrowserContext
) -> None:
    page = context.new_page()
    page.goto("/visit")
    wait_until(lambda: "/visit/grader-07" in kept_on_phone(page), "the page is on the phone")
    shop.link.cut()
    page.goto(VISIT)
    enter(page, "never opened before")
    expect(page.locator("[data-count]")).to_have_text("1 entry on this phone, not yet at the shop")
    shop.link.restore()
    link_is_back(page)
    all_sent(page)
    assert notes(shop) == ["never opened before"]


def test_after_sign_in_both_jobs_at_each_machine_open_without_a_link(
    shop: Shop, context: BrowserContext
) -> None:
    page = context.new_page()
    page.goto("/fleet")  # as after the sign-in
    jobs = {f"{VISIT}?job=service", f"{VISIT}?job=installation"}
    wait_until(lambda: jobs | {"/work-list"} <= set(addresses_on_phone(page)), "the pages are on the phone")
    shop.link.cut()
    for job, heading in (("service", "Service"), ("installation", "Installation")):
        page.goto(f"{VISIT}?job={job}&housing=main&done=element_change")
        expect(page.locator(".switch [aria-current]")).to_have_text(heading)


def test_a_photo_of_the_plate_waits_too_and_is_made_smaller(shop: Shop, context: BrowserContext) -> None:
    page = opened(context)
    picture = page.screenshot(full_page=True, scale="css")  # a PNG, as a camera's photo is no small JPEG
    shop.link.cut()
    form = page.locator("form").filter(has=page.locator('[value="plate_photo"]'))
    form.evaluate("form => { form.closest('details').open = true }")
    form.locator("[name=photo]").set_input_files(
        {"name": "plate.png", "mimeType": "image/png", "buffer": picture}
    )
    form.get_by_role("button", name="Keep the photo").click()
    expect(page.locator("[data-count]")).to_have_text("1 entry on this phone, not yet at the shop")
    page.reload()
    shop.link.restore()
    link_is_back(page)
    all_sent(page)
    page.reload()
    plate = page.locator(".plate img")
    plate.scroll_into_view_if_needed()
    wait_until(lambda: plate.evaluate("image => image.complete && image.naturalHeight") == 1280, "it shows")


def test_an_entry_is_on_the_list_at_once_with_its_state_and_can_be_taken_back(
    shop: Shop, context: BrowserContext
) -> None:
    page = opened(context)
    shop.link.cut()
    enter(page, "seal dry")
    form = page.locator("form").filter(has=page.locator('[value="element_change"]'))
    expect(form.locator("[data-became]")).to_contain_text("On this phone")
    waiting = page.locator("[data-pending] > li")
    expect(waiting).to_have_class("open")
    shop.link.restore()
    link_is_back(page)
    listed = page.locator('[data-part="entered"] li')
    expect(form.locator("[data-became]")).to_contain_text("at the shop", timeout=WITHIN_MS)
    expect(listed).to_contain_text("seal dry", timeout=WITHIN_MS)
    expect(waiting).to_have_count(0)
    listed.locator("summary", has_text="Take it back").click()
    twice(listed.get_by_role("button", name="Yes, take it back"))
    expect(page.locator('[data-part="entered"] li.gone')).to_be_visible(timeout=WITHIN_MS)
    assert faults_of(page) == []


def test_nothing_entered_yet_goes_with_the_first_entry_that_waits(
    shop: Shop, context: BrowserContext
) -> None:
    page = opened(context)
    nothing = page.get_by_text("Nothing has been entered yet.")
    expect(nothing).to_be_visible()
    shop.link.cut()
    enter(page, "seal dry")
    expect(page.locator("[data-pending] > li")).to_have_count(1)
    expect(nothing).to_be_hidden()


def test_an_hour_meter_beyond_any_does_not_wait_for_a_link(shop: Shop, context: BrowserContext) -> None:
    page = opened(context)
    shop.link.cut()
    enter_meter(page, "99999999")
    field = page.locator("form#meter_reading [name=meter_hours]")
    assert "At most" in field.evaluate("field => field.validationMessage")
    expect(page.locator("[data-pending] > li")).to_have_count(0)
    enter_meter(page, "8120,5 h")
    expect(page.locator("[data-pending] > li")).to_have_count(1)


def test_a_stream_that_the_server_answers_with_an_error_is_no_lost_link(
    shop: Shop, context: BrowserContext
) -> None:
    context.route("**/live?*", lambda route: route.fulfill(status=500, body="{}"))
    page = opened(context)
    expect(page.locator("[data-fault]")).to_contain_text("sends no live values")
    expect(page.locator("[data-cut]")).to_be_hidden()
    shop.link.cut()
    enter(page, "seal dry")
    expect(page.locator("[data-cut]")).to_be_visible(timeout=WITHIN_MS)
    expect(page.locator("[data-fault]")).to_be_hidden()


def test_a_refused_correction_goes_once_a_later_one_of_the_same_entry_is_taken(
    context: BrowserContext,
) -> None:
    page = opened(context)
    enter(page, "wrong hour")
    listed = page.locator('[data-part="entered"] li')
    expect(listed).to_contain_text("wrong hour", timeout=WITHIN_MS)
    for machine, because in (("grader-99", "wrong machine"), ("", "wrong hour")):
        form = listed.locator("form").filter(has=page.locator('[value="correction"]'))
        form.evaluate("form => { form.closest('details').open = true; form.reset() }")
        form.evaluate("form => delete form.dataset.corrects")  # as after the page was loaded again
        form.locator("[name=to_machine]").fill(machine)
        if not machine:
            earlier = datetime.now(UTC) - timedelta(minutes=20)
            form.locator("[name=changed_at]").fill(earlier.strftime("%Y-%m-%dT%H:%M"))
        form.locator("[name=because]").fill(because)
        form.locator("button").click()
        if machine:
            expect(page.locator("[data-correct-first]")).to_be_visible(timeout=WITHIN_MS)
    expect(page.locator("[data-correct-first]")).to_be_hidden(timeout=WITHIN_MS)
    all_sent(page)


def test_a_page_that_is_not_on_the_phone_says_so_and_which_are(shop: Shop, context: BrowserContext) -> None:
    page = opened(context)
    # the visit comes after that page with its scripts
    wait_until(lambda: {"/phone/absent", VISIT} <= set(kept_on_phone(page)), "both are on the phone")
    page.goto("/fleet")
    page.wait_for_load_state("networkidle")
    shop.link.cut()
    for path in ("/machines/grader-07", "/fleet", "/me", "/"):
        page.goto(path)
        expect(page.locator("h1")).to_have_text("Not on this phone")
    assert "/fleet" not in kept_on_phone(page)
    page.locator("[data-absent]").get_by_role("link", name="grader-07").click()
    expect(page.locator("h1")).to_have_text("grader-07")
    expect(page.locator("[data-kept]")).to_be_visible()


def work_list(shop: Shop, context: BrowserContext) -> Page:
    """The work list with one machine on it, kept on the phone with its scripts."""
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).date().isoformat()
    with shop.server.client("planner") as client:
        client.post("/v1/machines/grader-07/planned-change", json={"on": tomorrow}).raise_for_status()
    page = context.new_page()
    page.goto("/work-list")
    page.evaluate("navigator.serviceWorker.ready.then(() => null)")
    page.reload()
    page.wait_for_load_state("networkidle")
    return page


def test_ticks_of_a_kept_work_list_wait_on_the_phone_and_go_once(shop: Shop, context: BrowserContext) -> None:
    page = work_list(shop, context)
    shop.link.cut()
    page.reload()
    expect(page.locator("[data-kept]")).to_contain_text("No link. This page is as of ")
    row = page.locator("tr.sheet-row")
    row.locator("[name=done]").check()
    row.locator("[name^='meter/']").fill("8120.5")
    page.get_by_role("button", name="Send ticks to the shop").last.click()
    expect(page.locator("[data-count]")).to_have_text("1 entry on this phone, not yet at the shop")
    expect(row.locator("[data-became]")).to_have_text(
        "On this phone. It goes to the shop with the next link."
    )
    assert faults_of(page) == []

    page.reload()  # from the phone; ticked a second time it would be a second entry
    expect(row.locator("[name=done]")).to_be_disabled()
    assert notes(shop) == []
    shop.link.restore()
    link_is_back(page)
    page.wait_for_url("**/work-list?sent=1*#done")
    expect(page.get_by_text("One tick was taken.")).to_be_visible()
    expect(page.locator("[data-kept]")).to_be_hidden()
    all_sent(page)
    assert notes(shop) == [""]
    with shop.server.client("admin") as client:
        [change] = client.get("/v1/machines/grader-07/element-changes").json()["element_changes"]
        assert change["what"] == "new"
        assert client.get("/v1/machines/grader-07/meter-readings").json()["readings"][0]["hours"] == 8120.5


def test_a_tick_that_the_shop_refuses_says_why_in_its_row_and_goes_once_corrected(
    shop: Shop, context: BrowserContext
) -> None:
    page = work_list(shop, context)
    row = page.locator("tr.sheet-row")
    row.locator("[name^='meter/']").fill("8.120,5")
    page.get_by_role("button", name="Send ticks to the shop").last.click()
    expect(row.locator("[data-became]")).to_contain_text("Not ticked, so nothing was entered.")
    expect(page.locator(".end-bar [data-became]")).to_contain_text("No row was ticked.")
    row.locator("[name=done]").check()
    page.get_by_role("button", name="Send ticks to the shop").last.click()
    expect(row.locator("[data-became]")).to_contain_text("Not taken.")
    assert notes(shop) == []
    row.locator("[name^='meter/']").fill("8120.5")
    page.get_by_role("button", name="Send ticks to the shop").last.click()
    page.wait_for_url("**/work-list?sent=1*#done")
    all_sent(page)
    assert notes(shop) == [""]
