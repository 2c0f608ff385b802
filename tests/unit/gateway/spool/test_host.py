"""A spool that was copied is noticed when it is opened, before a number is given twice."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from cleanside.gateway.spool.host import Traits, as_traits, differing, traits_of
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import SettableClock
from cleanside.gateway.wire import Batch
from tests.unit.gateway.helpers import (
    counted_bytes,
    numbers,
    open_spool,
    readings,
    server_anchor,
    settable_clock,
)

HERE = {"machine": "3f", "board": "100000", "file": "12"}


def opened(path: Path, traits: Traits, *, life: int) -> Spool:
    return open_spool(path, traits=lambda _: traits, random=counted_bytes(1_000 * life))


def events(spool: Spool) -> list[str]:
    return [str(event.content["event"]) for event in spool.unconfirmed(None).events]


@pytest.mark.parametrize("changed", [{"machine": "77"}, {"board": "200000"}, {"file": "13"}])
def test_a_copy_goes_on_in_a_new_stream_as_a_new_installation(tmp_path: Path, changed: Traits) -> None:
    with opened(tmp_path / "a", HERE, life=1) as spool:
        spool.append(readings(1, 3))
        before, installation = spool.open_stream, spool.installation
    with opened(tmp_path / "a", {**HERE, **changed}, life=2) as spool:
        assert spool.open_stream != before
        assert spool.installation != installation
        assert spool.append(readings(4, 5)) == range(1, 3)
        [event] = spool.unconfirmed(None).events
        assert event.content == {
            "at_seq": 1,
            "event": "spool_copied",
            "differs": list(changed),
            "before": before,
            "through": 3,
        }
        sent: list[Batch] = []
        while (batch := spool.peek()) is not None:
            sent.append(batch)
            spool.acknowledge(batch.stream or "", (batch.seq or [0])[-1])
        # What lay there when it was copied goes under its own numbers: at the server it is a duplicate.
        assert [(b.stream == before, numbers(b)) for b in sent] == [(True, [1, 2, 3]), (False, [4, 5])]
        again = spool.open_stream, spool.installation
    with opened(tmp_path / "a", {**HERE, **changed}, life=3) as spool:
        assert (spool.open_stream, spool.installation) == again
        assert events(spool) == ["spool_copied"]


def test_an_image_without_readings_is_noticed_too(tmp_path: Path) -> None:
    """One image for many machines, made after the first start: all would have one stream."""
    with opened(tmp_path / "a", HERE, life=1) as spool:
        before = spool.open_stream
    with opened(tmp_path / "a", {**HERE, "board": "200000"}, life=2) as spool:
        assert spool.open_stream != before


def test_what_cannot_be_learned_tells_nothing(tmp_path: Path) -> None:
    for life, traits in enumerate(({}, {"machine": "3f"}, {}, HERE, {"machine": "3f", "file": "12"}), 1):
        with opened(tmp_path / "a", traits, life=life) as spool:
            assert events(spool) == []
            assert len(spool.state().streams) == 1


def test_differing_traits_are_those_known_of_both() -> None:
    assert differing({"a": "1", "b": "2"}, {"b": "3", "c": "4"}) == ["b"]
    assert differing({}, HERE) == []


@pytest.mark.parametrize("noted", [None, "{", "[]", '{"machine": 3}', 7])
def test_a_note_that_is_not_as_it_was_written_tells_nothing(noted: object) -> None:
    assert as_traits(noted) == {}


def test_the_traits_of_a_file_stay_when_it_is_written_to_and_end_with_it(tmp_path: Path) -> None:
    """The file's number is left out where its file system gives another at each mount."""
    path = tmp_path / "a"
    with Spool(path, device="grader-07-intake", clock=settable_clock()) as spool:
        before = traits_of(path)
        spool.append(readings(1, 100))
        assert traits_of(path) == before
    copy = tmp_path / "b"
    copy.write_bytes(path.read_bytes())
    assert differing(before, traits_of(copy)) in (["file"], [])
    assert {"machine", "board", "file"} >= set(before)


def test_times_of_a_copy_hold_though_its_machine_has_been_on_for_longer(tmp_path: Path) -> None:
    """A fault campaign: readings whose time was not known yet were put before the boot of the new machine."""
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock, traits=lambda _: HERE) as spool:
        spool.anchor(server_anchor(clock))
        spool.append(readings(1, 1, timed=False))
    clock.key_off(off_s=60, boot_id="dark")
    with open_spool(tmp_path / "a", clock, traits=lambda _: HERE) as spool:
        clock.advance(10)
        true_us = clock.true_us()
        spool.append(readings(2, 2, timed=False))
    clock.advance(120)
    other = SettableClock(utc_us=clock.true_us(), since_boot_us=7_200_000_000, boot_id="another machine's")
    with open_spool(tmp_path / "a", other, traits=lambda _: {**HERE, "machine": "77"}) as spool:
        spool.append(readings(3, 3, timed=False))
        spool.anchor(server_anchor(other))
        batch = spool.peek()
    assert batch is not None
    assert numbers(batch) == [1, 2]
    assert isinstance(batch.at_uncertainty_s, Sequence)
    assert abs((batch.at_us[1] or 0) - true_us) <= (batch.at_uncertainty_s[1] or 0) * 1e6
    assert (batch.at_uncertainty_s[1] or 0) < 200
