"""Entries made at the machine: taken once and in order, and questions until a person or the data confirm."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.ingest.owners import device_entries as owners_entries
from tests.contract.test_api_element_changes import FALL, PATH, enter, figures
from tests.contract.test_api_fleet import register_worked, restriction
from tests.support.serving import DEVICE, STREAM, Api, bearer, in_process

SEND = "/v1/device-entries"
ENTRIES = f"/v1/devices/{DEVICE}/entries"
NEW = {"what": "new", "by": "T. Wolny", "note": "seal was dry"}
LATER = "2026-02-21T09:00:00Z"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        yield running


def entry(seq: int, *, entry_id: str | None = None, at: str = FALL, **content: Any) -> dict[str, Any]:
    made = entry_id or f"0198c5b2-7d4e-7c11-a1b0-{seq:012}"
    return {"seq": seq, "entry_id": made, "at": at, "at_uncertainty_s": 0.2, "content": {**NEW, **content}}


def send(api: Api, *entries: dict[str, Any], kept_from: int = 1, stream: str = STREAM) -> int:
    body = {"device": DEVICE, "stream": stream, "kept_from": kept_from, "entered": list(entries)}
    response = api.post(SEND, body, key="device")
    assert response.status_code == 200, response.text
    assert response.json()["stream"] == stream
    mark: int = response.json()["acknowledged_through"]
    return mark


def outcomes(api: Api) -> list[tuple[int, str]]:
    found = api.get(ENTRIES).json()["entries"]
    return [(shown["seq"], shown["outcome"]) for shown in found]


def changes(api: Api) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = api.get(PATH).json()["element_changes"]
    return found


# ---------------------------------------------------------------- once and in order


def test_entries_are_taken_in_order_and_a_resend_changes_nothing(api: Api) -> None:
    api.register()
    assert send(api, entry(1), entry(2, what="safety_element")) == 2
    assert send(api, entry(1), entry(2, what="safety_element"), entry(3, what="inspected")) == 3
    assert send(api) == 3, "a question"
    assert outcomes(api) == [(1, "taken"), (2, "taken"), (3, "taken")]
    assert sorted(change["what"] for change in changes(api)) == ["inspected", "new", "safety_element"]
    assert {change["at_device"] for change in changes(api)} == {DEVICE}
    assert {change["by_name"] for change in changes(api)} == {"T. Wolny"}
    noted = api.get("/v1/audit?limit=3").json()["entries"]
    assert [line["what"] for line in noted] == ["element_change"] * 3, "each once"


def test_what_follows_a_gap_is_left_and_the_answer_says_from_where(api: Api) -> None:
    api.register()
    assert send(api, entry(1)) == 1
    assert send(api, entry(3)) == 1
    assert send(api, entry(2), entry(3)) == 3
    assert outcomes(api) == [(1, "taken"), (2, "taken"), (3, "taken")]


def test_what_the_gateway_no_longer_keeps_is_not_waited_for(api: Api) -> None:
    """A server restored from a backup, older than what is kept on the machine."""
    api.register()
    assert send(api, kept_from=21) == 20
    assert send(api, entry(21), kept_from=21) == 21


def test_an_entry_that_cannot_be_one_blocks_none_behind_it(api: Api) -> None:
    api.register()
    odd = [
        entry(1, what="nothing"),
        entry(2, by=""),
        entry(3, note="n" * 401),
        entry(4, by=7),
        entry(5, at="2200-01-01T00:00:00Z"),
        entry(6, note="a\u202eb"),
        {**entry(7), "content": {}},
        entry(8),
    ]
    assert send(api, *odd) == 8
    unfit = ((seq, "not_valid") for seq in range(2, 8))
    assert outcomes(api) == [(1, "kind_unknown"), *unfit, (8, "taken")]
    assert len(changes(api)) == 1


def test_an_entry_of_a_device_that_sat_nowhere_waits_for_its_seat(api: Api) -> None:
    assert send(api, entry(1)) == 1
    assert outcomes(api) == [(1, "no_housing")]
    api.register()
    assert outcomes(api) == [(1, "taken")]
    assert [change["at_device"] for change in changes(api)] == [DEVICE]


@pytest.mark.parametrize("order", ["phone first", "gateway first"])
def test_an_entry_made_on_phone_and_gateway_is_one(api: Api, order: str) -> None:
    """Their clocks differ by a minute; the id is the same. The person's word counts in both orders."""
    api.register()
    at_phone = {"changed_at": "2026-02-21T06:01:00Z", "entry_id": "phone-1", "note": "by phone"}
    if order == "phone first":
        enter(api, **at_phone)
    send(api, entry(1, entry_id="phone-1"))
    if order == "gateway first":
        enter(api, **at_phone)
    [change] = changes(api)
    assert (change["entry_id"], change["note"], change["at_device"]) == ("phone-1", "by phone", None)
    assert outcomes(api)[0][1] == ("same_entry" if order == "phone first" else "taken")


