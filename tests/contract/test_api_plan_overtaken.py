"""A change that becomes known after a day was planned questions that day until a person answers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import vobject

from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from tests.contract.test_api_element_changes import FALL, register_a_fall
from tests.contract.test_api_fleet import register_worked
from tests.contract.test_api_shop import MACHINE, ask
from tests.support.people import quick_passwords, signed_in
from tests.support.serving import Api, in_process

PLAN = f"{MACHINE}/planned-change"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        quick_passwords(running)
        yield running


def found_then_planned(api: Api) -> tuple[str, str]:
    """A change was found and not answered, and a day three days ahead is planned. Returns both."""
    found_at = register_a_fall(api)
    part = {"part": "KG-0715", "lead_time_days": 5, "stock": []}
    ask(api, "POST", "/v1/parts", part)
    ask(api, "PATCH", f"{MACHINE}/papers", {"housings": [{"housing": "main", "primary_part": "KG-0715"}]})
    today = ask(api, "GET", "/v1/work")["today"]
    on = f"{today[:8]}{int(today[8:]) + 3:02}"
    assert ask(api, "POST", PLAN, {"on": on, "confirmed_because": "booked"})["planned"]["state"] == "open"
    return found_at, on


def answer(api: Api, found_at: str, what: str = "new") -> None:
    api.clock.advance(60)
    entry = {"changed_at": found_at, "what": what, "entry_id": "e1", "note": "seen there"}
    ask(api, "POST", f"{MACHINE}/element-changes", entry)


def planned(api: Api) -> dict[str, Any]:
    [housing] = ask(api, "GET", "/v1/fleet")["housings"]
    document: dict[str, Any] = housing["planned"]
    return document


def test_a_change_confirmed_after_a_day_was_planned_takes_it_off_list_and_parts_and_asks(api: Api) -> None:
    found_at, on = found_then_planned(api)
    before = ask(api, "GET", "/v1/work")
    assert [(job["day"], job["reason"]) for job in before["jobs"]] == [(on, "planned")]
    assert before["parts"][0]["to_order"] == 1
    answer(api, found_at)
    document = planned(api)
    assert (document["state"], document["overtaken_by"], document["kept_after"]) == (
        "overtaken",
        found_at,
        None,
    )
    fleet, work, plan = (ask(api, "GET", f"/v1/{name}") for name in ("fleet", "work", "visit-plan"))
    assert fleet["with_questions"] == 1
    assert (work["jobs"], [part["to_take"] for part in work["parts"] if part["to_take"]]) == ([], [])
    for asked in (work["asked"], plan["asked"]):
        assert [(one["machine"], one["planned"]["on"]) for one in asked] == [("grader-07", on)]
    assert [one for one in plan["visits"] if one["planned_on"]] == []
    ask(api, "DELETE", PLAN)
    assert ask(api, "GET", "/v1/work")["parts"] == work["parts"], "left to order by the dates alone"


def test_a_day_that_is_kept_stands_again_and_says_so(api: Api) -> None:
    found_at, on = found_then_planned(api)
    answer(api, found_at)
    ask(api, "POST", PLAN, {"on": on, "seen": planned(api)["planned_at"]})
    document = planned(api)
    assert (document["state"], document["overtaken_by"], document["kept_after"]) == ("open", None, found_at)
    work = ask(api, "GET", "/v1/work")
    assert ([job["day"] for job in work["jobs"]], work["asked"]) == ([on], [])
    ask(api, "POST", PLAN, {"on": f"{on[:8]}{int(on[8:]) - 1:02}", "confirmed_because": "booked"})
    assert planned(api)["kept_after"] is None, "another day is a new plan"


def test_a_questioned_day_that_has_passed_can_be_taken_back_and_not_kept(api: Api) -> None:
    """No day that is over can be planned, so the button could do nothing."""
    found_at, on = found_then_planned(api)
    answer(api, found_at)
    keeps = f'name="on/grader-07/main" value="{on}"'
    takes_back = 'name="on/grader-07/main" value=""'
    lists = "/work-list", "/visit-plan"
    assert [(keeps in api.get(at).text, takes_back in api.get(at).text) for at in lists] == [(True, True)] * 2
    api.clock.advance(5 * 86_400)
    assert planned(api)["state"] == "overtaken"
    assert [(keeps in api.get(at).text, takes_back in api.get(at).text) for at in lists] == [
        (False, True)
    ] * 2


def test_a_change_that_is_denied_questions_no_day(api: Api) -> None:
    found_at, _ = found_then_planned(api)
    answer(api, found_at, "nothing")
    assert planned(api)["state"] == "open"


def test_an_entry_that_is_confirmed_later_is_known_from_then_on(api: Api) -> None:
    """Readings contradicted it when the day was planned, so the planner did not know of a change."""
    register_worked(api, 60, rise_kpa=0.05)
    entry = {"changed_at": FALL, "what": "new", "entry_id": "e2"}
    ask(api, "POST", f"{MACHINE}/element-changes", entry)
    [made] = ask(api, "GET", f"{MACHINE}/element-changes")["element_changes"]
    assert made["is_question"]
    api.clock.advance(60)
    assert (
        ask(api, "POST", PLAN, {"on": "2026-02-26", "confirmed_because": "booked"})["planned"]["state"]
        == "open"
    )
    api.clock.advance(60)
    ask(api, "POST", f"{MACHINE}/element-changes", entry | {"confirmed_because": "I saw it"})
    assert planned(api)["state"] == "overtaken"


def test_accepting_a_plan_keeps_a_questioned_day_that_it_names_again(api: Api) -> None:
    found_at, on = found_then_planned(api)
    answer(api, found_at)
    visit = {"machine": "grader-07", "housing": "main", "on": on}
    body = {"zone": "UTC", "visits": [visit | {"replaces": True}]}
    assert ask(api, "POST", "/v1/visit-plan/accepted", body)["changed"] == 1
    assert (planned(api)["state"], planned(api)["kept_after"]) == ("open", found_at)


@pytest.mark.parametrize("language", LANGUAGES)
def test_pages_and_calendar_ask_whether_the_day_is_still_wanted(api: Api, language: str) -> None:
    found_at, on = found_then_planned(api)
    mara = signed_in(api, "mara.lindt", "planner")
    link = mara.post("/v1/me/calendars", {"zone": "UTC", "language": language}).json()["link"]
    answer(api, found_at)
    asks = str(table(language)["fleet.plan_overtaken"]).rpartition("}")[2]
    for path in ("/fleet", "/machines/grader-07", "/work-list", "/visit-plan"):
        assert asks in api.get(path, key="planner", headers={"Accept-Language": language}).text, path
    calendar = vobject.readOne(api.get(link.removeprefix("http://ingest.test"), key=None).content.decode())
    [event] = calendar.vevent_list
    assert (event.dtstart.value.isoformat(), event.status.value) == (on, "TENTATIVE")
    assert asks in event.description.value
    assert "KG-0715" not in event.description.value


def test_the_work_list_keeps_a_questioned_day_with_one_button(api: Api) -> None:
    found_at, on = found_then_planned(api)
    answer(api, found_at)
    name = "grader-07/main"
    fields = {"move": f"{name}/{planned(api)['planned_at']}", f"on/{name}": on}
    assert f'value="{fields["move"]}"' in api.get("/work-list", key="planner").text
    sent = api.request("POST", "/work-list/move", key="planner", data=fields)
    assert (sent.status_code, planned(api)["kept_after"]) == (303, found_at)


def test_a_change_that_is_entered_a_second_time_is_no_news(api: Api) -> None:
    """Two people enter one change: it counts as one, known since the first of them."""
    found_at = register_a_fall(api)
    answer(api, found_at)
    api.clock.advance(60)
    today = ask(api, "GET", "/v1/work")["today"]
    assert ask(api, "POST", PLAN, {"on": today, "confirmed_because": "booked"})["planned"]["state"] == "open"
    again = {"changed_at": found_at, "what": "new", "entry_id": "e3"}
    api.clock.advance(60)
    made = ask(api, "POST", f"{MACHINE}/element-changes", again)["element_changes"]
    assert "double" in [entry["verdict"] for entry in made]
    assert planned(api)["state"] == "open"


def test_all_pages_say_one_chance_of_a_planned_day_and_no_day_without_data_lowers_it(api: Api) -> None:
    register_worked(api, 60, rise_kpa=0.06)
    now = datetime.fromtimestamp(api.clock.now_us / 1e6, UTC)
    on = (now + timedelta(days=4)).date().isoformat()
    ask(api, "POST", PLAN, {"on": on, "confirmed_because": "booked"})
    said: list[float] = []
    for _ in range(5):  # the last one on the planned day itself
        [job] = [one for one in ask(api, "GET", "/v1/work", before="2026-04-20")["jobs"] if one["day"] == on]
        every = {planned(api)["chance_at_limit_before"], job["chance_at_limit_before"]}
        every |= {
            visit["chance_at_limit_before"]
            for visit in ask(api, "GET", "/v1/visit-plan")["visits"]
            if visit["day"] == on
        }
        assert max(every) - min(every) < 1e-6, every
        said.append(max(every))
        pages = "/fleet", "/machines/grader-07", "/work-list?before=2026-04-20"
        shown = [set(re.findall(r"at the limit before this day: (\d+)", api.get(at).text)) for at in pages]
        assert shown == [{f"{100 * said[-1]:.0f}"}] * len(pages), said
        api.clock.advance(86_400)
    assert said == sorted(said)
    assert said[-1] > 0.05
