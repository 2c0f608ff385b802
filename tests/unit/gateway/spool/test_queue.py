"""The durable queue: numbers, order, resending, giving up, and what is never silent."""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.errors import CalledWrongly, ReadingRefused, SpoolInUse, UnknownStream
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import Anchor, SettableClock
from cleanside.gateway.version import BUILT, VERSION
from cleanside.gateway.wire import MAX_SHED_RANGES, Reading, ShedRange, decode, encode, parse_instant
from tests.support.coded import refused
from tests.unit.gateway.helpers import (
    DEVICE,
    UNITS,
    numbers,
    open_spool,
    reading,
    readings,
    server_anchor,
    settable_clock,
)


def peeked(spool: Spool, *, max_readings: int = 1000, max_bytes: int = 2**20) -> tuple[str, list[int]]:
    batch = spool.peek(max_readings=max_readings, max_bytes=max_bytes)
    assert batch is not None
    assert batch.stream is not None
    return batch.stream, list(batch.seq or ())


def prune(spool: Spool) -> None:
    """Make the budget just too small, so that what was acknowledged goes, and then large again."""
    spool.budget_bytes = spool.used_bytes() - 1
    spool.make_room()
    spool.budget_bytes = 2**30


# ---------------------------------------------------------------- append and peek


def test_readings_get_numbers_from_one_on_without_a_gap(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        assert spool.append(readings(1, 3)) == range(1, 4)
        assert spool.append(readings(4, 4)) == range(4, 5)


def test_a_reopened_spool_goes_on_where_it_was(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 3))
        before = peeked(spool)
    with open_spool(tmp_path / "a") as spool:
        assert peeked(spool) == before
        assert spool.append(readings(4, 4)) == range(4, 5)
        assert numbers(spool.peek()) == [1, 2, 3, 4]


def test_a_batch_is_the_same_until_it_is_acknowledged(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 9))
        first = spool.peek(max_readings=4)
        assert first is not None
        assert encode(first) == encode(spool.peek(max_readings=4))  # type: ignore[arg-type]
        spool.acknowledge(first.stream or "", 4)
        assert numbers(spool.peek(max_readings=4)) == [5, 6, 7, 8]


def test_a_batch_is_one_that_the_contract_reads_back(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 5))
        batch = spool.peek()
        assert batch is not None
        read = decode(encode(batch))
        assert (read.device, read.seq, list(read.at_us)) == (DEVICE, range(1, 6), list(batch.at_us))
        assert read.columns == batch.columns
        assert read.gateway is not None
        assert read.gateway.appended_through == 5
        assert read.gateway.installation == spool.installation
        assert not read.doubts


def test_a_batch_ends_at_about_the_bytes_asked_for_and_has_at_least_one_reading(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 100))
        assert len(peeked(spool, max_bytes=1)[1]) == 1
        assert 2 <= len(peeked(spool, max_bytes=100)[1]) < 10


def test_readings_of_other_quantities_share_a_batch_and_one_quantity_has_one_unit_in_it(
    tmp_path: Path,
) -> None:
    other = Reading(at=reading(1).at, values={"restriction": 12.0}, units={"restriction": "inH2O"})
    more = Reading(at=reading(1).at, values={"supply_voltage": 27.5}, units={"supply_voltage": "V"})
    with open_spool(tmp_path / "a") as spool:
        spool.append([reading(1), more, reading(3), other])
        batch = spool.peek()
        assert batch is not None
        assert list(batch.seq or ()) == [1, 2, 3]
        assert batch.columns["restriction"] == [0.01, None, 0.03]
        assert batch.columns["supply_voltage"] == [None, 27.5, None]
        spool.acknowledge(batch.stream or "", 3)
        rest = spool.peek()
        assert rest is not None
        assert rest.units == {"restriction": "inH2O"}


