"""Passes of the analysis go round all streams: those that are due again each time keep none from its turn."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from cleanside.ingest.analysis import summarising
from cleanside.ingest.analysis.summarising import run_pass, somewhere
from cleanside.ingest.store import hours
from tests.support.serving import Api, batch, in_process

FIRST, SECOND, LAST = devices = [f"grader-0{number}-intake" for number in range(3)]
STREAM = "019abc00-7e1a-7c3e-8f00-00000000000"


def send(api: Api, device: str, first_seq: int) -> None:
    """One more reading of the same hour."""
    stream = f"{STREAM}{devices.index(device)}"
    api.send(batch(first_seq, [3.0], device=device, stream=stream))


def due(api: Api) -> list[int]:
    with api.resources.reading() as connection:
        return sorted({one.stream_id for one in hours.behind(connection, limit=100)})


@pytest.fixture
def fleet_of_three(database_url: str) -> Iterator[Api]:
    with in_process(database_url, devices=devices) as api:
        for device in devices:
            api.register(device, device.removesuffix("-intake"))
            send(api, device, 1)
        yield api


def test_streams_that_are_always_due_again_do_not_starve_the_last(
    fleet_of_three: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(summarising, "HOURS_A_PASS", 1)
    [_, _, last] = due(fleet_of_three)
    begin = 0
    for number in range(2, 8):
        begin = run_pass(fleet_of_three.resources, begin).begin
        send(fleet_of_three, FIRST, number)
        send(fleet_of_three, SECOND, number)
    assert last not in due(fleet_of_three)


@pytest.mark.parametrize("part", [0.0, 0.4, 0.7, 0.999])
def test_wherever_a_pass_begins_it_takes_every_stream(fleet_of_three: Api, part: float) -> None:
    begin = somewhere(fleet_of_three.resources, part)
    assert 0 <= begin <= max(due(fleet_of_three))
    assert run_pass(fleet_of_three.resources, begin).hours == 3
    assert due(fleet_of_three) == []
