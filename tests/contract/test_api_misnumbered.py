"""A number mistyped far ahead leaves the numbering of its stream: recorded, undoable, and nothing is lost."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.support.held import stored as at_rest
from tests.support.serving import STREAM, Api, batch

FAR = 9_000_000_000_000_000
PATH = "/v1/quarantine/misnumbered"


@pytest.fixture(autouse=True)
def mistyped(api: Api) -> None:
    """Three readings, and the fourth under a number that a person typed wrongly."""
    api.register()
    api.send(batch(1, [3.0, 3.1, 3.2]))
    assert api.send(wrong())["gaps"] == [[4, FAR - 1]]


def wrong(number: int = FAR, value: float = 3.3) -> dict[str, Any]:
    reading = {"seq": number, "at": "2026-03-02T06:00:40Z", "restriction": value}
    return batch(1, [1.0]) | {"readings": [reading]}


def take_out(api: Api, expect: int = 200, **more: Any) -> dict[str, Any]:
    body = {"stream": STREAM, "first": FAR, "reason": "mistyped; it was 4"} | more
    response = api.post(PATH, body, key="operator")
    assert response.status_code == expect, response.text
    document: dict[str, Any] = response.json()
    return document


def stored(api: Api) -> list[int]:
    with api.resources.reading() as connection:
        return sorted(row["seq"] for row in at_rest(connection))


def stream(api: Api) -> dict[str, Any]:
    [line] = api.get("/v1/streams").json()["streams"]
    return {name: line[name] for name in ("acknowledged_through", "highest", "gap")}


def account(api: Api) -> dict[str, int]:
    [line] = api.account()["streams"]
    assert line["balances"], line["faults"]
    return {
        name: line[name] for name in ("stored", "quarantined", "discarded", "shed", "moved", "gap", "pending")
    }


def numbers(**states: int) -> dict[str, int]:
    """An account with these and no other numbers."""
    return (
        dict.fromkeys(("stored", "quarantined", "discarded", "shed", "moved", "gap", "pending"), 0) | states
    )


def entries(api: Api, state: str) -> list[dict[str, Any]]:
    found = api.get("/v1/quarantine", params={"state": state}, key="operator").json()["entries"]
    return [{"seq": entry["seq"], "content": entry["content"]} for entry in found]


def test_the_stream_goes_on_below_and_the_reading_stays_on_record(api: Api) -> None:
    preview = take_out(api, preview=True)
    assert (preview["amendment_id"], preview["entries"], stream(api)["highest"]) == (None, 1, FAR)
    done = take_out(api)
    assert (done["entries"], [one["seq"] for one in done["sample"]]) == (1, [FAR])
    assert stream(api) == {"acknowledged_through": 3, "highest": 3, "gap": 0}
    assert account(api) == numbers(stored=3)
    [kept] = entries(api, "discarded")
    assert (kept["seq"], kept["content"]["restriction"]) == (FAR, 3.3)
    answer = api.send(batch(4, [3.3, 3.4]))
    assert (answer["acknowledged_through"], answer["stored"], answer["gaps"]) == (5, 2, [])
    assert account(api)["stored"] == 5
    [line] = [x for x in api.get("/v1/audit").json()["entries"] if x["what"] == "misnumbered"]
    assert line["values"]["body"]["reason"] == "mistyped; it was 4"


def test_an_undo_brings_it_back_as_it_was(api: Api) -> None:
    before = (stream(api), account(api), stored(api))
    done = take_out(api)
    undone = api.undo(done["amendment_id"])
    assert (undone["entries"], undone["stored"]) == (1, 1)
    assert (stream(api), account(api), stored(api)) == before
    assert api.send(wrong())["duplicates"] == 1
    assert api.undo(done["amendment_id"], 409)["code"] == "not_undoable"
    assert take_out(api)["entries"] == 1


def test_sent_again_as_it_was_it_is_a_repeat_and_opens_no_gap(api: Api) -> None:
    take_out(api)
    answer = api.send(wrong())
    assert (answer["stored"], answer["duplicates"], answer["gaps"]) == (0, 1, [])
    assert stream(api) == {"acknowledged_through": 3, "highest": 3, "gap": 0}
    assert account(api)["stored"] == 3


def test_another_reading_may_have_the_number_later_and_then_nothing_is_undone(api: Api) -> None:
    api.send(wrong(9, 3.9))
    done = take_out(api, first=9)
    assert (done["entries"], stream(api)["highest"]) == (2, 3)
    assert api.send(batch(4, [3.0] * 6))["acknowledged_through"] == 9
    assert api.undo(done["amendment_id"], 409)["code"] == "not_undoable"
    assert account(api) == numbers(stored=9)


def test_the_same_doubted_reading_is_quarantined_when_its_number_comes_after_all(api: Api) -> None:
    """The person was mistaken: the stream really came so far, and the reading is still out of range."""
    api.send(wrong(5, 900.0))
    take_out(api, first=5)
    document = batch(4, [3.0, 3.0])
    document["readings"][1] = wrong(5, 900.0)["readings"][0]
    answer = api.send(document)
    assert [(q["seq"], q["code"]) for q in answer["quarantined"]] == [(5, "out_of_range")]
    assert account(api) == numbers(stored=4, quarantined=1)


@pytest.mark.parametrize("settle", ["held", "discarded"])
def test_one_that_is_in_quarantine_leaves_too_and_comes_back_to_it(api: Api, settle: str) -> None:
    take_out(api)
    api.send(wrong(FAR - 5, 900.0))
    if settle == "discarded":  # which leaves the gap: the number is still accounted for
        body = {"where": {"code": "out_of_range"}, "reason": "mistyped"}
        assert api.post("/v1/quarantine/discards", body, key="operator").json()["entries"] == 1
    before = account(api)
    done = take_out(api, first=FAR - 5)
    assert stream(api)["gap"] == 0
    account(api)
    api.undo(done["amendment_id"])
    assert account(api) == before
    assert FAR - 5 in [entry["seq"] for entry in entries(api, settle)]


def test_a_second_reading_and_an_unreadable_record_under_the_number_leave_with_it(api: Api) -> None:
    assert [q["code"] for q in api.send(wrong(value=4.4))["quarantined"]] == ["number_conflict"]
    record = {"device": wrong()["device"], "stream": STREAM, "opaque": {"seq": FAR - 1, "base64": "AAAA"}}
    api.send(record)
    done = take_out(api, first=FAR - 1)
    assert (done["entries"], account(api)["quarantined"]) == (3, 0)
    assert api.send(record)["stored"] == 0
    assert stream(api)["gap"] == 0
    before = len(entries(api, "held"))
    api.undo(done["amendment_id"])
    assert (before, len(entries(api, "held"))) == (0, 2)
    assert account(api)["quarantined"] == 1


def test_what_was_declared_shed_from_there_on_is_forgotten_and_comes_back(api: Api) -> None:
    api.send(
        {"device": wrong()["device"], "stream": STREAM}
        | {"shed": [{"first": 50, "last": 5_000_000, "reason": "mistyped"}]}
    )
    before = account(api)
    done = take_out(api, first=100)
    assert account(api) | {"gap": 0} == numbers(stored=3, shed=50)
    assert stream(api)["highest"] == 99
    api.undo(done["amendment_id"])
    assert account(api) == before


@pytest.mark.parametrize(
    ("first", "says"),
    [
        (3, "3 is not above 3: every number up to that is acknowledged and stays"),
        (FAR + 1, f"{FAR + 1} is above {FAR}, the highest number seen"),
    ],
)
def test_a_number_that_does_not_fit_is_refused_with_the_rule(api: Api, first: int, says: str) -> None:
    assert says in take_out(api, 422, first=first)["errors"][0]["detail"]
    assert stream(api)["highest"] == FAR


def test_a_stream_that_really_goes_on_from_there_is_no_mistyped_number(api: Api) -> None:
    for start in (FAR - 100_000, FAR - 50_000):
        api.send(batch(1, [1.0]) | {"readings": many(start, 2_501)})
    found = take_out(api, 422, first=FAR - 100_000)["errors"][0]
    assert found["detail"].startswith(f"5003 readings are here from number {FAR - 100_000} on, at most 5000")


def many(first: int, count: int) -> list[dict[str, Any]]:
    return [
        {"seq": first + n, "at": f"2026-03-02T07:{n // 60:02d}:{n % 60:02d}Z", "restriction": 3.0}
        for n in range(count)
    ]


def test_another_owner_s_stream_is_unknown(api: Api) -> None:
    body = {"stream": STREAM, "first": FAR, "reason": "not mine"}
    assert api.post(PATH, body, key="quarry admin").json()["code"] == "unknown_stream"


def test_appended_through_says_what_to_do_about_the_number(api: Api) -> None:
    """The report is lowered once the mistyped number is out of the way."""
    api.send(batch(4, [3.3], gateway={"appended_through": FAR + 7}))
    path, body = f"/v1/streams/{STREAM}/appended-through", {"appended_through": 4, "reason": "mistyped"}
    refused = api.post(path, body, key="operator").json()["errors"][0]
    assert refused["detail"] == (
        f"4 is below {FAR}, and a reading or a shed range with that number is here; give {FAR} or more, or, "
        f"where that number was mistyped, first take it out: POST {PATH}"
    )
    take_out(api)
    assert api.post(path, body, key="operator").status_code == 200
    assert account(api) == numbers(stored=4)


def test_a_report_that_is_not_lowered_is_told_what_would_be(api: Api) -> None:
    path = f"/v1/streams/{STREAM}/appended-through"
    body = {"appended_through": FAR, "reason": "mistyped"}
    refused = api.post(path, body, key="operator").json()["errors"][0]
    assert "the gateway has reported none" in refused["detail"]
    assert refused["detail"].endswith("nothing is pending here")


# ---------------------------------------------------------------- the page


@pytest.mark.parametrize("typed", [str(FAR), "9,000,000,000,000,000", "9.000.000.000.000.000"])
def test_the_page_shows_what_would_go_and_does_it_and_undoes_it(api: Api, typed: str) -> None:
    wish = {"stream": STREAM, "first": typed, "reason": "mistyped"}
    page = api.get("/backlog", params=wish, key="operator")
    assert (page.status_code, stream(api)["highest"]) == (200, FAR)
    assert "One reading would be given up" in page.text
    assert "9,000,000,000,000,000" in page.text
    done = api.request("POST", "/backlog/misnumbered", key="operator", data=wish)
    assert done.status_code == 303
    after = api.get(done.headers["location"], key="operator").text
    assert "One reading is given up" in after
    assert stream(api)["gap"] == 0
    [act] = re.findall(r'action="(/quarantine/amendments/\d+/undo)"', after)
    assert api.request("POST", act, key="operator", data={}).status_code == 303
    assert stream(api)["highest"] == FAR


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("2", "Every number up to 3 is acknowledged"),
        (str(FAR + 1), "the highest number is 9,000,000,000,000,000"),
        ("soon", "soon"),
    ],
)
def test_the_page_says_what_is_wrong_with_a_number(api: Api, typed: str, says: str) -> None:
    wish = {"stream": STREAM, "first": typed, "reason": "mistyped"}
    for page in (
        api.get("/backlog", params=wish, key="operator"),
        api.request("POST", "/backlog/misnumbered", key="operator", data=wish),
    ):
        assert page.status_code == 422
        assert says in page.text
    assert stream(api)["highest"] == FAR


def test_who_may_not_repair_sees_no_such_form(api: Api) -> None:
    assert 'id="misnumbered"' in api.get("/backlog", key="operator").text
    assert 'id="misnumbered"' not in api.get("/backlog", key="planner").text