def test_another_entry_under_the_same_id_is_kept_apart_and_overwrites_nothing(api: Api) -> None:
    api.register()
    enter(api, FALL, entry_id="phone-1", what="cleaned")
    send(api, entry(1, entry_id="phone-1"))
    assert outcomes(api) == [(1, "differs")]
    assert [change["what"] for change in changes(api)] == ["cleaned"]


def test_hostile_texts_come_back_as_they_were(api: Api) -> None:
    api.register()
    odd = "<script>alert(1)</script> '; DROP TABLE devices; -- 名前 🚜"
    send(api, entry(1, note=odd, by=odd[:60]))
    [change] = changes(api)
    assert (change["note"], change["by_name"]) == (odd, odd[:60])


# ---------------------------------------------------------------- who may


def test_only_the_devices_own_key_may_send_and_no_device_key_may_read(api: Api) -> None:
    api.register()
    body = {"device": DEVICE, "stream": STREAM, "kept_from": 1, "entered": [entry(1)]}
    other = api.post(SEND, {**body, "device": "loader-02-intake"}, key="device")
    assert (other.status_code, other.json()["code"]) == (403, "key_not_for_device")
    assert api.post(SEND, body, key="planner").status_code == 403
    assert api.get(ENTRIES, key="device").status_code == 403


@pytest.mark.parametrize(
    "odd",
    [
        {"stream": "x"},
        {"kept_from": 0},
        {"entered": [entry(n + 1) for n in range(51)]},
        {"entered": [entry(0)]},
        {"entered": [entry(1, note="n" * 3_000)]},
        {"entered": [{**entry(1), "at": "yesterday"}]},
        {"entered": [{**entry(1), "entry_id": "a b"}]},
    ],
)
def test_what_is_no_request_of_a_gateway_is_refused_whole(api: Api, odd: dict[str, Any]) -> None:
    api.register()
    body = {"device": DEVICE, "stream": STREAM, "kept_from": 1, "entered": [entry(1)], **odd}
    assert api.post(SEND, body, key="device").status_code == 422
    assert outcomes(api) == []


# ---------------------------------------------------------------- a question until confirmed


def test_a_clear_drop_confirms_an_entry_made_at_the_machine(api: Api) -> None:
    register_worked(api, 60, new_at_hour=24)
    send(api, entry(1))
    [change] = changes(api)
    assert (change["verdict"], change["is_question"], change["used_from"]) == ("fits", False, FALL)


def test_without_a_drop_it_is_a_question_and_changes_no_figure(api: Api) -> None:
    """Also where an entry of the shop would count: too little has been seen since."""
    register_worked(api, 26, rise_kpa=0.05)
    before = restriction(api)
    send(api, entry(1))
    [change] = changes(api)
    assert (change["verdict"], change["is_question"], change["used_from"]) == ("not_seen_yet", True, None)
    asked = restriction(api)
    assert figures(asked) == figures(before)
    assert [question["entry_id"] for question in asked["questions"]] == [change["entry_id"]]
    says = asked["questions"][0]["says"]
    assert ("label" in says, "It counts" in says) == (True, False)


