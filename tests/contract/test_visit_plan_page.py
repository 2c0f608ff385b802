"""The plan of visits as a page: shows what the route says, moves, accepts what was seen, keeps prices."""

from __future__ import annotations

import html as html_text
import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import pytest

from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from tests.contract.test_api_fleet import register_worked
from tests.contract.test_api_shop import ask
from tests.support.people import quick_passwords, signed_in
from tests.support.serving import Api, in_process

PAGE = "/visit-plan"
HOSTILE = "<script>alert(1)</script>🚜" + "W" * 64


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """grader-07 of oberkies after 60 hours; its site has a hostile name."""
    with in_process(sqlite_database_url) as running:
        register_worked(running, 60, rise_kpa=0.02)
        ask(running, "POST", "/v1/sites", {"site": "oberkies", "display_name": HOSTILE})
        papers = {"site": "oberkies", "housings": [{"housing": "main", "primary_part": "KG-0715"}]}
        ask(running, "PATCH", "/v1/machines/grader-07/papers", papers)
        yield running


def page(api: Api, query: str = "", **headers: str) -> str:
    response = api.get(PAGE + query, key="planner", headers=headers)
    assert response.status_code == 200, response.text
    text: str = response.text
    return text


def send(api: Api, path: str, fields: dict[str, Any]) -> Any:
    return api.request("POST", f"{PAGE}/{path}", key="planner", data=fields)


def visits_of(html: str) -> list[str]:
    """What the form of acceptance sends."""
    return re.findall(r'name="visit" value="([^"]+)"', html)


def other_days(html: str) -> list[str]:
    """What the list of other days sends."""
    return [value for value in re.findall(r'<option value="([^"]*)"', html) if value.startswith("grader-07")]


def test_a_row_leads_to_its_machine_and_housing(api: Api) -> None:
    machine = {"machine": "grader-07", "housings": [{"housing": "main"}, {"housing": "cab"}]}
    assert api.post("/v1/machines", machine).status_code == 200
    ask(api, "POST", "/v1/machines/grader-07/planned-change", {"on": "2026-02-27", "housing": "cab"})
    rows = page(api).partition("<table")[2]
    assert '<a href="/machines/grader-07"><bdi>' in rows
    left_out = page(api).partition("</table>")[2]
    assert '<a href="/machines/grader-07?housing=cab">' in rows + left_out


def test_the_page_shows_the_plan_with_a_caution_before_it(api: Api) -> None:
    html = page(api)
    [visit] = visits_of(html)
    plan = ask(api, "GET", "/v1/visit-plan")
    assert visit == f"grader-07/main/{plan['visits'][0]['day']}/{plan['visits'][0]['version']}"
    assert html.index("<summary><strong>Engine off") < html.index("<table"), (
        "in one line, the rest on request"
    )
    assert "<h2>Every time</h2>" not in html
    assert "<script>alert" not in html
    assert html_text.escape("<script>alert") in html


@pytest.mark.parametrize("language", LANGUAGES)
def test_an_unsure_date_is_called_so_wherever_the_plan_stands(
    sqlite_database_url: str, language: str
) -> None:
    """The work list said so; the file of the plan and the page that asks before days are planned did not."""
    headers = {"Accept-Language": language}
    with in_process(sqlite_database_url) as api:
        register_worked(api, 20, rise_kpa=0.001)
        [visit] = ask(api, "GET", "/v1/visit-plan")["visits"]
        assert visit["unsure_because"] != []
        html = page(api, **headers)
        unsure = str(table(language)["visit_plan.unsure"]).partition(" ")[0]
        file = api.get(f"{PAGE}.csv", key="planner", headers=headers).content.decode("utf-8-sig")
        asked = api.request(
            "POST", f"{PAGE}/accept", key="planner", data={"visit": visits_of(html)}, headers=headers
        )
        assert [text.count(unsure) for text in (html, file, asked.text)] == [1, 1, 1]
        planned = {"on": visit["day"], "confirmed_because": "booked"}
        ask(api, "POST", "/v1/machines/grader-07/planned-change", planned)
        [visit] = ask(api, "GET", "/v1/visit-plan")["visits"]
        assert visit["unsure_because"] == []  # a person decided


def test_costs_stand_under_their_currency_or_say_that_none_is_entered(api: Api) -> None:
    assert "Expected cost, no currency entered" in page(api)
    fields = {"currency": "eur", "stop_price": "80", "chance_percent": "5", "people": "2", "works/1": "1"}
    assert send(api, "terms", fields).status_code == 303
    assert "Expected cost, EUR" in page(api)