def test_one_bad_reading_of_a_call_writes_nothing_of_it(tmp_path: Path) -> None:
    bad = Reading(at=reading(2).at, values={"restriction": math.nan}, units=UNITS)
    with open_spool(tmp_path / "a") as spool:
        with refused(ReadingRefused, "value_out_of_bounds"):
            spool.append([reading(1), bad])
        assert spool.peek() is None
        assert spool.append([reading(3)]) == range(1, 2)


def test_appends_of_many_threads_share_commits_and_each_is_there_once(tmp_path: Path) -> None:
    given: dict[int, range] = {}
    with open_spool(tmp_path / "a") as spool:

        def feed(base: int) -> None:
            for number in range(base, base + 50):
                given[number] = spool.append([reading(number)])

        threads = [threading.Thread(target=feed, args=(base,)) for base in range(0, 400, 50)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        batch = spool.peek()
        assert sorted(numbers(batch)) == list(range(400))
        held = dict(zip(batch.seq or (), numbers(batch), strict=True)) if batch else {}
        assert {number: held[seq.start] for number, seq in given.items()} == {n: n for n in range(400)}


def test_a_source_mark_is_kept_with_the_readings_it_belongs_to(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        assert spool.mark("csv-1") is None
        spool.append(readings(1, 2), source="csv-1", mark="2")
        bad = Reading(at=reading(3).at, values={"restriction": math.inf}, units=UNITS)
        with pytest.raises(ReadingRefused):
            spool.append([bad], source="csv-1", mark="3")
        assert spool.mark("csv-1") == "2"


# ---------------------------------------------------------------- acknowledge and rewind


def test_numbers_never_start_again_even_when_everything_was_acknowledged_and_pruned(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 600))
        stream, seq = peeked(spool, max_readings=5000)
        spool.acknowledge(stream, seq[-1])
        prune(spool)
        assert spool.rewind(stream, 0) == 0, "the spool has nothing any more"
    with open_spool(tmp_path / "a") as spool:
        assert spool.append([reading(1)]).start == 601


def test_a_mark_beyond_what_was_appended_is_refused_and_a_lower_one_changes_nothing(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 5))
        stream, _ = peeked(spool)
        with refused(CalledWrongly, "acknowledged_beyond", appended_through=5, through=6):
            spool.acknowledge(stream, 6)
        spool.acknowledge(stream, 4)
        spool.acknowledge(stream, 2)
        assert numbers(spool.peek()) == [5]
        with pytest.raises(UnknownStream):
            spool.acknowledge("019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11", 1)


def test_a_rewind_sends_again_what_is_still_on_disk(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 10))
        stream, _ = peeked(spool)
        spool.acknowledge(stream, 10)
        assert spool.peek() is None
        assert spool.rewind(stream, 7) == 3
        assert numbers(spool.peek()) == [8, 9, 10]


def test_a_rewind_below_what_is_on_disk_declares_the_rest_pruned(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 1010))
        stream, _ = peeked(spool)
        spool.acknowledge(stream, 1000)
        prune(spool)
        spool.rewind(stream, 3)
        batch = spool.peek()
        assert batch is not None
        assert batch.shed == (ShedRange(4, 1000, "pruned_after_ack"),)
        assert numbers(batch) == list(range(1001, 1011))


# ---------------------------------------------------------------- shed and budget


def test_what_is_shed_is_declared_with_the_next_batch(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 6))
        stream, _ = peeked(spool)
        assert spool.shed(stream, 2, 3, reason="disk_budget") == 2
        assert spool.shed(stream, 4, 4, reason="disk_budget") == 1
        batch = spool.peek()
        assert batch is not None
        assert list(batch.seq or ()) == [1, 5, 6]
        assert batch.shed == (ShedRange(2, 4, "disk_budget"),)


def test_a_batch_of_shed_ranges_alone_is_sent_when_nothing_else_is_left(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 3))
        stream, _ = peeked(spool)
        spool.shed(stream, 1, 3, reason="disk_budget")
        batch = spool.peek()
        assert batch is not None
        assert (len(batch), batch.shed) == (0, (ShedRange(1, 3, "disk_budget"),))
        decode(encode(batch))
        spool.acknowledge(stream, 3)
        assert spool.peek() is None