@pytest.mark.parametrize("how", ["a word of why", "the same entry from a person"])
def test_a_person_confirms_it(api: Api, how: str) -> None:
    register_worked(api, 26, rise_kpa=0.05)
    send(api, entry(1))
    [change] = changes(api)
    more = {"confirmed_because": "I was there"} if how == "a word of why" else {}
    [settled] = enter(api, FALL, entry_id=change["entry_id"], note=change["note"], **more)
    assert (settled["is_question"], settled["used_from"]) == (False, FALL)
    assert restriction(api)["questions"] == []
    send(api, entry(1))
    assert changes(api)[0]["is_question"] is False, "a resend of the gateway does not undo it"


def test_a_person_takes_it_back(api: Api) -> None:
    register_worked(api, 26, rise_kpa=0.05)
    send(api, entry(1))
    api.request("DELETE", PATH, params={"changed_at": FALL})
    assert changes(api) == []
    send(api, entry(1))
    assert changes(api) == [], "taken back is taken back"


def test_beside_a_persons_entry_of_the_same_work_it_is_no_second_one(api: Api) -> None:
    register_worked(api, 26, rise_kpa=0.05)
    enter(api, FALL)
    send(api, entry(1, at=LATER))
    assert [(c["verdict"], c["is_question"]) for c in changes(api)] == [
        ("not_seen_yet", False),
        ("double", False),
    ]


@pytest.mark.parametrize("odd", ["\ud800", "a\x00b", "\ufffe", "\u2028"])
def test_characters_that_are_none_break_nothing(api: Api, odd: str) -> None:
    api.register()
    body = {"device": DEVICE, "stream": STREAM, "kept_from": 1, "entered": [entry(1, note=odd), entry(2)]}
    answer = api.post(SEND, body, key="device")
    assert answer.status_code in (200, 400, 422)
    if answer.status_code == 200:
        assert outcomes(api) == [(1, "not_valid"), (2, "taken")]


# ---------------------------------------------------------------- taken back at the machine


def back(seq: int, of: int | str, **content: Any) -> dict[str, Any]:
    """An entry that takes another one back. of : its number, or its id."""
    named = f"0198c5b2-7d4e-7c11-a1b0-{of:012}" if isinstance(of, int) else of
    made = f"0198c5b2-7d4e-7c11-a1b0-{seq:012}"
    said = {"what": "takes_back", "of": named, "by": "T. Wolny", "note": "", **content}
    return {"seq": seq, "entry_id": made, "at": LATER, "content": said}


def test_a_wrong_entry_is_taken_back_once_by_one_that_names_it(api: Api) -> None:
    register_worked(api, 26, rise_kpa=0.05)
    before = restriction(api)
    assert send(api, entry(1), entry(2, what="inspected"), back(3, 1, note="wrong machine")) == 3
    assert [change["what"] for change in changes(api)] == ["inspected"]
    assert outcomes(api) == [(1, "taken_back"), (2, "taken"), (3, "taken")]
    [noted] = api.get("/v1/audit", params={"what": "entry_taken_back_at_machine"}).json()["entries"]
    said = noted["values"]
    assert (said["taken_back_by"], said["because"]) == ("T. Wolny", "wrong machine")
    [gone] = api.get(PATH).json()["gone"]
    assert (gone["by_name"], gone["because"], gone["to_housing"]) == ("T. Wolny", "wrong machine", None)
    assert gone["entry_id"] == entry(1)["entry_id"]
    send(api, entry(1), entry(2, what="inspected"), back(3, 1), back(4, 1), back(5, 2))
    assert changes(api) == [], "a resend enters nothing again"
    assert outcomes(api)[3:] == [(4, "gone"), (5, "taken")]
    assert figures(restriction(api)) == figures(before)


