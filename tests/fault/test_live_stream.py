"""A visit that looks on: the stream says what changes, and holds up no server that stops."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import httpx

from cleanside.ingest.console.visit_live import MOST_OF_ONE
from tests.support.gatewaying import wait_until
from tests.support.serving import DEVICE, STREAM, ServerProcess, batch

LIVE = "/visit/grader-07/live"


def register(server: ServerProcess) -> None:
    with server.client("admin") as client:
        client.post("/v1/machines", json={"machine": "grader-07"}).raise_for_status()
        client.post("/v1/devices", json={"device": DEVICE, "machine": "grader-07"}).raise_for_status()


def events_of(response: httpx.Response) -> Iterator[dict[str, Any]]:
    """What each event carries, as it comes."""
    for line in response.iter_lines():
        if line.startswith("data: "):
            yield json.loads(line.removeprefix("data: "))


def test_a_reading_shows_on_a_page_that_looks_on(server: ServerProcess) -> None:
    register(server)
    with server.client("admin") as client, client.stream("GET", LIVE) as response:
        assert response.headers["content-type"].startswith("text/event-stream")
        events = events_of(response)
        assert set(next(events)) == {"says", "stay", "live", "link", "checks", "entered"}
        with server.client("device") as device:
            device.post("/v1/readings", json=batch(1, [3.05], stream=STREAM)).raise_for_status()
        shown = next(event["live"] for event in events if "live" in event)
        assert "3.05" in shown


def test_what_was_entered_comes_as_it_stands_on_the_page(server: ServerProcess) -> None:
    """The form that corrects an entry names the zone of whoever looks: the stream did not know it."""
    register(server)
    with server.client("planner") as client:
        form = {"kind": "element_change", "what": "new", "housing": "main"}
        assert client.post("/visit/grader-07", data=form).status_code == 303
        page = client.get("/visit/grader-07").text
        with client.stream("GET", LIVE) as response:
            entered = next(events_of(response))["entered"]
    assert "UTC" in entered
    assert entered.strip() in page


def test_a_server_that_stops_ends_its_streams_in_good_order(server: ServerProcess) -> None:
    """One that were cut off would raise here, after uvicorn had waited for it in vain."""
    register(server)
    with server.client("admin") as client, client.stream("GET", LIVE) as response:
        events = events_of(response)
        next(events)
        assert server.stop() == 0
        assert [event for event in events if not event] == []


def test_one_person_leaves_room_for_others(server: ServerProcess) -> None:
    register(server)
    as_program = {"Accept": "application/json"}
    with ExitStack() as stack, server.client("admin") as client, server.client("planner") as other:
        opened = [stack.enter_context(client.stream("GET", LIVE)) for _ in range(MOST_OF_ONE)]
        assert [response.status_code for response in opened] == [200] * MOST_OF_ONE
        with client.stream("GET", LIVE, headers=as_program) as further:
            assert (further.status_code, further.headers["retry-after"]) == (503, "30")
        with other.stream("GET", LIVE) as response:
            assert response.status_code == 200
        opened[0].close()
        wait_until(lambda: opens(client), "the place of the one that was closed is free")


def opens(client: httpx.Client) -> bool:
    with client.stream("GET", LIVE) as response:
        return response.status_code == 200


def test_one_that_is_refused_takes_no_place(server: ServerProcess) -> None:
    with server.client("admin") as client:
        answers = [client.get(LIVE) for _ in range(MOST_OF_ONE + 2)]
    assert {answer.status_code for answer in answers} == {404}


def test_a_machine_that_is_not_there_is_refused_before_the_stream_begins(server: ServerProcess) -> None:
    with server.client("admin") as client:
        answer = client.get(LIVE, headers={"Accept": "application/json"})
    assert (answer.status_code, answer.json()["code"]) == (404, "unknown_machine")