def test_a_batch_never_has_more_shed_ranges_than_the_contract_allows(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 2 * MAX_SHED_RANGES + 20))
        stream, _ = peeked(spool)
        for seq in range(1, 2 * MAX_SHED_RANGES + 20, 2):
            spool.shed(stream, seq, seq, reason="disk_budget")
        batch = spool.peek(max_readings=5000)
        assert batch is not None
        assert len(batch.shed) == MAX_SHED_RANGES
        decode(encode(batch))
        last = max(batch.shed[-1].last, (batch.seq or [0])[-1])
        spool.acknowledge(stream, last)
        rest = spool.peek(max_readings=5000)
        assert rest is not None
        assert min(rest.shed[0].first, (rest.seq or [last])[0]) == last + 1


def test_a_full_budget_gives_up_acknowledged_readings_first_and_declares_what_else_goes(
    tmp_path: Path,
) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 5000))
        stream, _ = peeked(spool)
        spool.acknowledge(stream, 3000)
        spool.budget_bytes = spool.used_bytes() - 1
        spool.append(readings(5001, 5600))
        assert spool.state().streams[0].shed_waiting == 0, "acknowledged readings make room"
        spool.budget_bytes = spool.used_bytes() // 2
        spool.append(readings(5601, 6200))
        state = spool.state().streams[0]
        assert spool.used_bytes() <= spool.budget_bytes
        assert state.shed_waiting > 0
        assert state.backlog + state.shed_waiting == 6200 - 3000


def test_what_is_in_flight_is_never_given_up(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 6000))
        in_flight = spool.peek(max_readings=100)
        spool.budget_bytes = spool.used_bytes() // 2
        spool.append(readings(6001, 6600))
        assert spool.state().streams[0].shed_waiting > 0
        assert numbers(spool.peek(max_readings=100)) == numbers(in_flight)


# ---------------------------------------------------------------- fork


def test_a_fork_sends_the_old_stream_to_its_end_and_then_the_new_one(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 3))
        old, _ = peeked(spool)
        new = spool.fork("stream_forked")
        assert spool.append(readings(4, 5)) == range(1, 3)
        batch = spool.peek()
        assert batch is not None
        assert (batch.stream, numbers(batch), batch.gateway) == (old, [1, 2, 3], None)
        spool.acknowledge(old, 3)
        assert peeked(spool) == (new, [1, 2])


def test_conflicting_readings_of_a_forked_stream_are_appended_to_the_new_one(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 5))
        old, _ = peeked(spool)
        new = spool.fork("stream_forked")
        spool.acknowledge(old, 5, again=[(4, 5)])
        batch = spool.peek()
        assert batch is not None
        assert (batch.stream, numbers(batch)) == (new, [4, 5])


def test_a_stream_bound_to_another_device_takes_its_readings_along(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 2, timed=False))
        spool.anchor(server_anchor(clock))
        before = spool.peek()
        assert before is not None
        new = spool.fork("stream_bound", move=True)
        batch = spool.peek()
        assert batch is not None
        assert (batch.stream, numbers(batch)) == (new, [1, 2])
        assert list(batch.at_us) == list(before.at_us), "a time once said stays the same under the new number"
        assert batch.at_uncertainty_s == before.at_uncertainty_s


# ---------------------------------------------------------------- time


def test_nothing_of_a_boot_leaves_before_it_is_placed(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 2, timed=False))
        spool.append(readings(3, 3))
        assert spool.peek() is None
        assert spool.state().waits_for_anchor
        spool.anchor(server_anchor(clock))
        assert numbers(spool.peek()) == [1, 2, 3]


def test_a_wrong_jump_of_the_wall_clock_moves_and_reorders_nothing(tmp_path: Path) -> None:
    clock = settable_clock()
    truth = []
    with open_spool(tmp_path / "a", clock) as spool:
        for number in range(1, 6):
            clock.advance(10)
            clock.wrong_by_us = (-1) ** number * 10**12
            truth.append(clock.true_us())
            spool.append([reading(number, timed=False)])
        spool.anchor(server_anchor(clock))
        batch = spool.peek()
        assert batch is not None
        assert [abs((at or 0) - true) <= 100_000 for at, true in zip(batch.at_us, truth, strict=True)] == [
            True
        ] * 5