@pytest.mark.parametrize("how", ["confirmed", "entered by a person", "phone first"])
def test_what_a_person_stands_by_since_stands_and_the_machine_says_who_asked(api: Api, how: str) -> None:
    register_worked(api, 26, rise_kpa=0.05)
    made = entry(1)["entry_id"]
    if how == "phone first":
        enter(api, FALL, entry_id=made, note=NEW["note"])
    send(api, entry(1))
    if how != "phone first":
        more = {"confirmed_because": "I was there"} if how == "confirmed" else {}
        enter(api, FALL, entry_id=made, note=NEW["note"], **more)
    send(api, entry(1), back(2, 1, note="wrong machine"))
    [change] = changes(api)
    assert change["asked_back"] == {"by_name": "T. Wolny", "at": LATER, "note": "wrong machine"}
    assert outcomes(api)[1] == (2, "stands")
    page = api.get("/machines/grader-07", headers={"Accept-Language": "en"}).text
    assert "Taken back at the machine by T. Wolny" in page
    api.request("DELETE", PATH, params={"changed_at": FALL})
    assert changes(api) == []


def test_an_entry_that_waits_for_a_seat_is_taken_back_and_never_carried_out(api: Api) -> None:
    assert send(api, entry(1), back(2, 1)) == 2
    assert outcomes(api) == [(1, "taken_back"), (2, "taken")]
    api.register()
    assert changes(api) == []


def test_a_taking_back_that_comes_before_its_entry_counts_when_that_comes(api: Api) -> None:
    """The file on the machine was replaced, and what was rescued from the old one came later."""
    api.register()
    assert send(api, back(1, 7)) == 1
    assert outcomes(api) == [(1, "no_entry")]
    send(api, back(1, 7), entry(2, entry_id=back(1, 7)["content"]["of"]))
    assert outcomes(api) == [(1, "taken"), (2, "taken_back")]
    assert changes(api) == []


@pytest.mark.parametrize("odd", [{"of": None}, {"of": 7}, {"of": "a b"}, {"of": ""}, {"by": ""}])
def test_a_taking_back_that_names_nothing_is_kept_and_undoes_nothing(api: Api, odd: dict[str, Any]) -> None:
    api.register()
    named = back(2, 1)
    assert send(api, entry(1), {**named, "content": {**named["content"], **odd}}) == 2
    assert outcomes(api) == [(1, "taken"), (2, "not_valid")]
    assert len(changes(api)) == 1


def test_a_taking_back_is_not_taken_back(api: Api) -> None:
    api.register()
    send(api, entry(1), back(2, 1), back(3, 2), back(4, 4))
    assert outcomes(api) == [(1, "taken_back"), (2, "taken"), (3, "not_valid"), (4, "not_valid")]
    assert changes(api) == []


@pytest.mark.parametrize("was", ["kind_unknown", "not_valid"])
def test_what_an_earlier_release_did_not_know_is_carried_out_by_one_that_does(
    api: Api, was: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An earlier release keeps it, with what it is to it, and holds up nothing; the next contact tries it."""
    api.register()
    with monkeypatch.context() as earlier:
        earlier.setattr(owners_entries, "TAKES_BACK", "known later")
        if was == "not_valid":  # as the previous release calls it
            earlier.setattr(owners_entries, "UNKNOWN", "not_valid")
        assert send(api, entry(1), back(2, 1), entry(3, what="inspected")) == 3
        assert outcomes(api) == [(1, "taken"), (2, was), (3, "taken")]
    assert send(api) == 3, "a question of the gateway"
    assert outcomes(api) == [(1, "taken_back"), (2, "taken"), (3, "taken")]
    assert [change["what"] for change in changes(api)] == ["inspected"]


def test_the_entry_of_another_device_is_not_taken_back(api: Api) -> None:
    api.register()
    send(api, entry(1))
    api.register("loader-02-intake", "loader-02")
    key = api.post("/v1/keys", {"role": "device", "devices": ["loader-02-intake"]}).json()["key"]
    stream = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"
    body = {"device": "loader-02-intake", "stream": stream, "kept_from": 1, "entered": [back(1, 1)]}
    assert api.post(SEND, body, key=None, headers=bearer(key)).status_code == 200
    assert len(changes(api)) == 1
