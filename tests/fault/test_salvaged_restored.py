"""A spool was damaged after the server had its readings, and the server lost them: they come again."""

from __future__ import annotations

from pathlib import Path

import pytest

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.spool.rewind import rewind
from tests.fault.test_spool_rescue import backlog, salvage
from tests.unit.gateway.helpers import open_spool, readings

COUNT = 5_000  # more than one transaction carries


def damaged_after(path: Path, *, acknowledged: int, times: int = 1) -> str:
    """A spool whose head went after so many readings were acknowledged. Returns its stream."""
    with open_spool(path) as spool:
        spool.append(readings(1, COUNT))
        stream = spool.open_stream
        spool.acknowledge(stream, acknowledged)
    for _ in range(times):
        with path.open("r+b") as file:
            file.write(b"\xff" * 100)
        with open_spool(path) as spool:
            salvage(spool)
            if acknowledged < COUNT:
                spool.acknowledge(stream, COUNT)
    return stream


def asked(spool: Spool, stream: str) -> bool:
    return stream in spool.held_streams


@pytest.mark.parametrize("acknowledged", [COUNT, 3_200])
@pytest.mark.parametrize("times", [1, 2])
def test_acknowledged_readings_of_a_damaged_spool_go_again_to_a_server_that_lost_them(
    tmp_path: Path, acknowledged: int, times: int
) -> None:
    stream = damaged_after(tmp_path / "a", acknowledged=acknowledged, times=times)
    with open_spool(tmp_path / "a") as spool:
        assert spool.append(readings(COUNT + 1, COUNT + 3)) == range(1, 4), "collection goes on"
        assert asked(spool, stream), "the server may have to ask for it"
        assert spool.rewind(stream, 100) == COUNT - 100
        held, shed = backlog_of(spool)
        assert held[stream] == list(range(101, COUNT + 1))
        assert not shed
    assert verify(tmp_path / "a") == []


def backlog_of(spool: Spool) -> tuple[dict[str, list[int]], dict[str, dict[int, str]]]:
    """Only of the stream at the front; what the new one holds tells other numbers than it has."""
    (front,) = [stream for stream in spool.state().streams if stream.backlog and stream.state == "forked"]
    spool.acknowledge(spool.open_stream, 3)
    assert front.backlog
    return backlog(spool)


def test_what_is_gone_with_the_file_that_was_set_aside_is_declared(tmp_path: Path) -> None:
    stream = damaged_after(tmp_path / "a", acknowledged=COUNT)
    for file in tmp_path.glob("a.damaged-*"):
        file.unlink()
    with open_spool(tmp_path / "a") as spool:
        assert asked(spool, stream)
        assert spool.rewind(stream, 100) == 0
        held, shed = backlog(spool)
        assert not held[stream]
        assert shed[stream] == dict.fromkeys(range(101, COUNT + 1), "pruned_after_ack")
    assert verify(tmp_path / "a") == []


def test_what_cannot_be_read_any_more_is_declared_and_the_rest_goes_again(tmp_path: Path) -> None:
    stream = damaged_after(tmp_path / "a", acknowledged=COUNT)
    aside = tmp_path / "a.damaged-1"
    size = aside.stat().st_size
    with aside.open("r+b") as file:
        file.seek(size // 2 // 4096 * 4096)
        file.write(b"\xff" * 4096)
    with open_spool(tmp_path / "a") as spool:
        again = spool.rewind(stream, 0)
        assert COUNT - 300 < again < COUNT
        held, shed = backlog(spool)
        assert sorted([*held[stream], *shed[stream]]) == list(range(1, COUNT + 1))
        assert len(held[stream]) == again
    assert verify(tmp_path / "a") == []


def test_a_number_that_was_given_up_is_not_held_as_well(tmp_path: Path) -> None:
    """A person's rewind looks at the spool alone, and declares what is not in it."""
    stream = damaged_after(tmp_path / "a", acknowledged=COUNT)
    assert rewind(tmp_path / "a", stream=stream, first=4_001) == 0
    with open_spool(tmp_path / "a") as spool:
        spool.acknowledge(stream, COUNT)
        assert spool.rewind(stream, 0) == 4_000
        held, shed = backlog(spool)
        assert (held[stream], sorted(shed[stream])) == (list(range(1, 4_001)), list(range(4_001, COUNT + 1)))
    assert verify(tmp_path / "a") == []


def test_a_loss_that_the_damaged_file_declared_is_declared_by_the_new_one(tmp_path: Path) -> None:
    """Its head is gone, so SQLite reads none of it; what a server confirmed before is not said again."""
    path = tmp_path / "a"
    with open_spool(path) as spool:
        spool.append(readings(1, 3))
        spool.event("readings_lost", {"source": "ndjson-1", "count": 7, "id": "one"})
        spool.confirm(spool.unconfirmed("d1").through, "d1")
        spool.event("readings_lost", {"source": "ndjson-1", "count": 9, "id": "other"})
        stream = spool.open_stream
    with path.open("r+b") as file:
        file.write(b"\xff" * 100)
    with open_spool(path) as spool:
        said = [event.content for event in spool.unconfirmed("d1").events]
    lost = [content for content in said if content["event"] == "readings_lost"]
    assert [(content["count"], content["stream"]) for content in lost] == [(9, stream)]
