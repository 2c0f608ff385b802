"""What people enter at the machine: kept, numbered, placed in time, sent once and in order."""

from __future__ import annotations

from pathlib import Path

import pytest

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.errors import CalledWrongly
from cleanside.gateway.spool.machine_entries import KEPT, MOST_WAITING, EntriesToSend
from cleanside.gateway.spool.queue import Spool
from tests.support.coded import refused
from tests.unit.gateway.helpers import BEGIN_US, open_spool, readings, server_anchor, settable_clock

NEW = {"what": "new", "note": "", "by": "T. Wolny"}


def to_send(spool: Spool) -> list[tuple[int, str]]:
    batch = spool.next_entries()
    return [] if batch is None else [(entry.seq, entry.entry_id) for entry in batch.entries]


def sent(spool: Spool) -> EntriesToSend:
    batch = spool.next_entries()
    assert batch is not None
    return batch


def test_an_entry_waits_for_its_time_as_a_reading_does(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        assert spool.enter("e-1", NEW, ago_us=600_000_000)
        assert spool.next_entries() is None
        spool.anchor(server_anchor(clock))
        (entry,) = sent(spool).entries
        assert (entry.seq, entry.entry_id, entry.content) == (1, "e-1", NEW)
        assert abs(entry.at_us - (BEGIN_US - 600_000_000)) < 2_000
        assert entry.at_uncertainty_s == 0.2, "0.05 s at the anchor, 100 ppm over ten minutes, rounded up"


def test_a_time_once_given_stays_whatever_anchors_say_later(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.anchor(server_anchor(clock, uncertainty_us=30_000_000))
        spool.enter("e-1", NEW)
        before = sent(spool)
        clock.advance(7_200)
        spool.anchor(server_anchor(clock, uncertainty_us=1_000))
        assert sent(spool) == before


def test_the_same_id_is_the_same_entry(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.anchor(server_anchor(clock))
        assert spool.enter("e-1", NEW)
        assert not spool.enter("e-1", {**NEW, "note": "again"})
        assert to_send(spool) == [(1, "e-1")]


def test_entries_are_numbered_apart_from_readings_and_go_on_after_every_restart(tmp_path: Path) -> None:
    clock = settable_clock()
    for life in range(3):
        with open_spool(tmp_path / "a", clock) as spool:
            spool.anchor(server_anchor(clock))
            spool.append(readings(life * 5 + 1, life * 5 + 5))
            spool.enter(f"e-{life}", NEW)
    with open_spool(tmp_path / "a", clock) as spool:
        assert to_send(spool) == [(1, "e-0"), (2, "e-1"), (3, "e-2")]
        spool.acknowledge_entries(sent(spool).stream, 2)
        assert to_send(spool) == [(3, "e-2")]
        assert [(e.entry_id, e.is_at_server) for e in spool.entries(most=9)] == [
            ("e-2", False),
            ("e-1", True),
            ("e-0", True),
        ]
        assert spool.state().backlog == 15, "readings are not touched"
    assert verify(tmp_path / "a") == []


def test_a_taking_back_stays_through_a_key_off_and_goes_after_its_entry(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.enter("e-1", NEW)
    clock.key_off(off_s=3_600, boot_id="boot-2")
    with open_spool(tmp_path / "a", clock) as spool:
        spool.enter("e-2", {"what": "takes_back", "of": "e-1", "note": "", "by": "T. Wolny"})
    clock.key_off(off_s=3_600, boot_id="boot-3")
    with open_spool(tmp_path / "a", clock) as spool:
        assert spool.next_entries() is None, "neither has a time yet"
        spool.anchor(server_anchor(clock))
        first, second = sent(spool).entries
        assert (first.entry_id, second.content["of"]) == ("e-1", "e-1")
        assert first.at_us <= second.at_us


def test_a_number_is_never_given_again_after_all_was_acknowledged(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.anchor(server_anchor(clock))
        spool.enter("e-1", NEW)
        spool.acknowledge_entries(sent(spool).stream, 1)
        assert spool.next_entries() is None
        spool.enter("e-2", NEW)
        assert to_send(spool) == [(2, "e-2")]


def test_a_server_that_has_less_is_sent_again_what_is_kept(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.anchor(server_anchor(clock))
        for number in range(4):
            spool.enter(f"e-{number}", NEW)
        stream = sent(spool).stream
        spool.acknowledge_entries(stream, 4)
        assert [asked.stream for asked in spool.entry_streams()] == [stream]
        spool.acknowledge_entries(stream, 1)
        assert to_send(spool) == [(2, "e-1"), (3, "e-2"), (4, "e-3")]


def test_what_the_server_has_is_bounded_and_says_from_where_it_is_kept(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.anchor(server_anchor(clock))
        for number in range(KEPT + 20):
            spool.enter(f"e-{number}", NEW)
            if number % 40 == 39:
                spool.acknowledge_entries(sent(spool).stream, number + 1)
        stream = sent(spool).stream
        spool.acknowledge_entries(stream, KEPT + 20)
        assert len(spool.entries(most=KEPT * 2)) == KEPT
        (asked,) = spool.entry_streams()
        assert asked.kept_from == 21
        spool.acknowledge_entries(stream, 3)
        assert to_send(spool)[0] == (21, "e-20")


def test_too_many_that_wait_are_refused_and_those_that_wait_stay(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        for number in range(MOST_WAITING):
            spool.enter(f"e-{number}", NEW)
        with refused(CalledWrongly, "entries_full"):
            spool.enter("one more", NEW)
        assert not spool.enter("e-3", NEW), "what is kept already is no fault"
        assert len(spool.entries(most=10_000)) == MOST_WAITING


def test_an_entry_of_a_boot_that_was_never_told_the_time_is_bracketed(tmp_path: Path) -> None:
    """As its readings are, and also where it has none."""
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.anchor(server_anchor(clock))
    clock.key_off(off_s=3_600, boot_id="boot-2")
    clock.advance(100)
    with open_spool(tmp_path / "a", clock) as spool:
        spool.enter("e-1", NEW)
    true_us = clock.true_us()
    clock.key_off(off_s=3_600, boot_id="boot-3")
    with open_spool(tmp_path / "a", clock) as spool:
        assert spool.next_entries() is None
        spool.anchor(server_anchor(clock))
        (entry,) = sent(spool).entries
        assert entry.at_uncertainty_s is not None
        assert abs(entry.at_us - true_us) <= entry.at_uncertainty_s * 1e6


def test_a_copied_disk_goes_on_in_a_stream_of_its_own(tmp_path: Path) -> None:
    clock = settable_clock()
    traits = {"machine": "a"}
    with open_spool(tmp_path / "a", clock, traits=lambda _: traits) as spool:
        spool.anchor(server_anchor(clock))
        spool.enter("e-1", NEW)
        before = sent(spool).stream
        spool.acknowledge_entries(before, 1)
    traits = {"machine": "b"}
    with open_spool(tmp_path / "a", clock, traits=lambda _: traits) as spool:
        spool.enter("e-2", NEW)
        after = sent(spool)
        assert (after.stream != before, [entry.seq for entry in after.entries]) == (True, [1])


@pytest.mark.parametrize("is_placed", [True, False])
def test_entries_of_a_damaged_file_are_carried_over_with_their_ids(tmp_path: Path, is_placed: bool) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        if is_placed:
            spool.anchor(server_anchor(clock))
        spool.append(readings(1, 50))
        for number in range(3):
            spool.enter(f"e-{number}", NEW)
        if is_placed:
            spool.acknowledge_entries(sent(spool).stream, 1)
    damage_a_note(tmp_path / "a")
    with open_spool(tmp_path / "a", clock) as spool:
        assert list(tmp_path.glob("a.damaged-*")), "it was set aside"
        spool.anchor(server_anchor(clock))
        left = ["e-1", "e-2"] if is_placed else ["e-0", "e-1", "e-2"]
        assert to_send(spool) == list(enumerate(left, 1))
        times = {entry.at_us for entry in sent(spool).entries}
        assert all(abs(at_us - BEGIN_US) < 5_000_000 for at_us in times)


def test_entries_that_cannot_be_read_any_more_are_declared(tmp_path: Path) -> None:
    """At the shop somebody has to ask what was done: with the file that was set aside."""
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.enter("e-1", NEW)
    (tmp_path / "a").write_bytes(b"\xff" * 50_000)
    with open_spool(tmp_path / "a", clock) as spool:
        told = [event.content for event in spool.unconfirmed(None).events]
    assert {"kept_as": "a.damaged-1", "entries": "unreadable"}.items() <= told[0].items()


def damage_a_note(path: Path) -> None:
    """One row of a small table is not as it was written; the rest is whole."""
    raw = path.read_bytes()
    at = raw.index(b"installation")
    path.write_bytes(raw[:at] + b"j" + raw[at + 1 :])
