"""The second of two readings under one number takes the place of the first, once a person has said so."""

from __future__ import annotations

from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.console.formats import HARD_SPACE
from tests.support import held
from tests.support.serving import DEVICE, Api, batch

PATH = "/v1/quarantine/second-instead"
COUNT = 20


@pytest.fixture(autouse=True)
def conflicting(api: Api) -> None:
    api.register()
    api.send(batch(1, [3.0] * COUNT))
    api.send(batch(1, [4.0] * (COUNT - 1) + [900.0]))  # the last of them can be no restriction


def keep(api: Api, expect: int = 200, **body: Any) -> dict[str, Any]:
    asked = {"where": {"device": DEVICE}, "reason": "the first was a bench"} | body
    response = api.post(PATH, {k: v for k, v in asked.items() if v is not None}, key="operator")
    assert response.status_code == expect, response.text
    document: dict[str, Any] = response.json()
    return document


def stored(api: Api) -> list[float]:
    """Restriction of the stored readings by number [kPa]."""
    with api.resources.reading() as connection:
        found = held.stored(connection)
    return [round(row["restriction_pa"] / 1000, 3) for row in found]


def entries(api: Api, state: str = "held") -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = api.get("/v1/quarantine", params={"state": state}).json()["entries"]
    return found


def test_an_entry_shows_the_first_reading_beside_it(api: Api) -> None:
    first, second = entries(api)[0]["other_reading"], entries(api)[0]["content"]
    assert first["state"] == "stored"
    assert (first["content"]["restriction"], second["restriction"]) == (3.0, 4.0)
    assert first["content"]["at"] == second["at"]
    assert first["content"]["units"]["restriction"] == "kPa"


def test_a_page_of_many_conflicts_costs_as_many_queries_as_one_of_few(api: Api) -> None:
    """Numbers that are no range: each of them cost two queries and more."""
    numbers = range(COUNT + 1, COUNT + 1 + 3 * 60)
    api.send(batch(numbers[0], [3.0] * len(numbers)))
    second = batch(numbers[0], [4.0] * len(numbers))
    second["readings"] = second["readings"][::3]
    api.send(second)
    queries(api, COUNT)  # the first one asks for the key too
    few, many = (queries(api, limit) for limit in (COUNT + 12, COUNT + 60))
    assert many == few
    found = [e for e in entries(api) if e["seq"] > COUNT]
    assert [e["seq"] for e in found] == [*numbers[::3]]
    assert {e["other_reading"]["content"]["restriction"] for e in found} == {3.0}
    assert [e["other_reading"]["content"]["at"] for e in found] == [e["content"]["at"] for e in found]


def queries(api: Api, limit: int) -> int:
    """How many statements a page of so many entries takes."""
    sent: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        sent.append(statement)

    sa.event.listen(sa.Engine, "before_cursor_execute", note)
    try:
        assert len(api.get("/v1/quarantine", params={"limit": limit}).json()["entries"]) == limit
    finally:
        sa.event.remove(sa.Engine, "before_cursor_execute", note)
    return len(sent)


def test_the_second_takes_the_place_of_the_first_where_it_is_believed(api: Api) -> None:
    preview = keep(api, preview=True)
    assert (preview["amendment_id"], preview["entries"], preview["stored"]) == (None, COUNT, COUNT - 1)
    assert stored(api) == [3.0] * COUNT
    done = keep(api, as_previewed=preview["selection"])
    assert stored(api) == [4.0] * (COUNT - 1) + [3.0]
    assert [(one["code"]) for one in done["held"]] == ["out_of_range"]
    assert [entry["seq"] for entry in entries(api)] == [COUNT]
    assert api.account()["balances"]


def test_both_contents_stay_on_record(api: Api) -> None:
    keep(api)
    of_number = [entry for entry in entries(api, "released") if entry["seq"] == 1]
    assert [(e["content"]["restriction"], e["beside_another"]) for e in of_number] == [
        (4.0, True),
        (3.0, False),
    ]
    assert of_number[1]["amended"]["restriction"] == 4.0
    [amendment] = api.get("/v1/quarantine/amendments").json()["amendments"]
    assert (amendment["kind"], amendment["asked"]["reason"]) == ("second_kept", "the first was a bench")
    [line] = api.get("/v1/audit", params={"what": "second_kept"}).json()["entries"]
    assert line["who"] == api.tokens["operator"].partition(".")[0]


@pytest.mark.parametrize("level", [3.0, 4.0])
def test_sent_again_each_of_them_is_a_duplicate(api: Api, level: float) -> None:
    keep(api)
    answer = api.send(batch(1, [level] * (COUNT - 1)))
    assert (answer["duplicates"], answer["stored"], answer["acknowledged_through"]) == (COUNT - 1, 0, COUNT)
    assert stored(api) == [4.0] * (COUNT - 1) + [3.0]


def test_it_can_be_undone_and_done_again(api: Api) -> None:
    done = keep(api)
    undone = api.post(f"/v1/quarantine/amendments/{done['amendment_id']}/undo", None, key="operator")
    assert undone.status_code == 200, undone.text
    assert stored(api) == [3.0] * COUNT
    assert [e["code"] for e in entries(api)] == ["number_conflict"] * COUNT
    assert api.account()["balances"]
    keep(api)
    assert stored(api) == [4.0] * (COUNT - 1) + [3.0]


def test_a_number_with_several_seconds_is_refused(api: Api) -> None:
    api.send(batch(1, [5.0]))
    twice = [entry["entry"] for entry in entries(api) if entry["seq"] == 1]
    refused = keep(api, 422, where=None, entries=twice)
    assert (refused["code"], len(refused["errors"])) == ("change_does_not_fit", 2)
    assert keep(api)["entries"] == COUNT - 1  # of a condition, the others are passed over


def test_a_first_that_is_quarantined_itself_is_repaired_first(api: Api) -> None:
    api.send(batch(COUNT + 1, [901.0]))
    api.send(batch(COUNT + 1, [902.0]))
    of_number = {entry["beside_another"]: entry for entry in entries(api) if entry["seq"] == COUNT + 1}
    assert of_number[True]["other_reading"]["state"] == "held"
    assert of_number[True]["other_reading"]["content"]["restriction"] == 901.0
    refused = keep(api, 422, where=None, entries=[of_number[True]["entry"]])
    assert refused["code"] == "change_does_not_fit"


def test_the_page_shows_both_and_previews_what_would_be_kept_or_given_up(api: Api) -> None:
    group = f"/quarantine/group?code=number_conflict&device={DEVICE}"
    html = api.get(group, key="operator").text
    assert "First reading" in html
    assert f"3.0{HARD_SPACE}kPa" in html
    assert f"4.0{HARD_SPACE}kPa" in html
    second = api.get(f"{group}&way=second&value=a+bench", key="operator").text
    assert f"Of {COUNT} numbers {COUNT - 1} second readings would be stored" in second
    given_up = api.get(f"{group}&way=discard&value=a+bench", key="operator").text
    assert f"{COUNT} readings would be given up" in given_up
