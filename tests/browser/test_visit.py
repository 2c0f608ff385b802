"""A visit from "nothing seen" to "passed" in a real Chromium while readings come; how the page holds up."""

from __future__ import annotations

import time
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from cleanside.gateway.wire import instant_text
from tests.browser.chromium import faults_of, is_scrolled_sideways
from tests.browser.phones import phone, session_of
from tests.support.serving import DEVICE, STREAM, ServerProcess

VISIT = "/visit/grader-07"
#: (seconds, engine speed r/min, restriction kPa, supply V): key on, idle, high idle
REST, IDLE, HIGH = (60, 0.0, 0.01, 25.1), (60, 750.0, 0.35, 27.9), (40, 2250.0, 1.9, 27.9)
SIZES = {"phone": {"width": 360, "height": 740}, "narrow": {"width": 320, "height": 640}}
SIZES |= {"desk": {"width": 1280, "height": 900}}


@pytest.fixture
def shop(server: ServerProcess) -> ServerProcess:
    with server.client("admin") as client:
        body = {"machine": "grader-07", "kind": "grader", "display_name": "Grader 7, Hochebene"}
        client.post("/v1/machines", json=body).raise_for_status()
        client.post("/v1/devices", json={"device": DEVICE, "machine": "grader-07"}).raise_for_status()
    return server


