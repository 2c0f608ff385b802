"""The plan of visits over HTTP: what a shop enters for it, the plan, and what becomes of an accepted one."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from cleanside.gateway.wire import instant_text
from tests.contract.test_api_fleet import register_worked
from tests.contract.test_api_shop import ask, refused
from tests.support.serving import Api, in_process

TERMS, PLAN, ACCEPTED = "/v1/planning-terms", "/v1/visit-plan", "/v1/visit-plan/accepted"
TAKEN_BACK = "/v1/visit-plan/taken-back"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """A plan does not depend on the database; tests/migration makes its tables on both."""
    with in_process(sqlite_database_url) as running:
        yield running


# ---------------------------------------------------------------- what a shop enters


def test_nothing_entered_is_said_with_what_is_assumed(api: Api) -> None:
    terms = ask(api, "GET", TERMS)
    assumed = {line["field"]: line["value"] for line in terms["assumed"]}
    assert assumed["stop_price"] == "60.0"
    assert assumed["working_days"] == "12345"
    assert (terms["currency"], terms["stop_price"], terms["trips"]) == (None, None, [])
    assert (terms["entered_at"], terms["entered_by"]) == (None, None)


def test_what_is_entered_stays_until_it_is_changed_or_taken_away(api: Api) -> None:
    ask(api, "POST", "/v1/sites", {"site": "oberkies"})
    way = {"site": "oberkies", "km": 90.0, "hours": 1.5}
    ask(api, "POST", TERMS, {"currency": "EUR", "people": 2, "working_days": "54321", "trips": [way]})
    terms = ask(api, "POST", TERMS, {"stop_price": 80.0})
    assert (terms["currency"], terms["people"], terms["stop_price"]) == ("EUR", 2, 80.0)
    assert terms["working_days"] == "12345", "in the order of the week"
    assert terms["trips"] == [way]
    assert "stop_price" not in {line["field"] for line in terms["assumed"]}
    assert ask(api, "POST", TERMS, {"people": None})["people"] is None
    assert ask(api, "GET", TERMS)["entered_by"]


def test_what_cannot_be_is_refused_at_its_field(api: Api) -> None:
    assert refused(api, "POST", TERMS, {"working_days": "1123"}) == (422, "not_valid", ["#/working_days"])
    assert refused(api, "POST", TERMS, {"chance_allowed": 0.9}) == (422, "not_valid", ["#/chance_allowed"])
    way = {"site": "nowhere", "km": 9.0, "hours": 0.5}
    assert refused(api, "POST", TERMS, {"people": 3, "trips": [way]})[:2] == (404, "unknown_site")
    assert ask(api, "GET", TERMS)["people"] is None, "nothing of it is kept"


# ---------------------------------------------------------------- the plan


@pytest.fixture
def worked(api: Api) -> Api:
    """grader-07 of oberkies after 60 hours, at 3.2 of 6.2 kPa, one element in stock."""
    return worked_at_oberkies(api, rise_kpa=0.02)


def worked_at_oberkies(api: Api, *, rise_kpa: float) -> Api:
    """rise_kpa : in an hour."""
    register_worked(api, 60, rise_kpa=rise_kpa)
    ask(api, "POST", "/v1/sites", {"site": "oberkies"})
    stock = [{"site": "oberkies", "pieces": 1}]
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "lead_time_days": 3, "stock": stock})
    housing = {"housing": "main", "primary_part": "KG-0715"}
    ask(api, "PATCH", "/v1/machines/grader-07/papers", {"site": "oberkies", "housings": [housing]})
    way = {"site": "oberkies", "km": 90.0, "hours": 1.5}
    ask(api, "POST", TERMS, {"currency": "EUR", "km_price": 1.0, "working_days": "1234567", "trips": [way]})
    return api


def plan_of(api: Api, **query: Any) -> dict[str, Any]:
    return ask(api, "GET", PLAN, zone="Europe/Vienna", **query)


def test_a_plan_says_day_reason_costs_and_what_it_rests_on(worked: Api) -> None:
    plan = plan_of(worked)
    [visit] = plan["visits"]
    early = ask(worked, "GET", "/v1/work", before=plan["before"][:10])["jobs"][0]
    assert (visit["machine"], visit["site"], visit["part"]) == ("grader-07", "oberkies", "KG-0715")
    assert visit["day"] <= early["day"], "not after the early date"
    assert visit["chance_at_limit_before"] <= plan["chance_allowed"]
    assert [(t["site"], t["km"], t["price"]) for t in plan["trips"]] == [("oberkies", 90.0, 90.0)]
    assert plan["currency"] == "EUR"
    assert plan["cost"]["total"] == pytest.approx(sum(v for k, v in plan["cost"].items() if k != "total"))
    assert plan["least_cost"] <= plan["cost"]["total"] + 1e-6
    assert plan["gap"] < 0.01
    assert "stop_price" in {line["field"] for line in plan["assumed"]}
    assert "currency" not in {line["field"] for line in plan["assumed"]}
    assert plan["orders"] == [], "one is in stock"
    assert visit["work_list_on"] == early["day"], "until the plan is accepted"
    assert plan["cautions"][0]["code"] == "maker_first"
    assert {move["day"] for move in visit["moves"]}.isdisjoint({visit["day"]})


def test_a_day_chosen_by_hand_stands_and_costs_more(worked: Api) -> None:
    free = plan_of(worked)
    [visit] = free["visits"]
    first = free["first_day"]
    fixed = plan_of(worked, fixed=f"grader-07/main/{first}")
    assert (fixed["visits"][0]["day"], fixed["visits"][0]["reasons"][0]) == (first, "fixed")
    more = next(move["more_cost"] for move in visit["moves"] if move["day"] == first)
    assert fixed["cost"]["total"] - free["cost"]["total"] == pytest.approx(more, abs=0.01)


def test_a_day_that_cannot_be_is_refused_with_the_reason(worked: Api) -> None:
    def answer(fixed: str) -> tuple[int, str]:
        found = worked.get(PLAN, key="planner", params={"fixed": fixed})
        return found.status_code, found.json()["code"]

    assert answer(f"grader-07/main/{plan_of(worked)['before']}") == (409, "no_visit_plan")
    assert answer("grader-07/main/tomorrow") == (422, "not_valid")
    assert answer("loader-99/main/2026-03-03") == (404, "unknown_machine")


def seen(visit: dict[str, Any], **more: Any) -> dict[str, Any]:
    """A visit of a plan as it is accepted."""
    names = {name: visit[name] for name in ("machine", "housing", "version")}
    return names | {"on": visit["day"]} | more


def accepted(*visits: dict[str, Any]) -> dict[str, Any]:
    return {"zone": "Europe/Vienna", "visits": list(visits)}


def test_an_accepted_plan_is_the_planned_day_of_each_machine_and_stays(worked: Api) -> None:
    [visit] = plan_of(worked)["visits"]
    assert visit["planned"] is None
    body = accepted(seen(visit))
    at = {"accepted_at": instant_text(worked.clock.now_us)}
    done = {"visits": 1, "changed": 1, "kept": [], "orders": []} | at
    assert ask(worked, "POST", ACCEPTED, body) == done
    assert ask(worked, "POST", ACCEPTED, body) == done | {"changed": 0}
    [job] = ask(worked, "GET", "/v1/work", before=plan_of(worked)["before"])["jobs"]
    assert (job["day"], job["reason"], job["planned"]["on"]) == (visit["day"], "planned", visit["day"])
    [again] = plan_of(worked)["visits"]
    assert (again["day"], again["planned_on"], again["cost"]["moved"]) == (visit["day"], visit["day"], 0.0)
    assert again["work_list_on"] == visit["day"]
    assert "as_planned" in again["reasons"]


def by_hand(api: Api, day: str) -> None:
    """Somebody plans the change of grader-07 for a day."""
    ask(api, "POST", "/v1/machines/grader-07/planned-change", {"on": day, "zone": "Europe/Vienna"})


def test_accepting_a_plan_keeps_the_note_of_the_day_that_it_moves(worked: Api) -> None:
    other = other_day(plan_of(worked)["visits"][0])
    address = "/v1/machines/grader-07/planned-change"
    ask(worked, "POST", address, {"on": other, "zone": "Europe/Vienna", "note": "crane is booked"})
    [visit] = plan_of(worked)["visits"]
    away = (date.fromisoformat(other) + timedelta(days=1)).isoformat()
    ask(worked, "POST", ACCEPTED, accepted(seen(visit) | {"on": away, "replaces": True}))
    planned = ask(worked, "GET", "/v1/fleet")["housings"][0]["planned"]
    assert (planned["on"], planned["note"]) == (away, "crane is booked")


def planned_on(api: Api) -> str:
    fleet: dict[str, Any] = ask(api, "GET", "/v1/fleet")
    return str(fleet["housings"][0]["planned"]["on"])


def other_day(visit: dict[str, Any]) -> str:
    return next(str(move["day"]) for move in visit["moves"] if move["day"])


def test_a_day_that_a_person_planned_stays_unless_the_visit_replaces_it(worked: Api) -> None:
    [free] = plan_of(worked)["visits"]
    other = other_day(free)
    by_hand(worked, other)
    [visit] = plan_of(worked, fixed=f"grader-07/main/{free['day']}")["visits"]
    assert (visit["day"], visit["planned"]["on"], visit["planned"]["state"]) == (free["day"], other, "open")
    kept = ask(worked, "POST", ACCEPTED, accepted(seen(visit)))
    assert (kept["changed"], [(day["machine"], day["on"]) for day in kept["kept"]]) == (
        0,
        [("grader-07", other)],
    )
    assert planned_on(worked) == other
    moved = ask(worked, "POST", ACCEPTED, accepted(seen(visit, replaces=True)))
    assert (moved["changed"], moved["kept"], planned_on(worked)) == (1, [], visit["day"])
    [line] = worked.get("/v1/audit", key="admin", params={"what": "plan_day"}).json()["entries"]
    assert (line["values"]["before"], line["values"]["on"]) == (other, visit["day"])


def test_an_accepted_plan_is_taken_back_with_the_days_before_it(worked: Api) -> None:
    [visit] = plan_of(worked)["visits"]
    done = ask(worked, "POST", ACCEPTED, accepted(seen(visit)))
    back = ask(worked, "POST", TAKEN_BACK, {"accepted_at": done["accepted_at"], "zone": "Europe/Vienna"})
    assert (back["changed"], back["stay"], back["orders"]) == (1, [], [])
    assert ask(worked, "GET", "/v1/fleet")["housings"][0]["planned"] is None, "no day was planned before"
    again = {"accepted_at": done["accepted_at"]}
    assert refused(worked, "POST", TAKEN_BACK, again)[:2] == (409, "nothing_of_plan_stands")
    noted = worked.get("/v1/audit", key="admin", params={"limit": 2}).json()["entries"]
    assert [line["what"] for line in noted] == ["visit_plan_taken_back", "plan_day_back"]


def test_an_accepted_plan_is_named_while_days_of_it_are_planned(worked: Api) -> None:
    [visit] = plan_of(worked)["visits"]
    by_hand(worked, other_day(visit))
    assert ask(worked, "GET", ACCEPTED) == {"plans": []}, "a day planned alone is no plan"
    worked.clock.advance(60)
    [visit] = plan_of(worked)["visits"]
    away = {"on": other_day(visit), "replaces": True}
    on = next(day for day in ("2026-02-25", "2026-02-26") if day != other_day(visit))
    done = ask(worked, "POST", ACCEPTED, accepted(seen(visit) | away | {"on": on}))
    [plan] = ask(worked, "GET", ACCEPTED)["plans"]
    worked.clock.advance(60)
    assert (plan["accepted_at"], plan["days"]) == (done["accepted_at"], 1)
    ask(worked, "POST", TAKEN_BACK, {"accepted_at": plan["accepted_at"]})
    assert ask(worked, "GET", ACCEPTED) == {"plans": []}


def test_what_a_person_decided_after_a_plan_is_not_taken_back(worked: Api) -> None:
    [visit] = plan_of(worked)["visits"]
    done = ask(worked, "POST", ACCEPTED, accepted(seen(visit)))
    worked.clock.advance(60)
    by_hand(worked, other_day(visit))
    again = {"accepted_at": done["accepted_at"]}
    assert refused(worked, "POST", TAKEN_BACK, again)[:2] == (409, "nothing_of_plan_stands")
    assert planned_on(worked) == other_day(visit)


def test_an_accepted_day_that_the_plan_did_not_propose_is_asked_about(worked: Api) -> None:
    """A wrong year was taken without a word, though a planned change of that day is asked about."""
    [visit] = plan_of(worked)["visits"]
    wrong = seen(visit) | {"on": visit["day"].replace("2026", "2027")}
    answer = worked.post(ACCEPTED, accepted(wrong), key="planner")
    [complaint] = answer.json()["errors"]
    assert (answer.status_code, complaint["pointer"]) == (422, "#/visits/0/on")
    assert "confirmed_because" in complaint["detail"]
    assert ask(worked, "GET", "/v1/fleet")["housings"][0]["planned"] is None
    ask(worked, "POST", ACCEPTED, accepted(wrong | {"confirmed_because": "next year, with the overhaul"}))
    assert planned_on(worked) == wrong["on"]
    [again] = plan_of(worked)["visits"]
    same = seen(again) | {"on": wrong["on"]}
    assert ask(worked, "POST", ACCEPTED, accepted(same))["changed"] == 0, "a day is asked about once"


def test_a_late_day_that_the_plan_proposed_itself_goes_through(api: Api) -> None:
    """Over its limit and waiting for its part, four days from today: no other day can be chosen."""
    worked_at_oberkies(api, rise_kpa=0.09)
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "stock": [{"site": "oberkies", "pieces": 0}]})
    [visit] = plan_of(api)["visits"]
    assert (visit["state"], visit["waits_for"]) == ("over", "part")
    later = (date.fromisoformat(visit["day"]) + timedelta(days=7)).isoformat()
    other = accepted(seen(visit) | {"on": later})
    assert refused(api, "POST", ACCEPTED, other) == (422, "not_valid", ["#/visits/0/on"])
    assert ask(api, "POST", ACCEPTED, accepted(seen(visit)))["changed"] == 1


def test_a_plan_taken_back_takes_its_moves_back(worked: Api) -> None:
    """Planned by hand, moved by a plan, taken back: it never moved; moved by hand then, it moved once."""
    [free] = plan_of(worked)["visits"]
    by_hand(worked, other_day(free))
    worked.clock.advance(60)
    [visit] = plan_of(worked, fixed=f"grader-07/main/{free['day']}")["visits"]
    done = ask(worked, "POST", ACCEPTED, accepted(seen(visit, replaces=True)))
    assert plan_of(worked)["visits"][0]["moved_times"] == 1
    worked.clock.advance(60)
    ask(worked, "POST", TAKEN_BACK, {"accepted_at": done["accepted_at"], "zone": "Europe/Vienna"})
    assert plan_of(worked)["visits"][0]["moved_times"] == 0
    by_hand(worked, free["day"])
    assert plan_of(worked)["visits"][0]["moved_times"] == 1


def test_a_note_stays_beside_the_day_until_another_is_given(worked: Api) -> None:
    address, on = "/v1/machines/grader-07/planned-change", {"zone": "Europe/Vienna"}
    [visit] = plan_of(worked)["visits"]
    first, second = other_day(visit), visit["day"]

    def note_of(**body: str) -> str:
        return str(ask(worked, "POST", address, on | body)["planned"]["note"])

    assert note_of(on=first, note="crane is booked") == "crane is booked"
    assert note_of(on=second) == "crane is booked"
    assert note_of(on=second, note="") == ""


def test_a_plan_that_is_older_than_what_people_decided_is_refused(worked: Api) -> None:
    """A day planned since, the same taken back, and work entered: each is another version."""
    [visit] = plan_of(worked)["visits"]
    by_hand(worked, other_day(visit))
    assert refused(worked, "POST", ACCEPTED, accepted(seen(visit)))[:2] == (409, "plan_outdated")
    assert refused(worked, "POST", ACCEPTED, accepted(seen(visit, replaces=True)))[0] == 409
    without = {name: value for name, value in seen(visit).items() if name != "version"}
    assert refused(worked, "POST", ACCEPTED, accepted(without))[0] == 409, "it says that no day was planned"
    assert planned_on(worked) == other_day(visit), "nothing is accepted"


def test_a_plan_from_before_work_was_entered_is_refused(worked: Api) -> None:
    [visit] = plan_of(worked)["visits"]
    done = {"changed_at": instant_text(worked.clock.now_us), "what": "inspected"}
    ask(worked, "POST", "/v1/machines/grader-07/element-changes", done)
    assert refused(worked, "POST", ACCEPTED, accepted(seen(visit)))[:2] == (409, "plan_outdated")


def test_the_work_list_and_the_plan_order_by_the_same_day(worked: Api) -> None:
    """None in stock: accepted, both pages have the day of the visit, and the same order for it."""
    ask(worked, "POST", "/v1/parts", {"part": "KG-0715", "stock": [{"site": "oberkies", "pieces": 0}]})
    plan = plan_of(worked)
    [visit] = plan["visits"]
    ask(worked, "POST", ACCEPTED, accepted(seen(visit)))
    plan = plan_of(worked)
    [order] = plan["orders"]
    work = ask(worked, "GET", "/v1/work", before=plan["before"], zone="Europe/Vienna")
    [line] = work["parts"]
    assert order["needed_on"] == visit["day"] == work["jobs"][0]["day"]
    assert (order["order_by"], order["pieces"]) == (line["order_by"], line["to_order"])


def test_a_visit_that_waits_for_its_part_is_ordered_today_in_plan_and_list(api: Api) -> None:
    """At its limit, none in stock: its piece comes on the third day, which is off, so on the fourth."""
    worked_at_oberkies(api, rise_kpa=0.09)
    today = datetime.fromtimestamp(api.clock.now_us / 1e6, ZoneInfo("Europe/Vienna")).date()
    off = str((today + timedelta(days=3)).isoweekday())
    ask(api, "POST", TERMS, {"working_days": "1234567".replace(off, "")})
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "stock": [{"site": "oberkies", "pieces": 0}]})

    def said() -> tuple[dict[str, Any], list[str], list[str]]:
        plan = plan_of(api)
        [visit] = plan["visits"]
        work = ask(api, "GET", "/v1/work", before=plan["before"], zone="Europe/Vienna")
        by_plan, by_list = ([line["order_by"] for line in lines] for lines in (plan["orders"], work["parts"]))
        return visit, by_plan, by_list

    visit, *orders = said()
    assert (visit["waits_for"], visit["day"]) == ("part", (today + timedelta(days=4)).isoformat())
    assert orders == [[today.isoformat()]] * 2
    done = ask(api, "POST", ACCEPTED, accepted(seen(visit)))
    assert [order["order_by"] for order in done["orders"]] == [today.isoformat()]
    [wanted] = ask(api, "GET", "/v1/part-orders")["orders"]
    assert (wanted["order_by"], wanted["needed_on"]) == (today.isoformat(), visit["day"])
    assert said()[1:] == ([today.isoformat()], [today.isoformat()]), "accepted, both say the same"


def test_accepting_the_same_days_once_more_leaves_the_order_with_who_planned_them(worked: Api) -> None:
    ask(worked, "POST", "/v1/parts", {"part": "KG-0715", "stock": [{"site": "oberkies", "pieces": 0}]})
    [visit] = plan_of(worked)["visits"]
    ask(worked, "POST", ACCEPTED, accepted(seen(visit)))
    [first] = ask(worked, "GET", "/v1/part-orders")["orders"]
    worked.clock.advance(1)
    again = worked.post(ACCEPTED, accepted(seen(visit)), key="admin").json()
    assert (again["changed"], len(again["orders"])) == (0, 1)
    [order] = ask(worked, "GET", "/v1/part-orders")["orders"]
    assert (order["by"], order["planned_at"]) == (first["by"], first["planned_at"])


def test_of_a_plan_with_one_fault_nothing_is_accepted(worked: Api) -> None:
    [visit] = plan_of(worked)["visits"]
    here = seen(visit)
    for fault, status in (({"on": "2026-01-01"}, 422), ({"machine": "loader-99"}, 404)):
        assert refused(worked, "POST", ACCEPTED, {"visits": [here, here | fault]})[0] == status
    assert plan_of(worked)["visits"][0]["planned_on"] is None


def test_a_machine_without_dates_is_not_planned_and_named(api: Api) -> None:
    api.register()
    plan = plan_of(api)
    assert (plan["visits"], plan["currency"]) == ([], None)
    assert [(line["machine"], line["reason"]) for line in plan["not_planned"]] == [("grader-07", "no_dates")]


def test_equal_inputs_are_solved_once(worked: Api) -> None:
    """A minute later the dates have moved by a minute, and the problem is the same."""
    first = plan_of(worked)
    worked.clock.now_us += 60 * 1_000_000
    again = plan_of(worked)
    assert [v["day"] for v in again["visits"]] == [v["day"] for v in first["visits"]]
    assert len(worked.services.plans) == 1
    ask(worked, "POST", TERMS, {"stop_price": 1.0})
    assert plan_of(worked)["cost"] != first["cost"]
    assert len(worked.services.plans) == 2