def test_every_word_is_there_in_german_too(api: Api) -> None:
    html = page(api, **{"Accept-Language": "de-AT"})
    assert "Besuchsplan" in html
    assert "visit_plan." not in html


def test_a_move_is_planned_again_and_stands_in_the_address(api: Api) -> None:
    html = page(api)
    other = other_days(html)[0]
    moved = page(api, f"?fixed={other}")
    assert [visit.rpartition("/")[0] for visit in visits_of(moved)] == [other]
    assert "Chosen by hand" in moved
    assert visits_of(page(api, "?fixed=")) == visits_of(html), "an empty choice is none"


def test_what_is_accepted_is_what_was_seen(api: Api) -> None:
    """Its prices change between the look and the act: the days of the look are planned."""
    [visit] = visits_of(page(api))
    ask(api, "POST", "/v1/planning-terms", {"working_days": "7"})
    asked = send(api, "accept", {"visit": [visit]})
    assert asked.status_code == 200
    assert ask(api, "GET", "/v1/fleet")["housings"][0]["planned"] is None, "asked first"
    sent = send(api, "accept", {"visit": visits_of(asked.text), "sure": "yes"})
    assert sent.status_code == 303
    assert counts_of(sent) == {"accepted": "1", "kept": "0", "wanted": "1"}
    [job] = ask(api, "GET", "/v1/work", before="2026-03-20")["jobs"]
    assert visit.startswith(f"grader-07/main/{job['planned']['on']}/")
    assert "One day is planned now." in page(api, "?accepted=1")


def test_accepting_says_which_planned_days_it_moves_and_moves_those_that_are_ticked(api: Api) -> None:
    other = other_days(page(api))[0].rpartition("/")[2]
    free = visits_of(page(api))[0].split("/")[2]
    ask(api, "POST", "/v1/machines/grader-07/planned-change", {"on": other})
    seen = page(api, f"?fixed=grader-07/main/{free}")
    asked = send(api, "accept", {"visit": visits_of(seen)}).text
    assert 'name="replaces" value="grader-07/main"' in asked
    assert "checked" not in asked.split('name="replaces"')[1].split(">")[0]
    fields = {"visit": visits_of(asked), "sure": "yes"}
    assert counts_of(send(api, "accept", fields)) == {"accepted": "0", "kept": "1", "wanted": "1"}
    assert planned_on(api) == other
    moved = send(api, "accept", fields | {"replaces": "grader-07/main"})
    assert counts_of(moved) == {"accepted": "1", "kept": "0", "wanted": "1"}
    assert planned_on(api) == free
    back = page(api, moved.headers["location"].removeprefix(PAGE))
    [at] = re.findall(r'name="at" value="([^"]+)"', back)
    assert f'name="at" value="{at}"' in page(api), "later, by the menu"
    sent = send(api, "take-back", {"at": at})
    assert sent.headers["location"] == "/visit-plan?back=1&stay=0"
    assert planned_on(api) == other, "the day that a person had planned before"
    assert "One day was taken back" in page(api, "?back=1&stay=0")
    assert send(api, "take-back", {"at": at}).status_code == 409, "a second tap"


def test_a_day_that_the_plan_did_not_propose_is_asked_about_and_taken_once_it_is_meant(api: Api) -> None:
    """A form that was kept: its day is of another year than the plan's."""
    [visit] = visits_of(page(api))
    fields = {"visit": visit.replace("/2026-", "/2027-"), "sure": "yes"}
    asked = send(api, "accept", fields)
    assert asked.status_code == 422
    day = "/".join(fields["visit"].split("/")[:3])
    assert f'name="day_meant" value="{day}"' in asked.text
    assert "grader-07" in asked.text.partition('<ul class="faults">')[2].partition("</ul>")[0]
    assert ask(api, "GET", "/v1/fleet")["housings"][0]["planned"] is None
    assert send(api, "accept", fields | {"day_meant": day}).status_code == 303
    assert planned_on(api) == day.rpartition("/")[2]


def counts_of(sent: Any) -> dict[str, str]:
    """What the page is to say of an acceptance, but its instant."""
    query = dict(parse_qsl(urlsplit(sent.headers["location"]).query))
    assert query.pop("at")
    return query


def test_a_page_from_before_somebody_elses_change_plans_nothing_and_says_so(api: Api) -> None:
    visits = visits_of(page(api))
    other = other_days(page(api))[0].rpartition("/")[2]
    ask(api, "POST", "/v1/machines/grader-07/planned-change", {"on": other})
    for fields in ({"visit": visits}, {"visit": visits, "sure": "yes", "replaces": "grader-07/main"}):
        answer = send(api, "accept", fields)
        assert (answer.status_code, 'role="alert"' in answer.text) == (409, True)
        assert planned_on(api) == other


