"""The work list over HTTP: days, parts, services, what waiting costs and what is lost by changing early."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from tests.contract.test_api_fleet import register_worked
from tests.contract.test_api_shop import MACHINE, ask
from tests.support.sent_statements import noted
from tests.support.serving import Api, in_process


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """The list does not depend on the database."""
    with in_process(sqlite_database_url) as running:
        yield running


def loaded(api: Api, rise_kpa: float = 0.06) -> None:
    """
    A machine of oberkies near its limit of 6.2 kPa (60 hours, 2.0 kPa at first), with part and service.

    Its shop works on all days: today is a Sunday.
    """
    register_worked(api, 60, rise_kpa=rise_kpa)
    ask(api, "POST", "/v1/planning-terms", {"working_days": "1234567"})
    ask(api, "POST", "/v1/sites", {"site": "oberkies"})
    housing = {"housing": "main", "primary_part": "KG-0715"}
    ask(api, "PATCH", f"{MACHINE}/papers", {"site": "oberkies", "housings": [housing]})


def work(api: Api, **query: str) -> dict[str, Any]:
    return ask(api, "GET", "/v1/work", **query)


def test_an_element_over_its_limit_stands_on_today_with_its_part_and_what_is_missing(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    answer = work(api, zone="Europe/Vienna")
    assert (answer["today"], answer["before"]) == ("2026-02-22", "2026-03-01")
    [job] = answer["jobs"]
    assert (job["machine"], job["day"], job["reason"]) == ("grader-07", "2026-02-22", "over_limit")
    assert (job["primary_part"], job["gauge_unit"], job["chance_at_limit_before"]) == ("KG-0715", "kPa", 1.0)
    [part] = answer["parts"]
    assert (part["to_take"], part["in_stock"]) == ([{"site": "oberkies", "pieces": 1}], 0)
    assert (part["to_order"], part["order_by"]) == (1, "2026-02-22")
    assert answer["cautions"][0]["code"] == "maker_first"


def test_the_terms_of_the_shop_are_read_once_for_a_list(api: Api) -> None:
    """Parts and what is on order read them again, and could have seen others than the list."""
    loaded(api, rise_kpa=0.08)
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "lead_time_days": 5})
    with noted() as sent:
        assert len(work(api)["parts"]) == 1
    assert sum("FROM planning_terms" in statement for statement in sent) == 1


def test_stock_and_lead_time_say_what_is_to_be_ordered(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    stock = [{"site": "oberkies", "pieces": 1}]
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "lead_time_days": 5, "stock": stock})
    [part] = work(api)["parts"]
    assert (part["to_order"], part["order_by"], part["chance_of_running_out"]) == (0, None, 0.0)
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "stock": [{"site": "oberkies", "pieces": 0}]})
    [part] = work(api)["parts"]
    assert (part["to_order"], part["late_days"], part["chance_of_running_out"]) == (1, 5, 1.0)


def test_moving_a_machine_to_another_day_says_what_that_costs(api: Api) -> None:
    loaded(api, rise_kpa=0.03)
    prices = {"currency": "EUR", "fuel_l_per_h": 18.0, "fuel_price_per_l": 1.45, "element_price": 140.0}
    ask(api, "POST", f"{MACHINE}/prices", prices)
    [before] = work(api)["jobs"]
    days = [option["day"] for option in before["options"]]
    assert days[:7] == [f"2026-02-{d}" for d in range(22, 29)]
    assert (days[7], days[-1], len(days)) == ("2026-03-01", "2026-03-14", 21), "two weeks beyond its end"
    ask(api, "POST", f"{MACHINE}/planned-change", {"on": "2026-02-26"})
    [moved] = work(api)["jobs"]
    assert (moved["day"], moved["reason"], moved["planned"]["state"]) == ("2026-02-26", "planned", "open")
    assert moved["chance_at_limit_before"] == before["options"][4]["chance_at_limit_before"]
    assert moved["hours_lost"] == before["options"][4]["hours_lost"]
    assert moved["hours_lost"] < before["options"][0]["hours_lost"]
    low, high = moved["waiting"]["extra_fuel_l"]
    assert 0 < low < high
    assert moved["waiting"]["currency"] == "EUR"
    # 140 EUR by the hours given away, of those the element lasts in all (test_api_acceptance: prices)
    assert 0 < moved["element_value_lost"] < 140


def test_the_list_works_on_the_days_of_the_plan_and_leaves_days_off_out(api: Api) -> None:
    """Today is a Sunday. Nothing entered: Monday to Friday, as the plan of visits assumes."""
    loaded(api, rise_kpa=0.08)
    assert work(api)["jobs"][0]["day"] == "2026-02-22"
    ask(api, "POST", "/v1/planning-terms", {"working_days": None})
    [job] = work(api)["jobs"]
    assert (job["day"], job["reason"]) == ("2026-02-23", "over_limit")
    assert "2026-02-28" not in [option["day"] for option in job["options"]]
    terms = ask(api, "POST", "/v1/planning-terms", {"days_off": ["2026-02-24", "2026-02-23"]})
    assert terms["days_off"] == ["2026-02-23", "2026-02-24"]
    [job] = work(api)["jobs"]
    beyond = [f"2026-03-{d:02}" for d in (2, 3, 4, 5, 6, 9, 10, 11, 12, 13)]
    assert (job["day"], [option["day"] for option in job["options"]]) == (
        "2026-02-25",
        [*(f"2026-02-{d}" for d in (25, 26, 27)), *beyond],
    )
    [visit] = ask(api, "GET", "/v1/visit-plan")["visits"]
    assert visit["day"] == "2026-02-25"
    assert work(api, before="2026-02-24")["jobs"][0]["day"] == "2026-02-22", "a list without a working day"


def test_the_list_is_of_a_site_a_crew_and_until_a_day(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    assert len(work(api, site="oberkies", before="2026-02-23")["jobs"]) == 1
    for asked, code in (({"site": "nowhere"}, "unknown_site"), ({"crew": "nobody"}, "unknown_crew")):
        unknown = api.get("/v1/work", key="planner", params=asked)
        assert (unknown.status_code, unknown.json()["code"]) == (404, code)
    for before in ("2026-02-22", "2026-05-30"):
        refused = api.get("/v1/work", key="planner", params={"before": before})
        assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "query/before")


def test_a_machine_without_a_part_number_is_named(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    ask(api, "PATCH", f"{MACHINE}/papers", {"housings": [{"housing": "main", "primary_part": None}]})
    answer = work(api)
    assert (answer["without_part"], answer["parts"]) == (["grader-07"], [])


def test_a_service_by_the_meter_that_falls_near_is_named(api: Api) -> None:
    loaded(api)
    ask(api, "POST", f"{MACHINE}/meter-readings", {"at": "2026-02-22T18:00:00Z", "meter_hours": 8490.0})
    service = {"service": "500 h service", "meter_hours": 8500.0}
    ask(api, "PATCH", f"{MACHINE}/papers", {"next_service": service})
    [job] = work(api)["jobs"]
    assert job["service"]["service"] == "500 h service"
    assert job["service_on"] is not None
    assert job["service_fit"] in ("with_service", "will_not_last")


def test_a_service_on_a_day_that_has_passed_says_nothing_of_the_next(api: Api) -> None:
    loaded(api)
    service = {"service": "500 h service", "on": "2020-01-01"}
    ask(api, "PATCH", f"{MACHINE}/papers", {"next_service": service})
    [job] = work(api)["jobs"]
    assert (job["service_on"], job["service_fit"]) == (None, None)
    assert job["reason"] != "service"


def test_a_laid_up_machine_is_not_on_the_list(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    ask(api, "PATCH", f"{MACHINE}/papers", {"laid_up": {"from": "2026-02-22"}})
    answer = work(api)
    assert (answer["jobs"], answer["parts"]) == ([], [])


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_lay_up_moves_the_dates_and_questions_a_day_that_was_planned_in_it(api: Api, language: str) -> None:
    loaded(api, rise_kpa=0.05)
    ask(api, "POST", f"{MACHINE}/planned-change", {"on": "2026-02-27", "confirmed_because": "booked"})
    part = {"part": "KG-0715", "lead_time_days": 5, "stock": [{"site": "oberkies", "pieces": 0}]}
    ask(api, "POST", "/v1/parts", part)
    [before] = ask(api, "GET", "/v1/fleet")["housings"]
    assert (before["laid_up"], before["planned"]["in_lay_up"]) == (None, False)
    ask(api, "PATCH", f"{MACHINE}/papers", {"laid_up": {"from": "2026-02-22", "until": "2026-05-31"}})
    [found] = ask(api, "GET", "/v1/fleet")["housings"]
    assert found["due_at"]["p10"] > "2026-06-01" > before["due_at"]["p10"]
    assert (found["laid_up"]["until"], found["planned"]["in_lay_up"]) == ("2026-05-31", True)
    words = table(language)
    for path in ("/fleet", "/machines/grader-07"):
        page = api.get(path, key="planner", headers={"Accept-Language": language}).text
        assert str(words["fleet.laid_up"]).partition("{")[0] in page
        assert str(words["fleet.planned_in_lay_up"]).rpartition("}")[2] in page
    answer = work(api)
    [job], [part] = answer["jobs"], answer["parts"]
    assert (job["day"], job["planned"]["in_lay_up"], part["to_order"]) == ("2026-02-27", True, 1)
    page = api.get("/work-list", key="planner", headers={"Accept-Language": language}).text
    assert str(words["work.in_lay_up"]) in page
    ask(api, "DELETE", f"{MACHINE}/planned-change", housing="main")
    assert (work(api)["jobs"], work(api)["parts"]) == ([], [])


def test_an_urgent_machine_on_a_later_day_or_laid_up_is_named_with_its_reason(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    assert work(api)["later"] == []
    path, on = f"{MACHINE}/planned-change", {"on": "2026-03-05"}
    asked = api.post(path, on, key="planner")
    assert (asked.status_code, "at its limit already" in asked.text) == (422, True)
    ask(api, "POST", path, on | {"confirmed_because": "the crane is booked"})
    answer, fleet = work(api), ask(api, "GET", "/v1/fleet")
    [job] = answer["jobs"]
    assert (answer["later"], job["machine"], job["state"]) == ([], "grader-07", "over")
    assert (job["reason"], job["day"], job["planned"]["on"]) == ("over_limit", answer["today"], "2026-03-05")
    assert fleet["late_day_by_state"] == {"over": 1}
    ask(api, "PATCH", f"{MACHINE}/papers", {"laid_up": {"from": "2026-02-22", "until": "2026-04-30"}})
    [later] = work(api)["later"]
    assert (later["reason"], later["day"], later["laid_up"]["until"]) == ("laid_up", None, "2026-04-30")
    ask(api, "POST", "/v1/sites", {"site": "elsewhere", "display_name": ""})
    assert work(api, site="elsewhere")["later"] == []


def test_list_and_plan_say_the_same_of_a_service_that_comes_too_late(api: Api) -> None:
    loaded(api, rise_kpa=0.04)
    [early] = work(api)["jobs"]
    likely = early["due_at"]["p50"][:10]
    ask(api, "PATCH", f"{MACHINE}/papers", {"next_service": {"service": "500 h service", "on": likely}})
    [job] = work(api)["jobs"]
    [visit] = ask(api, "GET", "/v1/visit-plan")["visits"]
    assert (job["day"], job["reason"], job["service_fit"]) == (early["day"], "early_date", "will_not_last")
    assert visit["day"] == job["day"]
    same = ("service", "service_on", "service_fit", "chance_at_service", "chance_at_limit_before")
    assert {name: visit[name] for name in same} == {name: job[name] for name in same}
    assert 0.1 < job["chance_at_service"] <= 0.5


@pytest.mark.parametrize(("prices", "fit"), [({}, "too_early"), ({"stop_price": 900.0}, "with_service")])
def test_list_and_plan_take_one_decision_on_a_service_that_comes_early(
    api: Api, prices: dict[str, float], fit: str
) -> None:
    """Nothing entered: the plan said to take the change with it, the list not to. A dear stop is worth it."""
    loaded(api, rise_kpa=0.012)
    ask(api, "POST", "/v1/planning-terms", prices)
    ask(api, "PATCH", f"{MACHINE}/papers", {"next_service": {"service": "500 h", "on": "2026-02-24"}})
    [job] = work(api, before="2026-03-30")["jobs"]
    [visit] = ask(api, "GET", "/v1/visit-plan")["visits"]
    assert job["service_fit"] == visit["service_fit"] == fit
    assert ("with_service" in visit["reasons"], job["reason"] == "service") == (fit == "with_service",) * 2
    assert job["hours_given_with_service"] == visit["hours_given_with_service"]


def test_a_part_is_ordered_and_comes_on_days_on_which_the_shop_works(api: Api) -> None:
    """Today is a Sunday. Ordered on Monday, five days later is Saturday: it comes on Monday after."""
    loaded(api, rise_kpa=0.08)
    ask(api, "POST", "/v1/planning-terms", {"working_days": None})
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "lead_time_days": 5})
    answer = work(api)
    assert answer["parts"][0]["order_by"] == "2026-02-23"
    assert answer["jobs"][0]["piece"]["comes_on"] == "2026-03-02"
    [visit] = ask(api, "GET", "/v1/visit-plan")["visits"]
    assert (visit["waits_for"], visit["part_there_on"]) == ("part", "2026-03-02")


def test_the_digest_names_what_stands_later_and_what_is_to_be_brought(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    ask(api, "POST", "/v1/sites", {"site": "kargrund", "display_name": "Kargrund yard"})
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "stock": [{"site": "kargrund", "pieces": 1}]})
    carry = {"day": "2026-02-22", "site": "oberkies", "part": "KG-0715", "pieces": 1, "from_site": "kargrund"}
    called = {"site_display_name": None, "from_site_display_name": "Kargrund yard"}
    assert ask(api, "GET", "/v1/digest")["carries"] == [carry | called]
    ask(api, "PATCH", f"{MACHINE}/papers", {"laid_up": {"from": "2026-02-22", "until": "2026-04-30"}})
    digest = ask(api, "GET", "/v1/digest")
    [site] = digest["sites"]
    assert (site["site"], site["jobs"], site["later_more"]) == ("oberkies", [], 0)
    assert site["later"] == work(api)["later"] != []
    assert digest["carries"] == work(api)["carries"] == []


def test_an_element_that_has_used_little_says_why_it_stands_there_and_what_its_service_would_cost(
    api: Api,
) -> None:
    loaded(api, rise_kpa=0.012)
    ask(api, "PATCH", f"{MACHINE}/papers", {"next_service": {"service": "500 h", "on": "2026-02-24"}})
    [job] = work(api)["jobs"]
    assert (job["reason"], job["service_fit"], job["unsure_because"]) == (
        *("early_date", "too_early"),
        ["little_used"],
    )
    at_service = next(option for option in job["options"] if option["day"] == "2026-02-24")
    assert job["hours_given_with_service"] == at_service["hours_lost"]


@pytest.mark.parametrize("language", LANGUAGES)
def test_an_entry_that_no_reading_confirmed_yet_forgets_no_urgent_change(api: Api, language: str) -> None:
    """A new element is entered at the wrong machine: the state is that of a new one, and says on what."""
    loaded(api)
    [before] = ask(api, "GET", "/v1/fleet")["housings"]
    [job], [part] = work(api)["jobs"], work(api)["parts"]
    assert (before["state"], before["rests_on_entry"], work(api)["resting"]) == ("plan", None, [])
    change = {"changed_at": "2026-02-22T18:30:00Z", "entry_id": "e-1", "what": "new"}
    [weighed] = ask(api, "POST", f"{MACHINE}/element-changes", change)["element_changes"]
    assert (weighed["verdict"], weighed["is_question"]) == ("not_seen_yet", False)
    [after] = ask(api, "GET", "/v1/fleet")["housings"]
    assert after["state"] == "running-in"
    rests_on = after["rests_on_entry"]
    assert (rests_on["entry_id"], rests_on["look_by"]) == ("e-1", weighed["look_by"])
    assert rests_on["otherwise"] == {name: before[name] for name in ("state", "share_used_percent", "due_at")}
    answer = work(api)
    assert answer["jobs"] == []
    [kept] = answer["resting"]
    assert (kept["machine"], kept["day"], kept["part"]) == ("grader-07", job["day"], "KG-0715")
    assert (kept["order_by"], kept["rests_on_entry"]) == (part["order_by"], rests_on)
    words, headers = table(language), {"Accept-Language": language}
    said = str(words["fleet.resting.by"]).partition("(")[0]
    otherwise = str(words["fleet.resting.otherwise"]).partition(":")[0]
    for path in ("/fleet", "/machines/grader-07", "/work-list", "/visit/grader-07"):
        page = api.get(path, key="planner", headers=headers).text
        assert said in page, path
        assert otherwise in page, path
    before = str(words["fleet.before_entry"]).rpartition(",")[2].strip()
    doubted = str(words["fleet.not_trusted"]).rpartition(",")[2].strip()
    for path in ("/fleet", "/machines/grader-07"):
        page = api.get(path, key="planner", headers=headers).text
        assert (before in page, doubted in page) == (True, False), path
    assert str(words["fleet.next.advice_running-in"]) not in api.get("/fleet", headers=headers).text
    changed = ask(api, "POST", f"{MACHINE}/element-changes", change | {"confirmed_because": "I saw it"})
    assert not changed["element_changes"][0]["is_question"]
    assert ask(api, "GET", "/v1/fleet")["housings"][0]["rests_on_entry"] is None


@pytest.mark.parametrize(("what", "minute"), [("new", "35"), ("cleaned", "40")])
def test_work_entered_twice_keeps_what_left_the_list(api: Api, what: str, minute: str) -> None:
    """After a second entry the planned day and its order were gone from the list."""
    loaded(api)
    change = {"changed_at": "2026-02-22T18:30:00Z", "entry_id": "e-1", "what": "new"}
    ask(api, "POST", f"{MACHINE}/element-changes", change)
    [once] = work(api)["resting"]
    again = {"changed_at": f"2026-02-22T18:{minute}:00Z", "entry_id": "e-2", "what": what}
    ask(api, "POST", f"{MACHINE}/element-changes", again)
    [twice] = work(api)["resting"]
    assert (twice["day"], twice["order_by"]) == (once["day"], once["order_by"])
    assert twice["rests_on_entry"]["otherwise"] == once["rests_on_entry"]["otherwise"]


def test_an_order_that_fell_away_counts_what_a_laid_up_machine_takes_for_its_planned_day(api: Api) -> None:
    """Two pieces: the entry takes one, the planned day the other. Without the entry one has to be ordered."""
    loaded(api)
    assert api.post("/v1/machines", {"machine": "hauler-12"}).status_code == 200
    stock = [{"site": "oberkies", "pieces": 2}]
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "stock": stock})
    laid_up = {"site": "oberkies", "housings": [{"housing": "main", "primary_part": "KG-0715"}]}
    ask(api, "PATCH", "/v1/machines/hauler-12/papers", laid_up | {"laid_up": {"from": "2026-02-20"}})
    ask(api, "POST", "/v1/machines/hauler-12/planned-change", {"on": "2026-02-25"})
    change = {"changed_at": "2026-02-22T18:30:00Z", "entry_id": "e-1", "what": "new"}
    ask(api, "POST", f"{MACHINE}/element-changes", change)
    answer = work(api)
    assert [(line["in_stock"], line["to_order"]) for line in answer["parts"]] == [(1, 0)]
    [kept] = answer["resting"]
    assert (kept["machine"], kept["order_by"]) == ("grader-07", "2026-02-25")


@pytest.mark.parametrize("language", LANGUAGES)
def test_an_element_that_was_cleaned_is_not_said_to_be_new(api: Api, language: str) -> None:
    loaded(api)
    change = {"changed_at": "2026-02-22T18:30:00Z", "entry_id": "e-1", "what": "cleaned"}
    ask(api, "POST", f"{MACHINE}/element-changes", change)
    [known] = ask(api, "GET", "/v1/fleet")["housings"]
    assert (known["state"], known["state_text"]) == ("running-in", "cleaned element, too early to judge")
    words = table(language)
    for path in ("/fleet", "/machines/grader-07"):
        rows = api.get(path, key="planner", headers={"Accept-Language": language}).text.split("</form>")[-1]
        page = api.get(path, key="planner", headers={"Accept-Language": language}).text
        assert str(words["state.cleaned"]) in page
        assert str(words["state.running-in"]) not in rows


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("rise_kpa", [0.005, 0.05], ids=["in service", "near its limit"])
def test_a_planned_change_is_the_next_step_on_every_page(api: Api, language: str, rise_kpa: float) -> None:
    """Not "nothing to do" beside "planned for Friday"."""
    loaded(api, rise_kpa=rise_kpa)
    words, headers = table(language), {"Accept-Language": language}
    ask(api, "POST", f"{MACHINE}/planned-change", {"on": "2026-02-27", "confirmed_because": "booked"})
    [known] = ask(api, "GET", "/v1/fleet")["housings"]
    assert known["state"] == ("serving" if rise_kpa < 0.01 else "plan")
    assert known["advice_code"] == "advice_planned"
    assert "2026-02-27" in known["advice"]
    said = str(words["said.advice_planned"]).partition("{on}")[2]
    for path in ("/fleet", "/machines/grader-07", "/visit/grader-07"):
        page = api.get(path, key="planner", headers=headers).text
        assert said in page, path
        for other in ("said.advice_serving", "said.advice_plan", "fleet.next.advice_serving"):
            assert str(words[other]) not in page, (path, other)
    ask(api, "PATCH", f"{MACHINE}/papers", {"laid_up": {"from": "2026-02-26"}})
    [asked] = ask(api, "GET", "/v1/fleet")["housings"]
    assert asked["advice_code"] != "advice_planned", "a person is asked about a day in a lay-up"


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_planned_day_says_how_often_it_was_moved(api: Api, language: str) -> None:
    """On the work list, in the plan of visits and on the page of the machine; a note is no move."""
    loaded(api, rise_kpa=0.03)
    words, headers = table(language), {"Accept-Language": language}
    says: list[tuple[int, int]] = []
    for on, note in (("25", ""), ("25", "with the oil"), ("26", ""), ("24", ""), ("25", "")):
        ask(api, "POST", f"{MACHINE}/planned-change", {"on": f"2026-02-{on}", "note": note})
        [job], [visit] = work(api)["jobs"], ask(api, "GET", "/v1/visit-plan")["visits"]
        says.append((job["moved_times"], visit["moved_times"]))
    assert says == [(0, 0), (0, 0), (1, 1), (2, 2), (3, 3)]
    said = str(words["work.moved_times"]["other"]).replace("{n:count}", "3")  # type: ignore[index]
    for path in ("/work-list", "/visit-plan", "/machines/grader-07"):
        assert said in api.get(path, key="planner", headers=headers).text, path
    change = {"changed_at": "2026-02-22T18:30:00Z", "entry_id": "e-1", "what": "new"}
    ask(api, "POST", f"{MACHINE}/element-changes", change | {"confirmed_because": "I saw it"})
    api.clock.advance(60.0)
    ask(api, "POST", f"{MACHINE}/planned-change", {"on": "2026-02-27"})
    [job] = work(api)["jobs"]
    assert job["moved_times"] == 0, "those days were meant for the element before"
    ask(api, "DELETE", f"{MACHINE}/planned-change")
    assert work(api, before="2026-03-20")["later"] == []
