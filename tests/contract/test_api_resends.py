"""A gateway is asked to send again from a number on: with its next answer, whole, and nothing twice."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.uplink.loop import Uplink
from cleanside.gateway.uplink.transport import Reply, Request
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process
from tests.unit.gateway.helpers import open_spool, readings, settable_clock

RESENDS = f"/v1/streams/{STREAM}/resends"


@pytest.fixture
def api(database_url: str) -> Iterator[Api]:
    """Ninety readings are stored."""
    with in_process(database_url) as running:
        running.register()
        running.send(batch(1, [3.0] * 90, gateway={"version": "1.0.0", "installation": "spool-1"}))
        yield running


def asked(api: Api, first: int, *, key: str = "operator") -> Any:
    return api.post(RESENDS, {"first": first, "reason": "the disk was swapped"}, key=key)


def mark_of(api: Api) -> int:
    return int(api.get(f"/v1/streams/{STREAM}", key="device").json()["acknowledged_through"])


def marks(api: Api) -> int:
    held = [{"stream": STREAM, "acknowledged_through": 90, "appended_through": 90}]
    answer = api.post("/v1/streams/marks", {"device": DEVICE, "streams": held}, key="device").json()
    return int(answer["streams"][0]["acknowledged_through"])


def test_every_answer_has_a_lower_mark_until_all_came_again(api: Api) -> None:
    assert asked(api, 41).json()["sends_again"] == {"next": 41, "last": 90}
    assert (mark_of(api), marks(api)) == (40, 40)
    # A batch that was on its way is stored, and its answer says where to go on.
    assert api.send(batch(91, [3.0] * 5))["acknowledged_through"] == 40
    first = api.send(batch(41, [3.0] * 30))
    assert (first["acknowledged_through"], first["stored"], first["duplicates"]) == (70, 0, 30)
    assert (mark_of(api), marks(api)) == (70, 70)
    last = api.send(batch(71, [3.0] * 25))
    assert (last["acknowledged_through"], last["duplicates"]) == (95, 25)
    assert api.get("/v1/streams").json()["streams"][0]["sends_again"] is None
    assert api.account()["balances"]


def test_what_the_gateway_holds_no_more_ends_it_too(api: Api) -> None:
    asked(api, 1)
    shed = [{"first": 1, "last": 90, "reason": "pruned_after_ack"}]
    answer = api.send(batch(91, [3.0]) | {"shed": shed})
    assert answer["acknowledged_through"] == 91
    assert api.account()["streams"][0]["shed"] == 0  # stored comes before shed
    assert api.account()["balances"]


def test_it_can_be_taken_back(api: Api) -> None:
    asked(api, 1)
    assert api.request("DELETE", RESENDS, key="operator").json()["sends_again"] is None
    assert (mark_of(api), api.send(batch(91, [3.0]))["acknowledged_through"]) == (90, 91)
    assert len(api.get("/v1/audit", params={"what": "resend_taken_back"}).json()["entries"]) == 1


@pytest.mark.parametrize("first", [91, 2**53])
def test_what_did_not_come_yet_is_not_asked_for_again(api: Api, first: int) -> None:
    refused = asked(api, first)
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "#/first")
    assert asked(api, 1, key="planner").status_code == 403
    other = "019abc00-7e1a-7c3e-8f00-000000000000"
    assert api.post(f"/v1/streams/{other}/resends", {"first": 1, "reason": "why"}).status_code == 404


def test_a_program_that_posts_by_itself_is_not_asked(sqlite_database_url: str) -> None:
    """It asks for no mark: nothing would answer, with numbers or without."""
    with in_process(sqlite_database_url) as api:
        api.register()
        api.send(batch(1, [3.0] * 5))
        [line] = api.get("/v1/streams").json()["streams"]
        refused = asked(api, 1)
        assert (line["has_gateway"], refused.status_code) == (False, 409)
        assert refused.json()["code"] == "resend_without_gateway"
        page = api.get("/backlog", key="operator").text
        assert 'action="/backlog/resends"' not in page
        api.send(batch(6, [3.0] * 5, gateway={"version": "1.0.0"}))
        assert asked(api, 1).status_code == 200
        assert 'action="/backlog/resends"' in api.get("/backlog", key="operator").text


def test_it_stands_in_the_audit_with_its_reason(api: Api) -> None:
    asked(api, 41)
    [line] = api.get("/v1/audit", params={"what": "resend_asked"}).json()["entries"]
    values = line["values"]
    assert (values["first"], values["last"], values["reason"]) == (41, 90, "the disk was swapped")


class OverTheApp:
    """A link to the app in this process."""

    def __init__(self, api: Api) -> None:
        self._api = api

    def send(self, request: Request) -> Reply:
        """One request with the device's key."""
        headers = {**request.headers, "Content-Type": request.headers.get("Content-Type", "application/json")}
        answer = self._api.request(
            request.method, request.path, key="device", headers=headers, content=request.body
        )
        headers = {name.lower(): value for name, value in answer.headers.items()}
        return Reply(status=answer.status_code, headers=headers, body=answer.content, trusted=True)

    def close(self) -> None:
        """Nothing is open."""


def test_a_real_gateway_sends_all_of_it_again_once_and_is_level_after(
    sqlite_database_url: str, tmp_path: Path
) -> None:
    """The uplink as it is released, with its spool on disk: it was not changed for this."""
    with in_process(sqlite_database_url) as api:
        api.register()
        clock = settable_clock()
        api.clock.now_us = clock.true_us() + 3_600_000_000  # after all that is read here
        spool = open_spool(tmp_path / "a", clock)
        uplink = Uplink(
            spool,
            OverTheApp(api),
            clock=clock,
            random=lambda: 0.5,
            log=lambda *_, **__: None,
            max_readings=7,
        )

        def drain() -> None:
            for _ in range(200):
                step = uplink.step()
                if step.idle:
                    return
                clock.advance(step.wait_s)
            raise AssertionError("not drained")

        spool.append(readings(1, 40))
        drain()
        [line] = api.get("/v1/streams").json()["streams"]
        assert line["acknowledged_through"] == 40
        body = {"first": 11, "reason": "the disk was swapped"}
        assert api.post(f"/v1/streams/{line['stream']}/resends", body).status_code == 200
        spool.append(readings(41, 42))
        drain()
        [after] = api.get("/v1/streams").json()["streams"]
        assert (after["acknowledged_through"], after["sends_again"], after["gap"]) == (42, None, 0)
        [of_stream] = api.account()["streams"]
        assert (of_stream["stored"], of_stream["conflicts"], of_stream["balances"]) == (42, 0, True)
        # 11 to 40 came again; 41 and 42 too, where they were on their way when it was asked.
        assert 30 <= of_stream["duplicates"] <= 32
        spool.close()