def planned_on(api: Api) -> str:
    return str(ask(api, "GET", "/v1/fleet")["housings"][0]["planned"]["on"])


def test_both_pages_say_which_days_they_show(api: Api) -> None:
    def words(html: str) -> set[str]:
        """Which sentences stand there."""
        keys = ["visit_plan.which_days", "visit_plan.same_days", "work.which_days", "work.all_planned"]
        keys += ["visit_plan.days_planned"]
        return {key for key in keys if str(table("en")[key]) in html}

    def work() -> str:
        return str(api.get("/work-list?before=2026-03-20", key="planner").text)

    other = next(day for day in other_days(page(api)) if day.rpartition("/")[2] < "2026-03-20")
    assert words(page(api, f"?fixed={other}")) == {"visit_plan.which_days"}
    assert words(work()) == {"work.which_days"}
    ask(api, "POST", "/v1/machines/grader-07/planned-change", {"on": other.rpartition("/")[2]})
    assert words(page(api, f"?fixed={other}")) == {"visit_plan.same_days"}
    assert words(work()) == {"work.all_planned"}
    moved = next(day for day in other_days(page(api, f"?fixed={other}")) if day != other)
    assert words(page(api, f"?fixed={moved}")) == {"visit_plan.days_planned"}


def test_a_day_that_cannot_be_says_why_and_the_page_stays(api: Api) -> None:
    refused = api.get(f"{PAGE}?fixed=grader-07/main/2027-03-01", key="planner")
    assert refused.status_code == 422
    assert 'class="faults"' in refused.text
    assert 'id="terms"' in refused.text


def test_prices_and_ways_are_kept_and_a_fault_keeps_what_was_written(api: Api) -> None:
    fields = {"currency": "eur", "stop_price": "80,5", "chance_percent": "5", "people": "2"}
    fields |= {f"works/{day}": "1" for day in "12345"}
    fields |= {"site": "oberkies", "km/oberkies": "90", "hours/oberkies": "1,5"}
    assert send(api, "terms", fields).headers["location"] == "/visit-plan#terms"
    terms = ask(api, "GET", "/v1/planning-terms")
    assert (terms["currency"], terms["stop_price"], terms["chance_allowed"]) == ("EUR", 80.5, 0.05)
    assert terms["trips"] == [{"site": "oberkies", "km": 90.0, "hours": 1.5}]
    assert send(api, "terms", fields | {"days_off": "1.1.2027, 2026-12-25"}).status_code == 303
    assert ask(api, "GET", "/v1/planning-terms")["days_off"] == ["2026-12-25", "2027-01-01"]
    wrong = send(api, "terms", fields | {"days_off": "2026-12-25 30.2.2027"})
    assert (wrong.status_code, "2026-12-25 30.2.2027</textarea>" in wrong.text) == (422, True)
    assert "Days off" in wrong.text.partition('id="fault"')[2].partition("</div>")[0]
    wrong = send(api, "terms", fields | {"stop_price": "8,500"})
    assert wrong.status_code == 422
    assert 'value="8,500"' in wrong.text
    assert ask(api, "GET", "/v1/planning-terms")["stop_price"] == 80.5


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_refused_list_of_days_off_names_every_day_that_is_wrong(api: Api, language: str) -> None:
    """Only the first was named: a person mended it, and was refused again."""
    days = "2026-12-25, 30.2.2027 Xmas; 2027-01-01 2027-13-01"
    wrong = api.request(
        "POST",
        "/visit-plan/terms",
        key="planner",
        data={"days_off": days},
        headers={"Accept-Language": language},
    )
    assert wrong.status_code == 422
    said = wrong.text.partition('id="fault"')[2].partition("</div>")[0]
    for day in ("30.2.2027", "Xmas", "2027-13-01"):
        assert re.search(f"[“„]{day}[”“]", said), day
    assert not re.search("[“„]2026-12-25|[“„]2027-01-01", said)
    assert said.count("<li") == 3


def test_who_may_only_read_sees_no_form(api: Api) -> None:
    """A technician sees the plan; planning and prices are the planner's."""
    quick_passwords(api)
    html = signed_in(api, "t.wolny", "technician").get(PAGE).text
    assert 'action="/visit-plan/accept"' not in html
    assert 'id="terms"' not in html
