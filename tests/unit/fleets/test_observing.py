"""How a made fleet is handed to an observer: each row once, in order, never before it arrived."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np

from cleanside.gateway.wire import decode
from tests.fleets.making import make_fleet
from tests.fleets.observing import FoundChange, Observation, read, watch, write
from tests.fleets.rest import batch, instant, seconds, weighed_openings
from tests.fleets.truth import Entry, Fleet, IndicatorLook, LimitEntry, Machine, Readings


@cache
def fleet() -> Fleet:
    return make_fleet("plateau", machines=5, days=40, seed=2, interval_s=600.0)


class Noting:
    """Notes what it is handed."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.rows: dict[str, list[slice]] = defaultdict(list)
        self.early: list[str] = []
        self.entries: list[str] = []
        self.looks: list[str] = []
        self.limits = 0

    def set_time(self, now_s: float) -> None:
        assert now_s > self.now_s
        self.now_s = now_s

    def set_limit(self, machine: Machine, limit: LimitEntry) -> None:
        del machine
        self.limits += limit.entered_s <= self.now_s

    def give(self, machine: Machine, readings: Readings, rows: slice) -> None:
        del machine
        self.rows[readings.device].append(rows)
        if readings.received_s[rows].max() > self.now_s:
            self.early.append(readings.device)

    def enter(self, machine: Machine, entry: Entry) -> None:
        del machine
        self.entries.append(entry.entry_id)

    def look(self, machine: Machine, look: IndicatorLook) -> None:
        del machine
        self.looks.append(look.entry_id)

    def evening(self, now_s: float) -> Iterator[Observation]:
        for machine in fleet().machines:
            yield Observation(machine=machine.name, at_s=now_s, state="serving")


def test_each_row_is_handed_over_once_in_order_and_not_before_it_arrived() -> None:
    observer = Noting()
    said = watch(fleet(), observer)
    assert len(said) == len(fleet().machines) * fleet().days
    assert observer.early == []
    last_s = fleet().machines[0].evenings.at_s[-1]
    for machine in fleet().machines:
        for readings in machine.readings:
            handed = observer.rows[readings.device]
            assert [rows.start for rows in handed] == [0, *(rows.stop for rows in handed[:-1])]
            assert handed[-1].stop == np.searchsorted(readings.received_s, last_s, side="right")


def test_each_entry_is_handed_over_once() -> None:
    observer = Noting()
    watch(fleet(), observer)
    last_s = fleet().machines[0].evenings.at_s[-1]
    entered = [e.entry_id for m in fleet().machines for e in m.entries if e.entered_s <= last_s]
    looks = [one.entry_id for m in fleet().machines for one in m.looks if one.entered_s <= last_s]
    limits = sum(limit.entered_s <= last_s for m in fleet().machines for limit in m.limits)
    assert sorted(observer.entries) == sorted(entered)
    assert sorted(observer.looks) == sorted(looks)
    assert (len(set(entered)), observer.limits) == (len(entered), limits)


def test_observations_survive_a_file(tmp_path: Path) -> None:
    said = [
        Observation(
            machine="dozer-01",
            at_s=1.5,
            state="plan",
            causes=frozenset({"flat", "ambient"}),
            share_percent=71.5,
            hours_left=(1.0, 2.0, 3.0),
            due_s=(4.0, 5.0, float("inf")),
            found=(FoundChange(at_s=0.5, kind="new"),),
            questioned=frozenset({"a"}),
        ),
        Observation(machine="dozer-02", at_s=1.5, state="silent"),
    ]
    write(said, {"seed": 3}, tmp_path / "said.json")
    assert read(tmp_path / "said.json") == (said, {"seed": 3})


def test_a_batch_says_what_the_monitor_measured() -> None:
    readings = fleet().machines[2].readings[0]
    rows = slice(40, 90)
    decoded = decode(batch(readings, rows))
    assert len(decoded) == 50
    assert decoded.device == readings.device
    assert [seconds(instant(at_s)) for at_s in readings.at_s[rows]] == [
        round(at_s, 3) for at_s in readings.at_s[rows].tolist()
    ]


def test_a_fall_that_may_be_an_opening_is_asked_about() -> None:
    evidence = [
        {"code": "step_weighed", "values": {"at_s": 7200.0, "likely": "light", "runner": "cleaned"}},
        {"code": "step_weighed", "values": {"at_s": 9000.0, "likely": "light", "runner": "nothing"}},
        {"code": "no_lives", "values": {}},
    ]
    assert list(weighed_openings(evidence)) == [7200.0]
