"""
A spool was copied before its time was known: its readings came twice, under two times; a person discards one.

Found in a campaign: 53 readings of a copied spool were stored twice, and nothing could tell them apart.
"""

from __future__ import annotations

import html
import re
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.console.wording import table
from tests.support.serving import DEVICE, STREAM, Api, batch

COPY = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"
PATH = "/v1/quarantine/discards"
COUNT = 5
WHY = {"reason": "the disk was copied in the workshop"}


def timed(
    first: int, values: list[float], *, stream: str, late_s: float = 0.0, half_s: float = 2.0
) -> dict[str, Any]:
    """Readings with a width; late_s : another placement of the same boot."""
    made = batch(first, values, stream=stream)
    start_us = parse_instant("2026-03-02T06:00:00Z").us
    for n, reading in enumerate(made["readings"]):
        at_us = start_us + (n + 1) * 10_000_000 + round(late_s * 1e6)
        reading |= {"at": instant_text(at_us), "at_uncertainty_s": half_s}
    return made


VALUES = [3.0 + n / 10 for n in range(COUNT)]


def copied(
    api: Api, *, values: list[float] = VALUES, late_s: float = 3.0, through: int | None = COUNT
) -> None:
    """The first readings, the copy's in conflict with them, and the copy's again under numbers of its own."""
    api.register()
    api.send(timed(1, VALUES, stream=STREAM))
    answer = api.send(timed(1, values, stream=STREAM, late_s=late_s))
    assert [(q["seq"], q["last_seq"], q["code"]) for q in answer["quarantined"]] == [
        (1, COUNT, "number_conflict")
    ]
    said = {"at_seq": 1, "event": "spool_copied", "differs": ["machine"], "before": STREAM}
    said |= {} if through is None else {"through": through}
    again = timed(1, values, stream=COPY, late_s=late_s) | {"gateway": {"events": [said]}}
    assert api.send(again)["stored"] == COUNT


def discard(api: Api, expect: int = 200, **body: Any) -> dict[str, Any]:
    given = {"where": {"device": DEVICE}, "same_reading": True} | WHY | body
    response = api.post(PATH, given, key="operator")
    assert response.status_code == expect, response.text
    document: dict[str, Any] = response.json()
    return document


def stored(api: Api) -> dict[str, int]:
    document = api.account()
    assert document["balances"], document
    return {line["stream"]: line["stored"] for line in document["streams"]}


def asked(api: Api) -> list[tuple[int, str]]:
    """What attention asks about."""
    groups = {group["group"]: group["entries"] for group in api.get("/v1/attention").json()["groups"]}
    return [(e["count"], e["value"]) for e in groups["in_conflict"] if e["code"] == "copied_reading"]


def test_the_second_is_offered_previewed_discarded_and_brought_back(api: Api) -> None:
    copied(api)
    assert asked(api) == [(COUNT, f"{STREAM} up to {COUNT}")]
    preview = discard(api, preview=True)
    assert (preview["amendment_id"], preview["entries"], stored(api)[COPY]) == (None, COUNT, COUNT)
    done = discard(api)
    assert stored(api) == {STREAM: COUNT, COPY: 0}
    assert asked(api) == []
    assert api.send(timed(1, VALUES, stream=COPY, late_s=3.0))["duplicates"] == COUNT
    undone = api.post(f"/v1/quarantine/amendments/{done['amendment_id']}/undo", {}, key="operator")
    assert undone.json()["stored"] == COUNT
    assert stored(api) == {STREAM: COUNT, COPY: COUNT}
    assert asked(api) == [(COUNT, f"{STREAM} up to {COUNT}")]


def test_the_page_shows_the_question_and_does_what_the_person_chooses(api: Api) -> None:
    copied(api)
    group = {"code": "copied_reading", "device": DEVICE}
    page = api.get("/quarantine", key="operator").text
    assert str(table("en")["quarantine.code.copied_reading"]) in page
    assert f"/quarantine/group?code=copied_reading&amp;device={DEVICE}" in page
    shown = api.get("/quarantine/group", params=group, key="operator").text
    assert shown.count('role="rowheader"') == COUNT
    assert re.findall(r'name="way" value="(\w+)"', shown) == ["same_reading"]
    wish = group | {"way": "same_reading", "value": "the disk was copied"}
    preview = api.get("/quarantine/group", params=wish, key="operator").text
    assert stored(api)[COPY] == COUNT
    seen = dict(re.findall(r'name="(as_previewed)" value="(\w+)"', preview))
    done = api.request("POST", "/quarantine/repairs", key="operator", data=wish | seen)
    assert done.headers["location"].endswith(f"given_up={COUNT}&left=0")
    assert stored(api) == {STREAM: COUNT, COPY: 0}


def test_every_reading_of_the_group_is_reached_page_by_page_and_each_alone(api: Api) -> None:
    copied(api)
    at = f"/quarantine/group?code=copied_reading&device={DEVICE}&limit=2"
    numbers: list[str] = []
    while at:
        shown = api.get(at, key="operator").text
        numbers += re.findall(r'role="rowheader">(\d+)<', shown)
        [more] = re.findall(r'<a class="button" href="([^"]*cursor=[^"]*)"', shown) or [""]
        at = html.unescape(more)
    assert numbers == ["1", "2", "3", "4", "5"]
    [last] = re.findall(r'href="([^"]*entry=\d+[^"]*)"', shown)
    alone = api.get(html.unescape(last), key="operator").text
    assert re.findall(r'role="rowheader">(\d+)<', alone) == ["5"]
    assert "cursor=" not in alone


@pytest.mark.parametrize(
    "more",
    [
        pytest.param({"values": [4.0] * COUNT}, id="other values"),
        pytest.param({"late_s": 4.5}, id="times apart"),
        pytest.param({"through": None}, id="a gateway that does not say so"),
    ],
)
def test_without_the_whole_evidence_nothing_is_offered(api: Api, more: dict[str, Any]) -> None:
    copied(api, **more)
    assert asked(api) == []
    assert discard(api)["entries"] == 0
    entries = [entry["entry"] for entry in api.get("/v1/quarantine").json()["entries"]]
    given = {"entries": entries, "same_reading": True} | WHY
    refused = api.post(PATH, given, key="operator")
    assert (refused.status_code, refused.json()["code"]) == (422, "change_does_not_fit")
    assert stored(api) == {STREAM: COUNT, COPY: COUNT}


def test_numbers_that_the_copied_file_did_not_have_are_two_readings(api: Api) -> None:
    copied(api, through=2)
    assert asked(api) == [(2, f"{STREAM} up to 2")]
    assert discard(api)["entries"] == 2
    assert stored(api) == {STREAM: COUNT, COPY: COUNT - 2}