def test_a_better_anchor_later_never_changes_what_was_said(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 2, timed=False))
        spool.anchor(server_anchor(clock, uncertainty_us=60_000_000))
        said = spool.peek()
        assert said is not None
        clock.advance(60)
        assert spool.anchor(server_anchor(clock, uncertainty_us=1000))
        spool.append(readings(3, 3, timed=False))
        again = spool.peek()
        assert again is not None
        assert list(again.at_us[:2]) == list(said.at_us)
        assert [again.uncertainty_s(i) for i in range(3)] == [100.0, 100.0, 0.002]


def test_a_boot_without_an_anchor_is_placed_once_the_next_one_is(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 1, timed=False))
        spool.anchor(server_anchor(clock))
    clock.key_off(off_s=600, boot_id="boot-2")
    clock.advance(5)
    truth_us = clock.true_us()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(2, 2, timed=False))
        assert numbers(spool.peek()) == [1]
    clock.key_off(off_s=300, boot_id="boot-3")
    with open_spool(tmp_path / "a", clock) as spool:
        assert numbers(spool.peek()) == [1]
        spool.anchor(server_anchor(clock))
        batch = spool.peek()
        assert batch is not None
        assert numbers(batch) == [1, 2]
        half_s = batch.uncertainty_s(1)
        assert half_s is not None
        assert abs((batch.at_us[1] or 0) - truth_us) / 1e6 <= half_s <= 500
        assert batch.gateway is not None
        assert [boot["anchor"] for boot in batch.gateway.boots] == ["server", "bracketed"]


def test_an_anchor_that_tells_nothing_new_writes_nothing(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        assert spool.anchor(server_anchor(clock))
        clock.advance(60)
        assert not spool.anchor(server_anchor(clock))


# ---------------------------------------------------------------- the file


def test_a_spool_is_run_by_one_process_at_a_time(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a"), refused(SpoolInUse, "spool_in_use"):
        open_spool(tmp_path / "a")
    open_spool(tmp_path / "a").close()


def test_a_spool_belongs_to_one_device(tmp_path: Path) -> None:
    open_spool(tmp_path / "a").close()
    with refused(CalledWrongly, "spool_of_another_device", other=DEVICE):
        Spool(tmp_path / "a", device="loader-02-intake", clock=settable_clock())


def test_an_event_goes_with_the_next_reading(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 1))
        spool.event("key_on", {"supply": "switched"})
        spool.append(readings(2, 2))
        batch = spool.peek()
        assert batch is not None
        assert batch.gateway is not None
        assert batch.gateway.events == ({"at_seq": 2, "event": "key_on", "supply": "switched"},)


def test_the_build_date_goes_only_with_times_that_a_clock_of_the_machine_gave(tmp_path: Path) -> None:
    """A recorded file may well cover the day on which the program was built; its times are its own."""
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 2))
        batch = spool.peek()
        assert batch is not None
        assert batch.gateway is not None
        assert (batch.gateway.version, batch.gateway.built) == (VERSION, None)
    clock = settable_clock()
    with open_spool(tmp_path / "b", clock) as spool:
        spool.append(readings(1, 2, timed=False))
        spool.anchor(server_anchor(clock))
        batch = spool.peek()
        assert batch is not None
        assert batch.gateway is not None
        assert batch.gateway.built == BUILT