class Monitor:
    """What a gateway would send: each stretch of the engine, two seconds apart, just taken."""

    def __init__(self, shop: ServerProcess) -> None:
        self._shop = shop
        self._seq = 0
        self._at_s = time.time() - 400

    def send(self, *stretches: tuple[int, float, float, float], boots: int = 1) -> None:
        rows = [stretch[1:] for stretch in stretches for _ in range(stretch[0] // 2)]
        speeds, restrictions, volts = (list(column) for column in zip(*rows, strict=True))
        many = len(rows)
        columns: dict[str, Any] = {"engine_speed": speeds, "restriction": restrictions}
        columns |= {"supply_voltage": volts, "ambient_pressure": [84.9] * many, "altitude": [1500.0] * many}
        columns |= {"signal_strength": [-97.0 + 12 * row / many for row in range(many)]}
        document = {
            "device": DEVICE,
            "stream": STREAM,
            "units": {"engine_speed": "r/min", "restriction": "kPa", "supply_voltage": "V"}
            | {"ambient_pressure": "kPa", "altitude": "m", "signal_strength": "dBm"},
            "first_seq": self._seq + 1,
            "start": instant_text(int(self._at_s * 1e6)),
            "step_ms": [0] + [2000] * (many - 1),
            "at_uncertainty_s": 0.05,
            "columns": columns,
            "gateway": {
                "boots": [
                    {"boot": f"boot-{n}", "first_seq": 1 + n, "anchor": "gps", "uncertainty_s": 0.05}
                    for n in range(boots)
                ],
                "appended_through": self._seq + many,
            },
        }
        with self._shop.client("device") as client:
            client.post("/v1/readings", json=document).raise_for_status()
        self._seq += many
        self._at_s += 2 * many


def verdicts(page: Page) -> dict[str, str]:
    rows = page.locator("[data-check]")
    return {
        str(rows.nth(i).get_attribute("data-check")): str(rows.nth(i).get_attribute("data-verdict"))
        for i in range(rows.count())
    }


def check(page: Page, name: str) -> Any:
    return page.locator(f'[data-check="{name}"]')


def enter_limit(page: Page, kind: str) -> None:
    form = page.locator("form").filter(has=page.locator(f'[value="{kind}"]'))
    form.locator("[name=value]").fill("25")
    form.locator("[name=unit]").select_option("inH2O")
    form.get_by_role("button").click()


def test_a_visit_goes_from_nothing_seen_to_passed_while_readings_come(
    shop: ServerProcess, browser: Browser
) -> None:
    monitor = Monitor(shop)
    with phone(browser, shop.url, session_of(shop, "wolny", "technician")) as context:
        page = context.new_page()
        page.goto("/visit")
        page.get_by_role("link", name="Grader 7, Hochebene").click()
        assert set(verdicts(page).values()) == {"not yet seen"}
        expect(page.locator("#k-h")).to_contain_text("Stay: 9 checks are open")

        monitor.send(REST)
        expect(check(page, "zero with the engine off")).to_have_attribute("data-verdict", "passed")
        expect(check(page, "link")).to_have_attribute("data-verdict", "passed")
        expect(page.locator(".live .value")).to_contain_text("0.01")

        monitor.send(IDLE, HIGH)
        answers = check(page, "restriction answers the engine")
        expect(answers).to_have_attribute("data-verdict", "passed")
        expect(check(page, "key-off")).to_have_attribute("data-verdict", "not yet seen")
        monitor.send(REST, boots=2)
        expect(check(page, "key-off")).to_have_attribute("data-verdict", "passed")

        enter_limit(page, "terminal_restriction")
        expect(check(page, "terminal restriction")).to_contain_text("read once")
        enter_limit(page, "second_reading")
        expect(page.locator("#k-h")).to_have_text("You can leave: all 9 checks passed.")
        assert set(verdicts(page).values()) == {"passed"}


def test_without_scripts_the_same_is_done_by_forms_and_a_link(shop: ServerProcess, browser: Browser) -> None:
    cookie = session_of(shop, "wolny", "technician")
    with phone(browser, shop.url, cookie, java_script_enabled=False) as context:
        page = context.new_page()
        page.goto(VISIT)
        enter_limit(page, "terminal_restriction")
        expect(page.locator("#entered")).to_be_visible()
        enter_limit(page, "second_reading")
        assert verdicts(page)["terminal restriction"] == "passed"
        Monitor(shop).send(REST)
        page.get_by_role("link", name="Look again").click()
        assert verdicts(page)["zero with the engine off"] == "passed"


@pytest.fixture
def visited(shop: ServerProcess) -> ServerProcess:
    """With a check of each kind, and an entry."""
    monitor = Monitor(shop)
    monitor.send(REST, IDLE)
    monitor.send((10, 2250.0, 0.36, 27.9))  # it does not follow the engine
    with shop.client("admin") as client:
        path = "/v1/machines/grader-07"
        client.post(f"{path}/terminal-restriction", json={"value": 25, "unit": "inH2O"}).raise_for_status()
        change = {"changed_at": instant_text(int((time.time() - 60) * 1e6)), "note": "<b>very dusty</b>"}
        client.post(f"{path}/element-changes", json=change).raise_for_status()
        client.patch(path, json={"display_name": "<i>Grader</i> " + "W" * 60}).raise_for_status()
    return shop


@pytest.mark.parametrize("size", SIZES)
def test_nothing_is_found_and_nothing_hangs_over(visited: ServerProcess, browser: Browser, size: str) -> None:
    cookie = session_of(visited, "wolny", "technician")
    for scheme, locale in (("light", "en-GB"), ("dark", "de-DE")):
        more = {"viewport": SIZES[size], "color_scheme": scheme, "locale": locale}
        with phone(browser, visited.url, cookie, **more) as context:
            assert [(path, scheme, f) for path in ("/visit", VISIT) for f in seen(context, path)] == []


#: choices of which not all words show: what is laid out as in the select, and is longer than it shows
CUT = """() => [...document.querySelectorAll("select")].flatMap(select => {
    const look = getComputedStyle(select);
    const wide = select.clientWidth - parseFloat(look.paddingLeft) - parseFloat(look.paddingRight);
    return [...select.options].map(option => option.text).filter(text => {
        const line = document.createElement("div");
        line.textContent = text;
        line.style.cssText = `position: absolute; width: ${wide}px; font: ${look.font};
            line-height: ${look.lineHeight};
            white-space: ${look.whiteSpace === "normal" ? "normal" : "nowrap"}`;
        document.body.append(line);
        const is_cut = line.scrollWidth > Math.ceil(wide) || line.offsetHeight > select.clientHeight;
        line.remove();
        return is_cut;
    });
})"""


@pytest.mark.parametrize("width", [360, 390, 1280])
def test_each_choice_shows_all_its_words(visited: ServerProcess, browser: Browser, width: int) -> None:
    cookie = session_of(visited, "wolny", "technician")
    for locale in ("en-GB", "de-DE"):
        more = {"viewport": {"width": width, "height": 740}, "locale": locale}
        with phone(browser, visited.url, cookie, **more) as context:
            page = context.new_page()
            page.goto(VISIT)
            for details in page.locator("details").all():
                details.evaluate("details => { details.removeAttribute('name'); details.open = true }")
            assert page.evaluate(CUT) == []


def seen(context: BrowserContext, path: str) -> list[str]:
    page = context.new_page()
    page.goto(path)
    for details in page.locator("details").all():
        details.evaluate("details => { details.removeAttribute('name'); details.open = true }")
    return [*faults_of(page), *(["it scrolls sideways"] if is_scrolled_sideways(page) else [])]
