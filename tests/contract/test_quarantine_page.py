"""The quarantine page: groups by cause, a preview that changes nothing, a repair, and its undo."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from typing import Any
from urllib.parse import urlencode

import pytest

from cleanside.ingest.checking.checks import CODES
from cleanside.ingest.console.formats import HARD_SPACE
from cleanside.ingest.console.quarantine_page import Way, Wish, helps, ways_for
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process

GROUP = {"code": "unit_undeclared", "device": DEVICE}


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """Three readings whose unit was not declared."""
    with in_process(sqlite_database_url) as running:
        running.register()
        running.send(batch(1, [3.0, 3.1, 3.2]) | {"units": {}})
        yield running


def held(api: Api) -> int:
    return len(api.get("/v1/quarantine").json()["entries"])


def group(api: Api, **more: str) -> Any:
    return api.get(f"/quarantine/group?{urlencode(GROUP | more)}", key="operator")


def seen(page: str) -> dict[str, str]:
    """What the form of a preview carries of it; nothing: there is no preview."""
    return dict(re.findall(r'name="(as_previewed)" value="(\w+)"', page))


def repair(api: Api, **given: str) -> Any:
    """Look at the preview and apply it."""
    previewed = seen(group(api, **given).text)
    return api.request("POST", "/quarantine/repairs", key="operator", data=GROUP | given | previewed)


@pytest.mark.parametrize(
    ("way", "value", "said"),
    [
        ("shift", "-2h", "“-2h” is no number of seconds"),
        ("shift", "1e400", "“1e400” is no number of seconds"),
        ("discard", "x", "faults"),
    ],
)
def test_a_refused_repair_opens_at_its_form_with_what_was_typed(
    api: Api, way: str, value: str, said: str
) -> None:
    early = batch(4, [3.0])
    early["readings"][0]["at"] = "2009-02-01T00:00:00.000Z"
    api.send(early)
    code = next(e["code"] for e in api.get("/v1/quarantine").json()["entries"] if e["seq"] == 4)
    of_group = GROUP | {"code": code, "way": way, "value": value}
    looked = api.get(f"/quarantine/group?{urlencode(of_group)}", key="operator")
    sent = api.request("POST", "/quarantine/repairs", key="operator", data=of_group)
    for response in (looked, sent):
        assert response.status_code == 422
        assert said in response.text
        form = re.search(rf'<input[^>]*id="v-{way}"[^>]*>', response.text)
        assert form is not None
        assert f'value="{value}"' in form[0]
        assert 'aria-invalid="true"' in form[0]
        assert response.text.index("data-refused") < response.text.index(form[0])


def test_giving_up_says_how_many_were_given_up(api: Api) -> None:
    done = repair(api, way="discard", value="wired to nothing")
    page = visible(api.get(done.headers["location"], key="operator").text)
    assert "3 readings given up." in page
    assert "still quarantined" not in page


def test_groups_are_shown_by_cause(api: Api) -> None:
    page = api.get("/quarantine", key="operator").text
    assert str(table("en")["quarantine.code.unit_undeclared"]) in page
    assert f"/quarantine/group?code=unit_undeclared&amp;device={DEVICE}" in page


def visible(page: str) -> str:
    """What is read on a page; what was sent stands whole below it, as code."""
    return re.sub(r"<[^>]*>", " ", re.sub(r"<code>.*?</code>|<head>.*?</head>", "", page, flags=re.DOTALL))


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/Denver"])
def test_every_time_is_in_the_zone_that_the_page_names(api: Api, zone: str) -> None:
    early = batch(4, [3.0])
    early["readings"][0]["at"] = "2009-02-01T00:00:00.000Z"
    api.send(early)
    codes = {entry["code"] for entry in api.get("/v1/quarantine").json()["entries"]}
    assert len(codes) == 2
    for code in codes:
        path = f"/quarantine/group?{urlencode(GROUP | {'code': code})}"
        text = visible(api.get(path, key="operator", headers={"Cookie": f"zone={zone}"}).text)
        assert re.search(r"\d{4}-\d\d-\d\dT\d\d:\d\d", text) is None
        assert zone in text


def test_what_a_repair_would_leave_is_named_by_its_number(api: Api) -> None:
    api.send(batch(701, [900.0, 3.0]) | {"units": {}})
    page = visible(group(api, way="unit", value="restriction kPa").text)
    assert "Number 701: value beyond what is possible" in " ".join(page.split())


def test_a_repair_that_would_settle_nothing_is_not_offered(api: Api) -> None:
    """Else a person applies it and finds everything as before."""
    page = group(api, way="as_is").text
    assert str(table("en")["quarantine.changes_nothing"]) in page
    assert str(table("en")["quarantine.apply"]) not in page
    assert str(table("en")["quarantine.apply"]) in group(api, way="discard", value="the tube was off").text


@pytest.mark.parametrize(
    ("way", "held", "stored", "is_offered"),
    [
        ("unit", ["unit_undeclared"], 0, False),
        ("unit", ["time_in_future"], 0, True),  # it needs a second repair
        ("unit", ["unit_undeclared"], 1, True),
        ("discard", [], 0, True),
    ],
)
def test_a_repair_is_offered_where_it_brings_a_reading_further(
    way: Way, held: list[str], stored: int, is_offered: bool
) -> None:
    outcome = {"entries": 2, "stored": stored, "held": [{"code": code} for code in held]}
    assert helps(Wish("unit_undeclared", DEVICE, way), outcome) is is_offered


def test_page_and_account_count_the_same(api: Api) -> None:
    """Two readings under one number: the account counts the number once, and both pages say so."""
    api.send(batch(4, [3.0, 3.1]))
    api.send(batch(4, [4.0, 4.1]))
    page = visible(api.get("/quarantine", key="operator").text)
    account = visible(api.get("/backlog?counted=true", key="operator").text)
    [balance] = api.get("/v1/account").json()["streams"]
    assert balance["quarantined"] == 3
    assert "3 readings are quarantined" in page
    assert "2 more have the number of another reading" in page
    assert "2 readings more are quarantined" in account


def test_a_preview_says_what_would_happen_and_changes_nothing(api: Api) -> None:
    page = group(api, way="unit", value="restriction kPa")
    assert page.status_code == 200
    assert "3 would be stored and 0 would stay" in page.text
    assert held(api) == 3
    assert api.get("/v1/quarantine/amendments").json()["amendments"] == []


def test_a_preview_shows_the_values_before_and_after(api: Api) -> None:
    body = {"where": GROUP, "change": {"units": {"restriction": "kPa"}}, "preview": True}
    sample = api.post("/v1/quarantine/amendments", body, key="operator").json()["sample"]
    assert [one["seq"] for one in sample] == [1, 2, 3]
    assert (sample[0]["before"].get("units", {}), sample[0]["after"]["units"]) == ({}, {"restriction": "kPa"})
    page = group(api, way="unit", value="restriction kPa").text
    assert f"restriction 3.0{HARD_SPACE}?" in page
    assert f"restriction 3.0{HARD_SPACE}kPa" in page


def test_a_quantity_that_is_not_known_is_left_out_on_the_page(api: Api) -> None:
    """The page says so of the code; before, it had no form for it."""
    document = batch(4, [3.3])
    document["units"]["oil_pressure"] = "kPa"
    document["readings"][0]["oil_pressure"] = 300.0
    api.send(document)
    given = {"code": "quantity_unknown", "way": "leave_out", "value": "oil_pressure"}
    page = group(api, **given).text
    assert '<option value="oil_pressure" selected>' in page
    assert repair(api, **given).headers["location"].startswith("/quarantine?done=1&stored=1&held=0")
    assert held(api) == 3


def test_no_unit_is_chosen_for_a_person(api: Api) -> None:
    page = group(api).text
    choices = page.partition('id="v-unit"')[2].partition("</select>")[0]
    assert choices.partition("</option>")[0].endswith('<option value="">Choose')
    assert "selected" not in choices


def test_a_repair_is_applied_shown_and_undone(api: Api) -> None:
    response = repair(api, way="unit", value="restriction kPa")
    assert response.status_code == 303
    assert held(api) == 0
    page = api.get(response.headers["location"], key="operator").text
    assert 'role="status"' in page
    [undo] = set(re.findall(r'action="(/quarantine/amendments/\d+/undo)"', page))
    assert api.request("POST", undo, key="operator").status_code == 303
    assert held(api) == 3
    assert undo not in api.get("/quarantine", key="operator").text


def entries(api: Api) -> dict[int, str]:
    """Number -> entry, as a form writes it."""
    return {e["seq"]: str(e["entry"]) for e in api.get("/v1/quarantine").json()["entries"]}


def test_one_reading_of_a_group_is_settled_alone(api: Api) -> None:
    """Before, a person could only settle all three, or ask a program."""
    found = entries(api)
    page = group(api).text
    assert page.count("Only this one") > 3  # with what a screen reader says of each
    assert f"entry={found[2]}" in page
    alone = group(api, entry=found[2], way="unit", value="restriction kPa")
    assert "Only number 2 is meant here" in visible(alone.text)
    assert "Of one reading, 1 would be stored and 0 would stay quarantined" in alone.text
    assert [seq for seq in found if f'rowheader">{seq}<' in alone.text] == [2]
    wish = {"way": "unit", "value": "restriction kPa", "entry": found[2]}
    assert repair(api, **wish).headers["location"] == "/quarantine?done=1&stored=1&held=0&left=0"
    assert list(entries(api)) == [1, 3]
    gone = group(api, entry=found[2])
    assert "This reading is quarantined for that no more." in gone.text
    assert repair(api, **wish).status_code in (303, 404)
    assert repair(api, way="discard", value="the tube was off", entry=found[3]).status_code == 303
    assert list(entries(api)) == [1]


def test_a_reading_is_left_out_of_what_is_done_with_its_group(api: Api) -> None:
    found = entries(api)
    page = group(api, without=found[2]).text
    assert "One reading is left out of what is done here" in page
    assert f"without={found[2]}+{found[3]}" in page  # to leave out another one too
    assert f'href="/quarantine/group?code=unit_undeclared&amp;device={DEVICE}#readings"' in page
    wish = {"way": "unit", "value": "restriction kPa", "without": found[2]}
    assert "2 would be stored and 0 would stay" in group(api, **wish).text
    assert repair(api, **wish).headers["location"] == "/quarantine?done=1&stored=2&held=0&left=0"
    assert entries(api) == {2: found[2]}


def test_a_reading_that_left_the_group_since_is_not_settled_with_it(api: Api) -> None:
    """The preview was of two, and one of them was settled elsewhere meanwhile."""
    found = entries(api)
    wish = {"way": "discard", "value": "the tube was off", "without": found[1]}
    previewed = seen(group(api, **wish).text)
    body = {"entries": [int(found[2])], "change": {"units": {"restriction": "kPa"}}}
    assert api.post("/v1/quarantine/amendments", body, key="operator").status_code == 200
    sent = api.request("POST", "/quarantine/repairs", key="operator", data=GROUP | wish | previewed)
    assert f"without={found[1]}" in sent.headers["location"]
    assert str(table("en")["quarantine.changed"]) in api.get(sent.headers["location"], key="operator").text
    assert list(entries(api)) == [1, 3]


def numbers_from(api: Api, page: str) -> list[int]:
    """The readings of a page, and of those that follow."""
    numbers = []
    for _ in range(3):
        numbers += [int(seq) for seq in re.findall(r'scope="row" role="rowheader">(\d+)<', page)]
        on = re.search(r'href="([^"]*cursor=[^"]*)"', page)
        page = "" if on is None else api.get(unescape(on[1]), key="operator").text
    return numbers


def test_every_reading_of_a_large_group_can_be_reached(api: Api) -> None:
    api.send(batch(4, [3.0] * 16) | {"units": {}})
    assert numbers_from(api, group(api).text) == list(range(1, 20))


def test_after_a_refused_repair_every_reading_can_be_reached(api: Api) -> None:
    """The page that says why had the first eight, and no link to the next."""
    api.send(batch(4, [3.0] * 16) | {"units": {}})
    left_out = entries(api)[2]
    wish = {"way": "discard", "value": "x", "without": left_out}
    refused = api.request("POST", "/quarantine/repairs", key="operator", data=GROUP | wish)
    assert refused.status_code == 422
    assert numbers_from(api, refused.text) == list(range(1, 20))
    following = unescape(re.findall(r'href="([^"]*cursor=[^"]*)"', refused.text)[0])
    assert (f"without={left_out}" in following, "discard" in following) == (True, False)


@pytest.mark.parametrize("wrong", [{"entry": "x"}, {"entry": "9" * 30}, {"without": "1;2"}])
def test_what_is_no_entry_is_refused(api: Api, wrong: dict[str, str]) -> None:
    wish = {"way": "discard", "value": "the tube was off"} | wrong
    assert group(api, **wish).status_code == 422
    sent = api.request("POST", "/quarantine/repairs", key="operator", data=GROUP | wish)
    assert sent.status_code in (303, 422)
    assert held(api) == 3


def test_who_may_not_repair_is_offered_no_single_reading(api: Api) -> None:
    page = api.get(f"/quarantine/group?{urlencode(GROUP)}", key="planner")
    assert page.status_code == 200
    assert "Only this one" not in page.text


def test_one_reading_in_conflict_is_settled_alone(api: Api) -> None:
    api.send(batch(4, [3.0, 3.1]))
    api.send(batch(4, [4.0, 4.1]))
    conflict = {"code": "number_conflict", "device": DEVICE}
    found = {e["seq"]: e["entry"] for e in api.get("/v1/quarantine?code=number_conflict").json()["entries"]}
    wish = conflict | {"way": "second", "value": "the first was a test bench", "entry": str(found[5])}
    page = api.get(f"/quarantine/group?{urlencode(wish)}", key="operator").text
    sent = api.request("POST", "/quarantine/repairs", key="operator", data=wish | seen(page))
    assert sent.status_code == 303
    left = api.get("/v1/quarantine?code=number_conflict").json()["entries"]
    assert [e["seq"] for e in left] == [4]


WAYS = {"unit": "restriction kPa", "discard": "the tube was off", "as_is": "", "shift": "60"}


@pytest.mark.parametrize("way", WAYS)
def test_what_came_after_the_preview_is_not_repaired_with_it(api: Api, way: str) -> None:
    wish = {"way": way, "value": WAYS[way]}
    previewed = seen(group(api, **wish).text)
    api.send(batch(4, [20.0]) | {"units": {}})
    response = api.request("POST", "/quarantine/repairs", key="operator", data=GROUP | wish | previewed)
    assert held(api) == 4
    again = api.get(response.headers["location"], key="operator").text
    assert str(table("en")["quarantine.changed"]) in again
    assert previewed != seen(again) != {}
    response = api.request("POST", "/quarantine/repairs", key="operator", data=GROUP | wish | seen(again))
    assert response.headers["location"].startswith("/quarantine?done=")


def test_a_form_without_its_preview_applies_nothing(api: Api) -> None:
    data = GROUP | {"way": "unit", "value": "restriction kPa"}
    response = api.request("POST", "/quarantine/repairs", key="operator", data=data)
    assert "changed=true" in response.headers["location"]
    assert held(api) == 3


@pytest.mark.parametrize(
    ("path", "more"),
    [("amendments", {"change": {"units": {"restriction": "kPa"}}}), ("discards", {"reason": "tube off"})],
)
def test_a_program_may_ask_for_exactly_what_it_previewed(api: Api, path: str, more: dict[str, Any]) -> None:
    body = {"where": GROUP} | more
    preview = api.post(f"/v1/quarantine/{path}", body | {"preview": True}, key="operator").json()
    as_previewed = body | {"as_previewed": preview["selection"]}
    api.send(batch(4, [20.0]) | {"units": {}})
    refused = api.post(f"/v1/quarantine/{path}", as_previewed, key="operator")
    assert (refused.status_code, refused.json()["code"]) == (409, "changed_since_preview")
    assert held(api) == 4
    assert api.post(f"/v1/quarantine/{path}", body, key="operator").json()["entries"] == 4


def test_the_units_of_every_quantity_of_the_readings_are_offered(api: Api) -> None:
    page = group(api).text
    assert 'value="restriction kPa"' in page
    assert 'value="engine_speed r/min"' not in page


def test_readings_are_given_up_with_a_reason_only(api: Api) -> None:
    assert repair(api, way="discard", value="").status_code == 422
    assert group(api, way="discard", value="      ").status_code == 422
    assert repair(api, way="discard", value="      ").status_code == 422
    assert held(api) == 3
    assert repair(api, way="discard", value="the tube was off").status_code == 303
    assert held(api) == 0


@pytest.mark.parametrize(
    "wrong",
    [
        {"way": "burn"},
        {},
        {"way": "unit", "value": "restriction furlong <b>"},
        {"way": "shift", "value": "an hour"},
    ],
)
def test_a_repair_that_is_none_changes_nothing(api: Api, wrong: dict[str, str]) -> None:
    response = repair(api, **wrong)
    assert response.status_code in (303, 422)
    assert held(api) == 3


def test_a_form_of_another_site_repairs_nothing(api: Api) -> None:
    headers = {"Sec-Fetch-Site": "cross-site"}
    data = GROUP | {"way": "unit", "value": "restriction kPa"}
    assert (
        api.request("POST", "/quarantine/repairs", key="operator", data=data, headers=headers).status_code
        == 403
    )
    assert held(api) == 3


def test_what_was_sent_is_text(api: Api) -> None:
    hostile = batch(10, [3.0])
    hostile["units"] = {"restriction": "<script>alert(1)</script>"}
    api.send(hostile)
    page = api.get(f"/quarantine/group?code=unit_not_accepted&device={DEVICE}", key="operator").text
    assert "&lt;script&gt;" in page
    assert "<script>alert" not in page


def test_every_code_can_be_looked_at_again_or_given_up() -> None:
    for code in CODES:
        assert ways_for(code, [])[-2:] == ["as_is", "discard"]


def test_a_time_is_said_to_be_right_only_where_that_settles_it() -> None:
    """For a time in the future it never does: the server looks again when that time has come."""
    offered = {code for code in CODES if "time_is_right" in ways_for(code, [])}
    assert offered == {
        *("time_before_service", "time_before_floor", "time_outlier"),
        *("clock_unset", "gps_week_rollover"),
    }
    assert "shift" in ways_for("time_in_future", [])


def test_the_preview_of_a_second_shift_says_the_sum(api: Api) -> None:
    """-3600 s and then -7200 s are three hours; before, nothing said so."""
    known = str(table("en")["quarantine.shifted_in_all"]).partition("{")[0]
    ahead = batch(4, [3.0])
    ahead["readings"][0]["at"] = "2026-03-02T23:00:00Z"
    api.send(ahead)
    shift = {"code": "time_in_future", "way": "shift"}
    assert known not in group(api, **shift, value="-3600").text
    assert repair(api, **shift, value="-3600").status_code == 303
    assert f"{known}−10,800 s from the time as sent" in group(api, **shift, value="-7200").text
    entry = [one["entry"] for one in api.get("/v1/quarantine").json()["entries"]][-1]
    body = {"entries": [entry], "change": {"shift_s": -7200}, "preview": True}
    (shown,) = api.post("/v1/quarantine/amendments", body, key="operator").json()["sample"]
    assert shown["shifted_s"] == -10_800.0


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_code_has_words(language: str) -> None:
    known = table(language)
    for part in ("code", "do"):
        assert f"quarantine.{part}.copied_reading" in known
        assert [code for code in CODES if f"quarantine.{part}.{code}" not in known] == []
    assert [way for way in Way.__args__ if f"quarantine.way.{way}" not in known] == []  # type: ignore[attr-defined]


def test_a_value_out_of_range_is_repaired_by_its_unit(sqlite_database_url: str) -> None:
    """300 kPa of restriction is beyond what is possible; 300 mmH2O are 2.94 kPa."""
    group = {"code": "out_of_range", "device": DEVICE}
    with in_process(sqlite_database_url) as api:
        api.register()
        api.send(batch(1, [300.0, 310.0, 320.0]))
        choose = api.get(f"/quarantine/group?{urlencode(group)}", key="operator").text
        assert 'value="restriction mmH2O"' in choose
        assert "selected" not in choose.partition('id="v-unit"')[2].partition("</select>")[0]
        wish = group | {"way": "unit", "value": "restriction mmH2O"}
        preview = api.get(f"/quarantine/group?{urlencode(wish)}", key="operator").text
        assert "3 would be stored and 0 would stay" in preview
        for shown in (f"restriction 300.0{HARD_SPACE}kPa", f"restriction 300.0{HARD_SPACE}mmH2O", "2.942"):
            assert shown in preview
        headers = {"Accept-Language": "de"}
        german = api.get(f"/quarantine/group?{urlencode(wish)}", key="operator", headers=headers).text
        for shown in (f"Unterdruck 300,0{HARD_SPACE}kPa", "2,942", "300,00 kPa Unterdruck liegt außerhalb"):
            assert shown in german
        assert held(api) == 3  # a preview changes nothing
        data = wish | seen(preview)
        assert api.request("POST", "/quarantine/repairs", key="operator", data=data).status_code == 303
        assert held(api) == 0


def test_a_group_of_several_streams_names_the_stream_of_each_reading(api: Api) -> None:
    other = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0dff"
    assert other not in group(api).text
    api.send(batch(1, [3.0], stream=other) | {"units": {}})
    page = group(api).text
    assert page.count(f"<bdi>{other}</bdi>") == 1
    assert f"<bdi>{STREAM}</bdi>" in page