def test_traffic_is_counted_by_day(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.count_traffic(up_bytes=10, down_bytes=1)
        spool.count_traffic(up_bytes=20, down_bytes=2)
        clock.advance(86_400)
        spool.count_traffic(up_bytes=5, down_bytes=0)
    with open_spool(tmp_path / "a", clock) as spool:
        assert dict(spool.state().traffic) == {"2026-12-02": (30, 3), "2026-12-03": (5, 0)}


def test_a_better_anchor_is_told_as_a_correction_of_its_boot(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 2, timed=False))
        wrong = Anchor(
            kind="server",
            since_boot_us=clock.since_boot_us(),
            utc_us=clock.true_us() + 30_000_000,
            uncertainty_us=60_000_000,
        )
        spool.anchor(wrong)
        clock.advance(10)
        spool.anchor(server_anchor(clock, uncertainty_us=1000))
        spool.append(readings(3, 3, timed=False))
        batch = spool.peek()
        assert batch is not None
        assert batch.gateway is not None
        (event,) = batch.gateway.events
        assert (event["event"], event["boot"], event["at_seq"]) == ("boot_corrected", "boot-1", 3)
        assert event["shift_s"] == pytest.approx(-30, abs=0.01)


def corrections(spool: Spool) -> list[Mapping[str, Any]]:
    return [event.content for event in spool.unconfirmed(None).events]


def loose(clock: SettableClock) -> Anchor:
    """True, and known within a minute."""
    return server_anchor(clock, uncertainty_us=60_000_000)


def test_a_correction_leaves_readings_alone_that_brought_their_own_time(tmp_path: Path) -> None:
    """A fault campaign: the server moved them with the boot that they had nothing to do with."""
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.anchor(loose(clock))
        spool.append(readings(1, 2, timed=False))
        spool.append(readings(3, 4))
        spool.append(readings(5, 7, timed=False))
        clock.advance(10)
        spool.anchor(server_anchor(clock, uncertainty_us=1000))
        (said,) = corrections(spool)
        assert (said["first_seq"], said["at_seq"]) == (5, 8)


def test_a_correction_of_readings_with_their_own_time_alone_is_none(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.anchor(loose(clock))
        spool.append(readings(1, 4))
        clock.advance(10)
        assert spool.anchor(server_anchor(clock, uncertainty_us=1000))
        assert corrections(spool) == []


def test_the_width_of_a_correction_holds_back_to_the_first_reading_that_it_moves(tmp_path: Path) -> None:
    """A boot's clock may run 100 ppm fast or slow: over 10 000 s that is a second."""
    clock = settable_clock()
    clock.drift_ppb = 90_000
    with open_spool(tmp_path / "a", clock) as spool:
        spool.anchor(loose(clock))
        true_us = clock.true_us()
        spool.append(readings(1, 1, timed=False))
        batch = spool.peek()
        clock.advance(10_000)
        spool.anchor(server_anchor(clock, uncertainty_us=1000))
        (said,) = corrections(spool)
    assert batch is not None
    off_s = ((batch.at_us[0] or 0) - true_us) / 1e6 + said["shift_s"]
    assert 0.5 < abs(off_s) <= said["uncertainty_s"] < 2


def test_an_anchor_that_contradicts_the_placement_is_used_for_what_follows_but_not_every_minute(
    tmp_path: Path,
) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.anchor(server_anchor(clock, uncertainty_us=1000))
        used = 0
        for minute in range(180):
            clock.advance(60)
            off_us = 50_000_000 if minute % 2 else 0
            anchor = server_anchor(clock, uncertainty_us=1000)
            used += spool.anchor(replace(anchor, utc_us=anchor.utc_us + off_us))
        assert 1 <= used <= 4


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59.9Z"])
def test_an_anchor_that_leads_out_of_all_years_places_nothing(tmp_path: Path, at: str) -> None:
    """A receiver without a fix may tell it. Placed by it, the file was set aside at the next batch."""
    wrong = Anchor(kind="gps", since_boot_us=3_600_000_000, utc_us=parse_instant(at).us, uncertainty_us=1000)
    with open_spool(tmp_path / "spool.db") as spool:
        spool.append(readings(1, 2, timed=False), since_boot_us=[3_500_000_000, 3_700_000_000])
        assert not spool.anchor(wrong)
        assert spool.peek() is None
        spool.anchor(server_anchor(settable_clock()))
        assert numbers(spool.peek()) == [1, 2]
