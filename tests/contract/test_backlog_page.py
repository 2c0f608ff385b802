"""The backlog page: who is behind and how far, the account, and a bundle brought in the browser."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from cleanside.gateway.wire import instant_text
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from tests.contract.test_api_bundles import block, bundle
from tests.support.serving import DEVICE, Api, batch, in_process


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        running.register()
        yield running


def rows(page: str) -> int:
    return page.count('role="rowheader"')


def bring(api: Api, content: bytes, *, key: str = "operator") -> str:
    """The page after a bundle was brought."""
    response = api.request("POST", "/backlog/bundles", key=key, files={"bundle": ("b.bundle", content)})
    assert response.status_code == 303, response.text
    return api.get(response.headers["location"], key=key).text


def test_a_level_fleet_has_nothing_behind(api: Api) -> None:
    api.send(batch(1, [3.0] * 5))
    assert rows(api.get("/backlog").text) == 0


def test_who_is_behind_is_shown_with_how_far(api: Api) -> None:
    api.send(batch(1, [3.0] * 5))
    api.send(batch(40, [3.0] * 5, gateway={"appended_through": 1_244}))
    [line] = api.get("/v1/streams").json()["streams"]
    assert (line["pending"], line["gap"], line["shed"]) == (1_200, 34, [])
    assert line["gaps"] == [[6, 39]]
    page = api.get("/backlog").text
    assert "6 to 39" in page
    assert rows(page) == 1
    assert "1,200" in page


def test_shed_ranges_are_named(api: Api) -> None:
    api.send(batch(1, [3.0] * 5, shed=[{"first": 6, "last": 25, "reason": "disk_budget"}]))
    [line] = api.get("/v1/streams").json()["streams"]
    assert line["shed"] == [{"first": 6, "last": 25, "reason": "disk_budget"}]
    assert "the room for waiting readings was full" in api.get("/backlog").text


def test_how_fast_it_drains_is_told_from_what_came(api: Api) -> None:
    for first in (1, 501):
        api.send(batch(first, [3.0] * 500, gateway={"appended_through": 5_000}))
        api.clock.advance(10)
    [line] = api.get("/v1/streams").json()["streams"]
    assert line["drains_per_s"] == pytest.approx(100, rel=0.05)
    api.clock.advance(600)
    [line] = api.get("/v1/streams").json()["streams"]
    assert line["drains_per_s"] is None


def test_the_account_is_counted_when_somebody_asks(api: Api) -> None:
    api.send(batch(1, [3.0, 900.0]))
    assert 'href="/backlog?counted=true#account"' in api.get("/backlog").text
    page = api.get("/backlog?counted=true").text
    assert str(table("en")["backlog.balances"]) in page


def test_a_bundle_is_brought_in_the_browser_and_once(api: Api, tmp_path: Path) -> None:
    content, _ = bundle(tmp_path / "b", api.tokens["device"], block(1), block(26))
    assert "50 readings stored, 0 were here" in bring(api, content)
    assert "0 readings stored, 50 were here" in bring(api, content)
    assert api.account()["streams"][0]["stored"] == 50


def test_of_a_bundle_that_is_cut_short_the_good_part_is_taken(api: Api, tmp_path: Path) -> None:
    content, ends = bundle(tmp_path / "b", api.tokens["device"], block(1), block(26), finished=False)
    page = bring(api, content[: ends[0] + 10])
    assert "25 readings stored" in page
    assert 'class="fault"' in page


@pytest.mark.parametrize("content", [b"not a bundle", b""])
def test_what_is_no_bundle_is_said_on_a_page(api: Api, content: bytes) -> None:
    response = api.request("POST", "/backlog/bundles", key="operator", files={"bundle": ("b", content)})
    assert response.status_code in (400, 422)
    assert response.headers["content-type"].startswith("text/html")
    assert 'action="/backlog/bundles"' in response.text  # the page of the form, so that one can choose again
    assert "stands before" not in response.text  # nothing does


def test_an_altered_bundle_is_refused_at_its_form(api: Api, tmp_path: Path) -> None:
    content, _ = bundle(tmp_path / "b", api.tokens["device"], block(1), block(26))
    altered = bytearray(content)
    altered[len(altered) // 4] ^= 1
    response = api.request(
        "POST", "/backlog/bundles", key="operator", files={"bundle": ("b", bytes(altered))}
    )
    assert response.status_code == 422
    assert 'action="/backlog/bundles"' in response.text
    assert "it was altered on the way" in response.text


def test_a_form_without_a_file_is_refused(api: Api) -> None:
    response = api.request("POST", "/backlog/bundles", key="operator", data={"bundle": "text"})
    assert response.status_code == 422


def test_a_result_in_an_address_is_text(api: Api) -> None:
    """What a link says is shown escaped, and names that are none are refused."""
    assert api.get("/backlog?device=%3Cscript%3E").status_code == 422


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_page_speaks_the_language_of_the_reader(api: Api, language: str) -> None:
    page = api.get("/backlog?counted=true", headers={"Accept-Language": language}).text
    assert html.escape(str(table(language)["backlog.account"])) in page


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_monitor_that_sends_and_sits_nowhere_is_named_with_what_to_do(api: Api, language: str) -> None:
    """It was sound in every line of this page, while its readings counted for no machine."""
    api.send(batch(1, [3.0]))
    ended = {"machine": "grader-07", "assigned_until": instant_text(api.clock.now_us)}
    assert api.post(f"/v1/devices/{DEVICE}/assignments", ended).status_code == 200
    asked = {"Accept-Language": language}
    assert 'id="unseated"' not in api.get("/backlog", headers=asked).text
    api.clock.advance(86_460)
    api.send(batch(2, [3.1]))
    page = api.get("/backlog", headers=asked).text
    words = table(language)
    assert 'href="#unseated"' in page
    assert html.escape(str(words["backlog.unseated_step"])) in page
    assert f'href="/monitors/{DEVICE}"' in page


def test_a_gap_of_one_number_is_one_number(api: Api) -> None:
    """It read "4 to 4"."""
    for first in (1, 5, 9):
        api.send(batch(first, [3.0, 3.0, 3.0]))
    page = api.get("/backlog").text
    assert re.search(r'<span class="aside">4, 8</span>', page)
