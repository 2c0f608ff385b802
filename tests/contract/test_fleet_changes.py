"""What changed of a fleet since a midnight: GET /v1/fleet/changes and its page."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from cleanside.ingest.shop.fleet_changes import MOVED_DAYS
from tests.contract.test_api_fleet import set_hours_in, working_hours
from tests.contract.test_api_shop import MACHINE, ask
from tests.support.serving import Api, in_process

DAY_US = 86_400_000_000


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        yield running


def loaded_until_midnight(api: Api) -> None:
    """42 hours at work, until the midnight of 22 February 2026."""
    api.register()
    set_hours_in(api, 42)
    api.send(working_hours(42, rise_kpa=0.04))
    api.analyse()


def work_on(api: Api, at_kpa: float | None = None) -> None:
    """30 hours more, twice as fast, until the morning after the next midnight. at_kpa : all at this level."""
    set_hours_in(api, 72)
    document = working_hours(30, first_seq=42 * 60 + 1, rise_kpa=0.04)
    rising = [3.68 + 0.08 * minute / 60 for minute in range(30 * 60)]
    document["columns"]["restriction"] = rising if at_kpa is None else [at_kpa] * len(rising)
    api.send(document)
    api.analyse()


def changes(api: Api, **query: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = ask(api, "GET", "/v1/fleet/changes", **query)["changes"]
    return found


def test_over_the_limit_then_and_now_nothing_moved(api: Api) -> None:
    """The likely date of both looks is the instant of the look: it moves by a day a day, and says nothing."""
    loaded_until_midnight(api)
    limit = {"value": 3.0, "unit": "kPa"}
    ask(api, "POST", f"{MACHINE}/terminal-restriction", limit)
    work_on(api, 5.0)
    [seen] = ask(api, "GET", "/v1/fleet")["housings"]
    assert seen["state"] == "over"
    assert [one["due_moved_days"] for one in changes(api, days=1, moved_days=1)] in ([], [None])


def test_then_is_what_the_fleet_said_at_that_midnight(api: Api) -> None:
    """42 hours until midnight, 30 more until now: the past is worked out as the fleet stated it then."""
    loaded_until_midnight(api)
    [said] = ask(api, "GET", "/v1/fleet")["housings"]
    work_on(api)
    [now] = ask(api, "GET", "/v1/fleet")["housings"]
    answer = ask(api, "GET", "/v1/fleet/changes", days=1)
    assert (answer["since"], answer["count"]) == (said["now"], 1)
    assert answer["changed"] == len(answer["changes"])
    [one] = answer["changes"]
    assert (one["state_then"], one["state"]) == (said["state"], now["state"])
    assert one["due_at"] == now["due_at"]
    # What the fleet teaches moved a little since: it learned from the hours that came.
    then_us, said_us = (parse_instant(due["p50"]).us for due in (one["due_at_then"], said["due_at"]))
    assert abs(then_us - said_us) < DAY_US / 2
    now_us = parse_instant(now["due_at"]["p50"]).us
    assert one["due_moved_days"] == pytest.approx((now_us - then_us) / DAY_US, abs=1e-3)
    assert abs(one["due_moved_days"]) >= MOVED_DAYS
    assert one["share_used_percent_then"] == pytest.approx(said["share_used_percent"])


def test_an_element_that_was_changed_is_named_and_its_date_compared_with_none(api: Api) -> None:
    loaded_until_midnight(api)
    work_on(api)
    change = {"changed_at": "2026-02-23T05:30:00Z", "entry_id": "e-1", "what": "new"}
    ask(api, "POST", f"{MACHINE}/element-changes", change | {"confirmed_because": "I saw it"})
    [one] = changes(api, days=1)
    assert (one["changed_at"], one["due_moved_days"]) == ("2026-02-23T05:30:00Z", None)
    assert one["state"] == "running-in"
    assert (one["changed_confirmed"], one["entered_by"]) == (True, None)


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_change_that_no_reading_confirms_yet_is_said_to_be_entered_and_by_whom(
    api: Api, language: str
) -> None:
    loaded_until_midnight(api)
    work_on(api)
    change = {"changed_at": instant_text(api.clock.now_us), "entry_id": "e-1", "what": "new"}
    ask(api, "POST", f"{MACHINE}/element-changes", change)
    [one] = changes(api, days=1)
    [entered] = ask(api, "GET", f"{MACHINE}/element-changes")["element_changes"]
    assert entered["verdict"] == "not_seen_yet"
    assert (one["changed_confirmed"], one["entered_by"]) == (False, entered["who"])
    assert one["entered_by_name"] is None
    page = api.get("/fleet-changes?days=1", key="planner", headers={"Accept-Language": language}).text
    not_yet = str(table(language)["fleet_changes.entered"]).rpartition("}")[2].strip()
    assert not_yet in page
    assert str(table(language)["fleet_changes.element"]).partition("{")[0] not in page


def test_a_change_that_two_people_entered_has_one_time_everywhere(api: Api) -> None:
    loaded_until_midnight(api)
    set_hours_in(api, 72)
    for at in ("2026-02-22T05:27:00Z", "2026-02-22T05:29:00Z"):
        ask(api, "POST", f"{MACHINE}/element-changes", {"changed_at": at, "what": "new"})
    entered = ask(api, "GET", f"{MACHINE}/element-changes")["element_changes"]
    assert sorted(one["verdict"] == "double" for one in entered) == [False, True]
    [counts] = [one["changed_at"] for one in entered if one["verdict"] != "double"]
    assert [one["changed_at"] for one in changes(api, days=2)] == [counts]


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_new_fault_is_on_the_page_in_the_words_of_the_work_list(api: Api, language: str) -> None:
    loaded_until_midnight(api)
    work_on(api, at_kpa=0.2)
    [now] = ask(api, "GET", "/v1/fleet")["housings"]
    [one] = changes(api, days=1)
    causes = [suspicion["cause"] for suspicion in now["suspicions"]]
    assert (one["faults_new"], one["faults_settled"]) == (causes, [])
    assert causes
    page = api.get("/fleet-changes?days=1", key="planner", headers={"Accept-Language": language})
    assert page.status_code == 200
    assert str(table(language)[f"work.cause.{causes[0]}"]) in page.text
    assert str(table(language)["fleet_changes.by_urgency"]) in page.text


def test_a_span_without_news_is_said_to_be_without(api: Api) -> None:
    loaded_until_midnight(api)
    api.clock.advance(3_600.0)
    answer = ask(api, "GET", "/v1/fleet/changes", days=1, moved_days=365)
    assert (answer["count"], answer["changed"], answer["changes"]) == (1, 0, [])
    for days in (0, 93):
        assert api.get("/v1/fleet/changes", key="planner", params={"days": days}).status_code == 422


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_number_of_days_that_cannot_be_is_said_at_the_form(api: Api, language: str) -> None:
    for wrong in ("days=0", "days=93", "days=x", "days=", "moved_days=366"):
        refused = api.get(f"/fleet-changes?{wrong}", key="planner", headers={"Accept-Language": language})
        name, _, written = wrong.partition("=")
        assert refused.status_code == 422, wrong
        assert (
            f'name="{name}" min="1" max="{92 if name == "days" else 365}" required value="{written}"'
            in refused.text
        )
        said = refused.text.partition(f'data-field="{name}"')[2].partition("</li>")[0]
        assert str(table(language)[f"fleet_changes.{name}"]) in said
