"""Parts that move: a tick takes one from the stock of its site, a plan records orders, an order comes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from tests.contract.test_api_shop import ask, refused
from tests.contract.test_api_visit_plan import ACCEPTED, PLAN, accepted, seen, worked  # noqa: F401 - fixture
from tests.support.people import quick_passwords, signed_in
from tests.support.serving import Api, in_process

CHANGES = "/v1/machines/grader-07/element-changes"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        quick_passwords(running)
        yield running


@pytest.fixture
def stocked(worked: Api) -> Api:  # noqa: F811 - the fixture
    """One KG-0715 at oberkies, where grader-07 is, and two at kargrund."""
    ask(worked, "POST", "/v1/sites", {"site": "kargrund"})
    ask(worked, "POST", "/v1/parts", {"part": "KG-0715", "stock": [{"site": "kargrund", "pieces": 2}]})
    return worked


def stock_of(api: Api) -> dict[str, int]:
    [part] = ask(api, "GET", "/v1/shop")["parts"]
    return {line["site"]: line["pieces"] for line in part["stock"]}


def enter(api: Api, entry_id: str, **more: Any) -> dict[str, Any]:
    body = {"changed_at": instant_text(api.clock.now_us), "entry_id": entry_id, **more}
    changes: list[dict[str, Any]] = ask(api, "POST", CHANGES, body)["element_changes"]
    return next(change for change in changes if change["entry_id"] == entry_id)


def kinds(api: Api) -> list[str]:
    return [line["what"] for line in api.get("/v1/audit", key="admin").json()["entries"]]


def test_a_tick_takes_a_part_from_the_stock_of_its_site_once_and_back_it_goes(stocked: Api) -> None:
    done = enter(stocked, "tick-1")
    assert done["part_taken"] == {"part": "KG-0715", "site": "oberkies", "pieces": 1}
    assert enter(stocked, "tick-1")["part_taken"]["pieces"] == 1, "a resend takes none"
    assert stock_of(stocked) == {"kargrund": 2, "oberkies": 0}
    ask(stocked, "DELETE", CHANGES, changed_at=done["changed_at"], entry_id="tick-1")
    assert stock_of(stocked) == {"kargrund": 2, "oberkies": 1}
    assert {"part_taken", "part_given_back"} <= set(kinds(stocked))


def test_stock_never_falls_below_zero_and_the_entry_says_that_there_was_none(stocked: Api) -> None:
    enter(stocked, "tick-1")
    safety = enter(stocked, "tick-2", what="safety_element", part="KG-0715")
    assert safety["part_taken"]["pieces"] == 0
    assert stock_of(stocked) == {"kargrund": 2, "oberkies": 0}
    ask(stocked, "DELETE", CHANGES, changed_at=safety["changed_at"], entry_id="tick-2")
    assert stock_of(stocked) == {"kargrund": 2, "oberkies": 0}, "none was taken, so none comes back"


def test_two_who_tick_the_same_change_take_one_part(stocked: Api) -> None:
    ask(stocked, "POST", "/v1/parts", {"part": "KG-0715", "stock": [{"site": "oberkies", "pieces": 2}]})
    assert enter(stocked, "tick-1")["part_taken"]["pieces"] == 1
    stocked.clock.advance(60)
    second = enter(stocked, "tick-2")
    assert (second["verdict"], second["part_taken"]) == ("double", None)
    at = instant_text(stocked.clock.now_us)
    visit = {"entry_id": "visit-1", "kind": "element_change", "machine": "grader-07", "made_at": at}
    ask(stocked, "POST", "/v1/entries", visit | {"content": {"what": "new"}})
    assert stock_of(stocked)["oberkies"] == 1, "nor does a visit beside the work list"


def test_the_first_of_two_entries_taken_back_leaves_its_part_to_the_second(stocked: Api) -> None:
    first = enter(stocked, "tick-1")
    stocked.clock.advance(60)
    assert enter(stocked, "tick-2")["part_taken"] is None
    ask(stocked, "DELETE", CHANGES, changed_at=first["changed_at"], entry_id="tick-1")
    [left] = ask(stocked, "GET", CHANGES)["element_changes"]
    assert (left["entry_id"], left["part_taken"]["pieces"]) == ("tick-2", 1)
    assert stock_of(stocked)["oberkies"] == 0
    at = instant_text(stocked.clock.now_us)
    visit = {"entry_id": "visit-1", "kind": "element_change", "machine": "grader-07", "made_at": at}
    ask(stocked, "POST", "/v1/entries", visit | {"content": {"what": "new"}})
    back = visit | {"entry_id": "back-1", "kind": "take_back", "content": {"of": "tick-2"}}
    for _ in range(2):  # from a phone, with a resend
        ask(stocked, "POST", "/v1/entries", back)
    [left] = ask(stocked, "GET", CHANGES)["element_changes"]
    assert (left["entry_id"], left["part_taken"]["pieces"]) == ("visit-1", 1)
    assert stock_of(stocked)["oberkies"] == 0


def test_an_entry_of_a_visit_takes_a_part_once(stocked: Api) -> None:
    at = instant_text(stocked.clock.now_us)
    visit = {"entry_id": "visit-1", "kind": "element_change", "machine": "grader-07", "made_at": at}
    for _ in range(2):
        ask(stocked, "POST", "/v1/entries", visit | {"content": {"what": "new"}})
    assert stock_of(stocked)["oberkies"] == 0


def test_an_entry_from_the_page_of_a_visit_takes_a_part_too(stocked: Api) -> None:
    form = {"kind": "element_change", "housing": "main", "what": "new", "entry_id": "work-1"}
    headers = {"Accept": "application/json"}
    for _ in range(2):
        sent = stocked.request("POST", "/visit/grader-07", key="planner", data=form, headers=headers)
        assert sent.status_code == 200, sent.text
    assert stock_of(stocked)["oberkies"] == 0


def test_a_question_takes_its_part_once_it_is_confirmed(stocked: Api) -> None:
    """Thirty hours before, the readings went on rising."""
    at = instant_text(stocked.clock.now_us - 30 * 3_600_000_000)
    asked = enter(stocked, "tick-1", changed_at=at)
    assert (asked["is_question"], asked["part_taken"]) == (True, None)
    sure = enter(stocked, "tick-1", changed_at=at, confirmed_because="it stood beside the machine")
    assert (sure["is_question"], sure["part_taken"]["pieces"]) == (False, 1)


@pytest.mark.parametrize("what", ["cleaned", "inspected"])
def test_what_puts_no_part_in_takes_none(stocked: Api, what: str) -> None:
    assert enter(stocked, "tick-1", what=what)["part_taken"] is None
    assert stock_of(stocked)["oberkies"] == 1


def test_work_of_long_ago_takes_no_part(stocked: Api) -> None:
    """The stock has been counted since."""
    assert enter(stocked, "old", changed_at="2025-11-01T08:00:00Z")["part_taken"] is None
    assert stock_of(stocked)["oberkies"] == 1


def test_a_part_that_is_at_another_site_is_named_and_brought(stocked: Api) -> None:
    before = ask(stocked, "GET", PLAN)["before"]
    [job] = ask(stocked, "GET", "/v1/work", before=before)["jobs"]
    assert job["part_elsewhere"] == []
    assert job["piece"] == {"where": "own_site", "from_site": "oberkies", "comes_on": None, "is_late": False}
    ask(stocked, "POST", "/v1/parts", {"part": "KG-0715", "stock": [{"site": "oberkies", "pieces": 0}]})
    [job] = ask(stocked, "GET", "/v1/work", before=before)["jobs"]
    assert job["part_elsewhere"] == [{"site": "kargrund", "pieces": 2}]
    assert job["piece"] == {
        "where": "other_site",
        "from_site": "kargrund",
        "comes_on": None,
        "is_late": False,
    }
    carry = {"day": job["day"], "site": "oberkies", "part": "KG-0715", "pieces": 1, "from_site": "kargrund"}
    for site in ("oberkies", "kargrund"):  # where it is needed, and where it leaves
        assert ask(stocked, "GET", "/v1/work", before=before, site=site)["carries"] == [carry]
        for language, words in (
            ("en", "For oberkies bring 1 × KG-0715 from kargrund."),
            ("de", "1 × KG-0715 aus kargrund mitbringen, für oberkies."),
        ):
            path = f"/work-list?before={before}&site={site}"
            assert words in stocked.get(path, key="planner", headers={"Accept-Language": language}).text
    page = stocked.get(f"/work-list?before={before}", key="planner").text
    assert "None at its site: bring one from kargrund." in page


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_change_without_a_piece_says_when_one_comes_ordered_or_not(stocked: Api, language: str) -> None:
    without_stock(stocked)
    plan = ask(stocked, "GET", PLAN)
    query = {"before": plan["before"]}

    def piece() -> tuple[str, bool]:
        [job] = ask(stocked, "GET", "/v1/work", **query)["jobs"]
        where = job["piece"]["where"]
        open_end = "" if job["piece"]["comes_on"] else "_open"
        page = stocked.get("/work-list", key="planner", params=query, headers={"Accept-Language": language})
        assert str(table(language)[f"work.piece.{where}{open_end}"]).partition("{")[0] in page.text
        return where, not open_end

    assert piece() == ("not_ordered", True)
    ask(stocked, "POST", f"/v1/part-orders/{orders(stocked)[0]['order']}", {"done": "ordered"})
    assert piece() == ("on_order", True)


def test_a_part_that_is_not_there_on_its_day_is_not_taken_along_and_the_list_says_so(stocked: Api) -> None:
    before = ask(stocked, "GET", PLAN)["before"]
    [part] = ask(stocked, "GET", "/v1/work", before=before)["parts"]
    assert part["to_take"] == [{"site": "oberkies", "pieces": 1}]
    without_stock(stocked)
    ask(stocked, "POST", "/v1/parts", {"part": "KG-0715", "lead_time_days": 60})
    work = ask(stocked, "GET", "/v1/work", before=before)
    assert work["jobs"][0]["piece"]["comes_on"] > work["jobs"][0]["day"]
    assert work["jobs"][0]["piece"]["is_late"]
    assert [part["to_take"] for part in work["parts"]] == [[]]
    page = stocked.get(f"/work-list?before={before}", key="planner").text
    assert "For one of them the part is not there on its day." in page


# ---------------------------------------------------------------- orders


def orders(api: Api) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = ask(api, "GET", "/v1/part-orders")["orders"]
    return found


def without_stock(api: Api) -> dict[str, Any]:
    """Accept a plan for which nothing is in stock. Returns the answer."""
    none = [{"site": site, "pieces": 0} for site in ("oberkies", "kargrund")]
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "stock": none})
    [visit] = ask(api, "GET", PLAN, zone="Europe/Vienna")["visits"]
    return ask(api, "POST", ACCEPTED, accepted(seen(visit)))


def test_an_accepted_plan_records_what_to_order_once(stocked: Api) -> None:
    [wanted] = without_stock(stocked)["orders"]
    [plan_order] = ask(stocked, "GET", PLAN, zone="Europe/Vienna")["orders"]
    [order] = orders(stocked)
    assert (order["part"], order["pieces"], order["ordered_at"]) == ("KG-0715", 1, None)
    assert order["order_by"] == wanted["order_by"] == plan_order["order_by"]
    without_stock(stocked)
    assert len(orders(stocked)) == 1, "accepted again it takes the place of the one before"
    assert "orders_wanted" in kinds(stocked)


def test_what_is_ordered_counts_and_what_came_is_in_stock(stocked: Api) -> None:
    without_stock(stocked)
    path = f"/v1/part-orders/{orders(stocked)[0]['order']}"
    ordered = ask(stocked, "POST", path, {"done": "ordered"})
    assert ordered["ordered_at"] is not None
    assert without_stock(stocked)["orders"] == [], "it is on its way"
    assert len(orders(stocked)) == 1
    assert refused(stocked, "POST", path, {"done": "came"}) == (422, "not_valid", ["#/site"])
    ask(stocked, "POST", path, {"done": "came", "site": "oberkies", "pieces": 3})
    assert (stock_of(stocked)["oberkies"], orders(stocked)) == (3, [])
    ask(stocked, "POST", path, {"done": "came", "site": "oberkies", "pieces": 3})
    assert stock_of(stocked)["oberkies"] == 3, "a resend"
    unknown = "/v1/part-orders/999"
    assert refused(stocked, "POST", unknown, {"done": "dropped"})[:2] == (404, "unknown_part_order")
    beyond = f"/v1/part-orders/{10**36}"
    assert refused(stocked, "POST", beyond, {"done": "dropped"})[:2] == (422, "not_valid")
    assert kinds(stocked).count("part_order") == 2


def test_what_became_of_an_order_is_taken_back_once(stocked: Api) -> None:
    without_stock(stocked)
    [order] = orders(stocked)
    path = f"/v1/part-orders/{order['order']}"
    ask(stocked, "POST", path, {"done": "ordered"})
    for _ in range(2):  # a resend
        assert ask(stocked, "POST", path, {"done": "not_ordered"})["ordered_at"] is None
    ask(stocked, "POST", path, {"done": "came", "site": "oberkies", "pieces": 3})
    [closed] = ask(stocked, "GET", "/v1/part-orders")["closed"]
    assert (closed["ended_as"], closed["site"], closed["pieces"]) == ("came", "oberkies", 3)
    for _ in range(2):
        back = ask(stocked, "POST", path, {"done": "reopened"})
        assert (back["ended_at"], back["pieces"], stock_of(stocked)["oberkies"]) == (None, 1, 0)
    assert [one["pieces"] for one in orders(stocked)] == [1]
    ask(stocked, "POST", path, {"done": "dropped"})
    assert orders(stocked) == []
    ask(stocked, "POST", path, {"done": "reopened"})
    assert len(orders(stocked)) == 1


def test_what_came_and_was_used_since_is_not_taken_back(stocked: Api) -> None:
    without_stock(stocked)
    path = f"/v1/part-orders/{orders(stocked)[0]['order']}"
    ask(stocked, "POST", path, {"done": "came", "site": "oberkies"})
    enter(stocked, "tick-1")
    assert refused(stocked, "POST", path, {"done": "reopened"})[:2] == (409, "order_stays_closed")
    assert (stock_of(stocked)["oberkies"], orders(stocked)) == (0, [])
    number = path.rpartition("/")[2]
    for language, words in (("en", "any more"), ("de", "keine 1 von KG-0715 mehr")):
        page = stocked.request(
            "POST",
            f"/shop/orders/{number}",
            key="planner",
            data={"done": "reopened"},
            headers={"Accept-Language": language},
        )
        assert page.status_code == 422
        assert words in page.text


def test_an_order_by_hand_counts_and_outlives_a_plan(stocked: Api) -> None:
    mine = {"part": "KG-0715", "pieces": 1, "needed_on": "2026-03-06", "entry_id": "mine-1"}
    numbers = {ask(stocked, "POST", "/v1/part-orders", mine)["order"] for _ in range(2)}
    assert len(numbers) == 1, "sent again it is the same"
    assert without_stock(stocked)["orders"] == [], "the plan needs no other"
    [order] = orders(stocked)
    assert (order["is_by_hand"], order["ordered_at"], order["needed_on"]) == (True, None, "2026-03-06")
    assert {"part_ordered"} <= set(kinds(stocked))


def test_on_the_page_an_order_is_entered_and_taken_back(stocked: Api) -> None:
    page = stocked.get("/shop", key="planner").text
    fields = {"order_part": "KG-0715", "order_pieces": "2", "was_ordered": "yes", "entry_id": "mine-2"}
    assert 'name="entry_id"' in page
    refused_one = stocked.request(
        "POST", "/shop/orders", key="planner", data=fields | {"order_pieces": "two"}
    )
    assert (refused_one.status_code, 'value="two"' in refused_one.text) == (422, True)
    assert re.findall('data-field="(.*?)"', refused_one.text) == ["order_pieces"]
    assert "None" not in refused_one.text
    sent = stocked.request("POST", "/shop/orders", key="planner", data=fields)
    assert (sent.status_code, sent.headers["location"]) == (303, "/shop#orders")
    path = f"/shop/orders/{orders(stocked)[0]['order']}"
    stocked.request("POST", path, key="planner", data={"done": "came", "order_site": "oberkies"})
    for language, words in (("en", "Did not come"), ("de", "Doch nicht angekommen")):
        assert words in stocked.get("/shop", key="planner", headers={"Accept-Language": language}).text
    stocked.request("POST", path, key="planner", data={"done": "reopened"})
    assert stock_of(stocked)["oberkies"] == 1


def test_on_the_page_an_order_is_placed_comes_or_is_dropped(stocked: Api) -> None:
    without_stock(stocked)
    path = f"/shop/orders/{orders(stocked)[0]['order']}"
    page = stocked.get("/shop", key="planner").text
    assert f'action="{path}"' in page
    sent = stocked.request("POST", path, key="planner", data={"done": "ordered"})
    assert (sent.status_code, sent.headers["location"]) == (303, "/shop#orders")
    came = stocked.request("POST", path, key="planner", data={"done": "came", "order_site": "oberkies"})
    page = stocked.get(came.headers["location"], key="planner").text
    [said] = [line for line in page.splitlines() if 'role="status"' in line and "KG-0715" in line]
    assert ">1<" in said or "1 ×" in said
    assert "oberkies" in said
    assert stock_of(stocked)["oberkies"] == 1


def test_who_is_for_other_sites_sees_no_order_of_these(stocked: Api) -> None:
    without_stock(stocked)
    path = f"/v1/part-orders/{orders(stocked)[0]['order']}"
    away = signed_in(stocked, "mara.lindt", "planner", sites=["kargrund"])
    assert away.get("/v1/part-orders").json()["orders"] == []
    assert away.post(path, {"done": "dropped"}).status_code == 404


def test_who_is_for_the_site_of_the_machine_counts_what_all_ordered_for_it(stocked: Api) -> None:
    without_stock(stocked)
    [order] = orders(stocked)
    path = f"/v1/part-orders/{order['order']}"
    ask(stocked, "POST", path, {"done": "ordered", "pieces": 2})
    here = signed_in(stocked, "jon.falk", "planner", sites=["oberkies"])
    [seen_here] = here.get("/v1/part-orders").json()["orders"]
    assert (seen_here["pieces"], seen_here["is_yours"]) == (1, False), "one machine here takes it"
    before = ask(stocked, "GET", PLAN)["before"]
    [line] = here.get(f"/v1/work?before={before}").json()["parts"]
    assert line["to_order"] == 0
    assert f"/shop/orders/{order['order']}" not in here.get("/shop").text
    assert here.post(path, {"done": "dropped"}).status_code == 404


def test_the_site_that_needs_an_order_is_chosen_already(stocked: Api) -> None:
    without_stock(stocked)
    assert orders(stocked)[0]["site"] == "oberkies"
    page = stocked.get("/shop", key="planner").text
    assert '<option value="oberkies" selected>' in page[page.index('id="orders"') :]
