"""A new monitor beside an old one: checks go by the new one; the old one is taken off at the machine."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text, parse_instant
from tests.contract.test_api_acceptance import FITTED, acceptance, first_readings, verdicts
from tests.support.people import Browser, quick_passwords, signed_in
from tests.support.serving import DEVICE, Api, bearer, in_process

NEW, NEW_STREAM = "grader-07-new", "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d22"
PAGE = "/visit/grader-07"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """A monitor that passed everything, and a new one on the same housing that has sent nothing."""
    with in_process(sqlite_database_url) as running:
        quick_passwords(running)
        running.register()
        running.send(first_readings())
        passed_by_hand = {"subject": "zero", "value": 0.0, "unit": "kPa"}
        running.post("/v1/machines/grader-07/acceptance/hand-comparisons", passed_by_hand)
        second = {"value": 6.2, "unit": "kPa"}
        running.post("/v1/machines/grader-07/acceptance/second-reading", second, key="planner")
        assert acceptance(running)["result"] == "passed"
        running.clock.advance(3600)
        running.register(NEW)
        yield running


def send(api: Api, **columns: list[float]) -> None:
    """First readings of the new monitor, an hour after those of the old one."""
    made = api.post("/v1/keys", {"role": "device", "devices": [NEW]}).json()
    own = {"device": NEW, "stream": NEW_STREAM}
    own["start"] = instant_text(parse_instant(FITTED).us + 3_600_000_000)
    sent = api.post("/v1/readings", first_readings(**columns) | own, key=None, headers=bearer(made["key"]))
    assert sent.status_code == 200, sent.text


def stay(api: Api, job: str) -> str:
    found = re.search(r'data-stay="(\w+)"', api.get(f"{PAGE}?job={job}").text)
    assert found is not None
    return found[1]


def test_what_the_old_monitor_sent_passes_no_check_of_the_new_one(api: Api) -> None:
    document = acceptance(api)
    assert (document["devices"], document["beside"]) == ([NEW], [DEVICE])
    assert document["readings"] == 0
    assert set(verdicts(document).values()) - {"not yet seen"} == {"passed"}  # the limit is of the machine
    assert [name for name, verdict in verdicts(document).items() if verdict == "passed"] == [
        "terminal restriction"
    ]


@pytest.mark.parametrize("job", ["installation", "service"])
def test_nobody_is_sent_home_by_the_old_monitors_readings(api: Api, job: str) -> None:
    assert stay(api, job) == "open_here"
    page = api.get(f"{PAGE}?job={job}").text
    assert f"<bdi>{NEW}</bdi></dd>" in page  # the live part names it alone
    assert 'class="value"' not in page  # no value of the old one


def test_a_fault_of_the_new_monitor_is_not_covered_by_the_old_one(api: Api) -> None:
    send(api, restriction=[0.1] * 120)
    assert verdicts(acceptance(api))["restriction answers the engine"] == "failed"


def test_the_new_monitor_passes_by_its_own_readings(api: Api) -> None:
    send(api)
    assert acceptance(api)["result"] == "passed"
    assert stay(api, "installation") == "passed"


def test_a_key_of_the_old_monitor_still_reads_the_sheet(api: Api) -> None:
    assert api.get("/v1/machines/grader-07/acceptance", key="device").status_code == 200


# ---------------------------------------------------------------- taking the old one off at the machine


def take_off(who: Browser, device: str = DEVICE, **fields: str) -> Any:
    return who.request("POST", f"/monitors/{device}/taken-off", data={"back": "visit", **fields})


def sits(api: Api, device: str) -> bool:
    seats = api.get(f"/v1/devices/{device}").json()["assignments"]
    return any(seat["until"] is None for seat in seats)


def test_a_technician_takes_the_old_one_off_where_they_stand(api: Api) -> None:
    who = signed_in(api, "mara.brandt", "technician")
    page = who.get(PAGE).text
    assert f'data-beside="{DEVICE}"' in page
    assert f'action="/monitors/{DEVICE}/taken-off"' in page
    assert take_off(who).status_code == 422  # the tap is not plugged
    assert sits(api, DEVICE)
    done = take_off(who, plugged="yes")
    assert (done.status_code, done.headers["location"]) == (303, f"{PAGE}?housing=main")
    assert (sits(api, DEVICE), sits(api, NEW)) == (False, True)
    assert "data-beside" not in who.get(PAGE).text
    trail = api.get("/v1/audit").json()["entries"]
    assert ("assignment", "mara.brandt") in {(line["what"], line["who"]) for line in trail}


def test_a_page_from_before_it_was_moved_takes_nothing_off(api: Api) -> None:
    """A visit stays on a phone for hours; the shop moves the monitor meanwhile."""
    who = signed_in(api, "mara.brandt", "technician")
    fields = hidden_fields(who.get(PAGE).text)
    assert (fields["machine"], fields["housing"]) == ("grader-07", "main")
    api.post("/v1/machines", {"machine": "loader-02"})
    moved = api.post(f"/v1/devices/{DEVICE}/assignments", {"machine": "loader-02"})
    assert moved.status_code == 200, moved.text
    api.clock.advance(3_600)
    assert take_off(who, plugged="yes", **fields).status_code == 422
    assert sits(api, DEVICE)


def hidden_fields(page: str) -> dict[str, str]:
    """Those of the form that takes the old one off."""
    [form] = re.findall(rf'action="/monitors/{DEVICE}/taken-off">(.*?)</form>', page, re.DOTALL)
    return dict(re.findall(r'type="hidden" name="(machine|housing)" value="([^"]*)"', form))


def test_a_technician_takes_off_on_the_monitors_own_page_and_moves_nothing(api: Api) -> None:
    who = signed_in(api, "mara.brandt", "technician")
    page = who.get(f"/monitors/{DEVICE}").text
    assert f'action="/monitors/{DEVICE}/taken-off"' in page
    assert f'action="/monitors/{DEVICE}/seat"' not in page
    assert f'action="/monitors/{DEVICE}/retired"' not in page


@pytest.mark.parametrize("role", ["viewer", "planner"])
def test_who_may_not_take_it_off_is_told_who_does(api: Api, role: str) -> None:
    who = signed_in(api, f"{role}.of.all", role)
    page = who.get(PAGE).text
    assert f'data-beside="{DEVICE}"' in page
    assert "taken-off" not in page
    assert take_off(who, plugged="yes").status_code == 403
