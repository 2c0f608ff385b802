"""A simulated year of boots: true times lie inside the stated intervals, whatever the clocks show."""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import Anchor, SettableClock
from cleanside.gateway.wire import Batch, Reading, encode
from tests.unit.gateway.helpers import BEGIN_US, UNITS, numbers, open_spool

YEAR_US = 365 * 86_400_000_000


def open_unsynced(path: Path, clock: SettableClock, **more: Any) -> Spool:
    """A spool that does not wait for the disk: time is what is shown here, not power cuts."""
    spool = open_spool(path, clock, **more)
    spool._disk.connection.execute("PRAGMA synchronous=OFF")
    return spool


class Machine:
    """A machine that is keyed on and off for a year, with the truth beside what it says."""

    def __init__(self, path: Path, chance: random.Random) -> None:
        self.path = path
        self.chance = chance
        self.clock = SettableClock(utc_us=BEGIN_US, boot_id="boot-0")
        self.clock.drift_ppb = chance.randint(-60_000, 60_000)
        self.truth: list[int] = []  # reading -> true time
        self.told: dict[int, tuple[int, float]] = {}  # reading -> time and half width as sent
        #: the last true time that the machine knew: what a saved-time clock shows after a boot
        self.known_us = 0
        self.boots = 0
        self.anchored = 0

    def day(self) -> None:
        for _ in range(self.chance.choice([1, 2, 3, 6])):
            self.boot()
        self.clock.key_off(off_s=self.chance.uniform(8, 16) * 3600, boot_id=f"boot-{self.boots}")

    def boot(self) -> None:
        self.boots += 1
        self.clock.key_off(off_s=self.chance.uniform(20, 5000), boot_id=f"boot-{self.boots}")
        self.wrong()
        # A budget that holds some weeks: acknowledged readings go, and with them what is known of boots.
        with open_unsynced(self.path, self.clock, budget_bytes=200_000) as spool:
            anchored = False
            for _ in range(self.chance.randint(1, 4)):
                self.clock.advance(self.chance.uniform(1, 5000))
                self.measure(spool)
                if self.chance.random() < 0.12:
                    self.wrong()  # the wall clock jumps in the middle of a boot
                if self.chance.random() < 0.24:
                    spool.anchor(self.anchor())
                    anchored = True
            self.anchored += anchored
            if anchored and self.chance.random() < 0.3:
                self.send(spool)

    def measure(self, spool: Spool) -> None:
        self.truth.append(self.clock.true_us())
        values = {"restriction": 3.0, "engine_speed": len(self.truth) - 1}
        spool.append([Reading(values=values, units=UNITS)])

    def wrong(self) -> None:
        """The wall clock: saved time plus uptime, 1970, years ahead, true by chance; none of it an anchor."""
        shown = self.chance.choice(["saved", "saved", "unset", "ahead", "true"])
        true_us = self.clock.true_us()
        shows = {"saved": self.known_us, "unset": 0, "ahead": true_us + 10**14, "true": true_us}[shown]
        self.clock.wrong_by_us = shows - true_us

    def anchor(self) -> Anchor:
        kind, half_us = self.chance.choice([("gps", 50_000), ("ntp", 20_000), ("server", 800_000)])
        self.known_us = self.clock.true_us()
        return Anchor(
            kind=kind,
            since_boot_us=self.clock.since_boot_us(),
            utc_us=self.clock.true_us() + self.chance.randint(-half_us, half_us),
            uncertainty_us=half_us,
        )

    def send(self, spool: Spool) -> None:
        """All that can go goes; a reply is lost now and then, and what goes again says the same."""
        before: Batch | None = None
        while (batch := spool.peek(max_readings=50)) is not None:
            if before is not None:
                assert encode(batch) == encode(before)
                before = None
            elif self.chance.random() < 0.3:
                before = batch
                continue
            for index, number in enumerate(numbers(batch)):
                at_us, half_s = batch.at_us[index], batch.uncertainty_s(index)
                assert at_us is not None
                assert half_s is not None
                assert number not in self.told
                self.told[number] = (at_us, half_s)
            spool.acknowledge(batch.stream or "", list(batch.seq or ())[-1])


@pytest.mark.parametrize("year", [1, 2])
def test_true_times_lie_inside_the_stated_intervals_over_a_year_of_boots(tmp_path: Path, year: int) -> None:
    machine = Machine(tmp_path / "a", random.Random(year))
    while machine.clock.true_us() < BEGIN_US + YEAR_US:
        machine.day()
    machine.clock.key_off(off_s=60, boot_id="last")
    with open_unsynced(machine.path, machine.clock) as spool:
        machine.measure(spool)
        spool.anchor(machine.anchor())
        machine.send(spool)
        assert spool.state().boots_not_placed == 0
        kept = spool._disk.connection.execute("SELECT count(*) FROM boots").get
    assert list(machine.told) == list(range(len(machine.truth))), "sent in order, each once"
    assert machine.boots > 900
    assert 0.2 < machine.anchored / machine.boots < 0.8, "both kinds of boots are there"
    outside = [
        number
        for number, true_us in enumerate(machine.truth)
        if abs(machine.told[number][0] - true_us) > machine.told[number][1] * 1e6
    ]
    assert outside == []
    times = [machine.told[number][0] for number in range(len(machine.truth))]
    steps = [b - a for a, b in pairwise(times)]
    assert sum(step < 0 for step in steps) / len(steps) < 0.001
    assert kept < machine.boots / 2, "boots of which the spool has nothing are forgotten"
    halves = sorted(half for _, half in machine.told.values())
    assert halves[len(halves) // 4] <= 1.0, "a boot with an anchor is placed within a second"
