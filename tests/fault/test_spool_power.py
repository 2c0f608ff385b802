"""
Power is cut after every single I/O operation of a spool's life, and the disk errs or is full at every one.

As SQLite tests itself (sqlite.org/testing.html, sections on crash, I/O error and out-of-space testing), on a
simulated disk that discards, tears or reorders what was not synced.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import apsw
import pytest

from cleanside.gateway.errors import TryAgain
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import SettableClock
from tests.unit.gateway.helpers import numbers, open_spool, readings, server_anchor, settable_clock
from tests.unit.gateway.simulated_disk import SURVIVALS, Disk, Survival


@dataclass
class Promised:
    """What the spool has told its caller so far."""

    appended: list[int] = field(default_factory=list)  # seq - 1 -> reading
    mark: int = 0
    shed: set[int] = field(default_factory=set)

    def copy(self) -> Promised:
        return Promised(list(self.appended), self.mark, set(self.shed))


class Life:
    """A scripted life of one spool on one disk; the step in progress goes from `before` to `after`."""

    def __init__(self, disk: Disk, path: Path) -> None:
        self.disk = disk
        self.path = path
        self.clock: SettableClock = settable_clock()
        self.spool: Spool | None = None
        self.before = Promised()
        self.after = Promised()
        self.next_reading = 1

    # -------------------------------------------------------- steps

    def open(self) -> None:
        self.spool = open_spool(self.path, self.clock, vfs=self.disk.vfs)

    def close(self) -> None:
        assert self.spool is not None
        self.spool.close()
        self.spool = None

    def append(self, count: int) -> Callable[[], None]:
        def step() -> None:
            assert self.spool is not None
            first = self.next_reading
            self.next_reading += count
            self.after.appended += range(first, first + count)
            given = self.spool.append(readings(first, first + count - 1), source="csv-1", mark=str(first))
            assert given == range(len(self.before.appended) + 1, len(self.after.appended) + 1)

        return step

    def acknowledge(self, through: int) -> Callable[[], None]:
        def step() -> None:
            assert self.spool is not None
            self.spool.peek()
            self.after.mark = max(self.before.mark, through)
            self.spool.acknowledge(self.spool.open_stream, through)

        return step

    def rewind(self, through: int) -> Callable[[], None]:
        def step() -> None:
            assert self.spool is not None
            self.after.mark = min(self.before.mark, through)
            self.after.shed |= self.pruned(through)
            self.spool.rewind(self.spool.open_stream, through)

        return step

    def pruned(self, through: int) -> set[int]:
        return set(range(through + 1, self.before.mark + 1))  # may be declared: a rewind says what was pruned

    def shed(self, first: int, last: int) -> Callable[[], None]:
        def step() -> None:
            assert self.spool is not None
            self.after.shed |= set(range(first, last + 1))
            self.spool.shed(self.spool.open_stream, first, last, reason="disk_budget")

        return step

    def prune(self) -> None:
        assert self.spool is not None
        self.spool._room.prune()

    def checkpoint(self) -> None:
        assert self.spool is not None
        self.spool._disk.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def anchor(self) -> None:
        assert self.spool is not None
        self.spool.anchor(server_anchor(self.clock))

    def script(self) -> list[Callable[[], None]]:
        """Every verb, with checkpoints and restarts between them."""
        return [
            self.open,
            self.append(3),
            self.append(1),
            self.acknowledge(2),
            self.anchor,
            self.append(40),
            self.checkpoint,
            self.append(2),
            self.acknowledge(20),
            self.prune,
            self.append(1),
            self.close,
            self.open,
            self.shed(30, 34),
            self.rewind(10),
            self.append(5),
            self.checkpoint,
            self.acknowledge(40),
            self.prune,
            self.append(1),
            self.close,
            self.open,
            self.append(300),
            self.append(1),
            self.acknowledge(200),
            self.append(1),
            self.prune,
            self.rewind(150),
            self.append(2),
        ]

    def live(self) -> bool:
        """Go through the script; False if the disk failed on the way."""
        for step in self.script():
            try:
                step()
            except (TryAgain, apsw.Error):
                return False
            self.before = self.after.copy()
        return True

    def drop(self) -> None:
        """The process is gone, as after a key-off: nothing more is written."""
        if self.spool is not None:
            with suppress(apsw.Error):
                self.spool._disk.connection.close(True)
            self.spool._disk.file_lock.release()
            self.spool = None


def check(spool: Spool, life: Life) -> None:
    """The disk holds what was promised before the step in progress, or after it, and nothing between."""
    before, after = life.before, life.after
    (state,) = spool.state().streams
    assert state.appended_through in (len(before.appended), len(after.appended)), (
        "an append is lost, or half there"
    )
    assert state.acknowledged_through in (before.mark, after.mark)
    assert spool._disk.connection.execute("PRAGMA integrity_check").get == "ok"
    promised = after if state.appended_through == len(after.appended) else before
    through = state.acknowledged_through
    held: dict[int, int] = {}
    while (batch := spool.peek(max_readings=5000)) is not None:
        declared = {n for entry in batch.shed for n in range(entry.first, entry.last + 1)}
        assert declared <= before.shed | after.shed, "given up without being told to"
        held |= dict(zip(batch.seq or (), numbers(batch), strict=True))
        last = max([*(batch.seq or ()), *declared])
        assert sorted([*(batch.seq or ()), *declared]) == list(range(through + 1, last + 1)), (
            "a gap, or twice"
        )
        through = last
        spool.acknowledge(batch.stream or "", last)
    assert through == state.appended_through
    assert held == {n: promised.appended[n - 1] for n in held}, "another reading under its number"
    assert spool.append(readings(9001, 9001)) == range(state.appended_through + 1, state.appended_through + 2)


@pytest.fixture(autouse=True)
def meant_failures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Failures of the simulated disk that SQLite has no way to pass on, at closing for example, are meant."""
    reported = sys.unraisablehook

    def hook(unraisable: sys.UnraisableHookArgs) -> None:
        if not isinstance(unraisable.exc_value, apsw.Error):
            reported(unraisable)

    monkeypatch.setattr(sys, "unraisablehook", hook)


def operations_of_a_life(tmp_path: Path) -> int:
    disk = Disk()
    life = Life(disk, tmp_path / "count")
    assert life.live()
    disk.unregister()
    return disk.operations


def crash(tmp_path: Path, at: int, survival: Survival, chance: random.Random) -> Life:
    """A life whose power is cut at operation `at`, on the disk as the next boot finds it."""
    disk = Disk()
    life = Life(disk, tmp_path / "a")
    disk.cut_power_at(at)
    life.live()
    life.drop()
    life.disk = disk.power_on(survival, chance)
    return life


@pytest.mark.parametrize("name", SURVIVALS)
def test_nothing_lost_when_the_power_is_cut_after_any_operation(tmp_path: Path, name: str) -> None:
    chance = random.Random(name)
    total = operations_of_a_life(tmp_path)
    assert total > 300
    for at in range(1, total + 1):
        life = crash(tmp_path, at, SURVIVALS[name], chance)
        life.open()
        assert life.spool is not None
        check(life.spool, life)
        life.drop()
        life.disk.unregister()
    report(f"{total} crash points, unsynced writes: {name}")


def report(figures: str) -> None:
    """What was tried: `pytest -n 0 -s` shows it."""
    print(f"spool: {figures}; nothing lost, doubled or reordered")  # noqa: T201


@pytest.mark.parametrize("name", ["nothing", "torn", "reordered"])
def test_nothing_lost_when_the_power_is_cut_again_while_the_spool_recovers(tmp_path: Path, name: str) -> None:
    chance = random.Random(f"{name} twice")
    total = operations_of_a_life(tmp_path)
    tried = 0
    for at in range(5, total + 1, 17):
        for again in range(1, 40, 3):
            life = crash(tmp_path, at, SURVIVALS[name], chance)
            life.disk.cut_power_at(again)
            tried += 1
            with suppress(TryAgain, apsw.Error):
                life.open()
            recovered = life.disk.operations < again
            life.drop()
            life.disk = life.disk.power_on(SURVIVALS[name], chance)
            life.open()
            assert life.spool is not None
            check(life.spool, life)
            life.drop()
            life.disk.unregister()
            if recovered:
                break
    report(f"{tried} crash points in recovery, unsynced writes: {name}")


def failing(disk: Disk, at: int, *, lasting: bool, full: bool) -> None:
    """Operation `at` fails, and all later ones if `lasting`; a full disk fails only what makes files grow."""

    def fault(number: int, what: str) -> None:
        due = number >= at if lasting else number == at
        if due and full and what in ("write", "create"):
            raise apsw.FullError("the disk is full")
        if due and not full:
            raise apsw.IOError(f"{what} failed")

    disk.fault = fault


def go_on_through(life: Life) -> tuple[list[int], list[list[int]]]:
    """A caller that does not give up: what its appends returned for, and what each that raised was for."""
    returned: list[int] = []
    raised: list[list[int]] = []
    for step in [life.open, *[life.append(1), life.append(3), life.checkpoint] * 8]:
        if life.spool is None and step != life.open:
            with suppress(TryAgain):
                life.open()
        if life.spool is None:
            continue
        life.after = life.before.copy()
        try:
            step()
        except (TryAgain, apsw.Error):
            raised.append(life.after.appended[len(life.before.appended) :])
            continue
        returned += life.after.appended[len(life.before.appended) :]
        life.before = life.after.copy()
    return returned, raised


@pytest.mark.parametrize("lasting", [False, True], ids=["once", "from then on"])
@pytest.mark.parametrize("full", [False, True], ids=["I/O error", "disk full"])
def test_an_append_returns_only_for_what_is_on_disk_when_the_disk_fails(
    tmp_path: Path, lasting: bool, full: bool
) -> None:
    """
    The caller goes on after the fault, and the disk works again at the end: what returned is there, once.

    An append that raised is not there. Only after the next boot one of them may be, behind all that returned:
    its commit had reached the log before the disk failed, and nothing was written over it.
    """
    total = operations_of_a_life(tmp_path)
    for at in range(1, total + 1):
        disk = Disk()
        life = Life(disk, tmp_path / "a")
        failing(disk, at, lasting=lasting, full=full)
        returned, raised = go_on_through(life)
        disk.fault = lambda _number, _what: None
        if life.spool is None:
            life.open()
        assert life.spool is not None
        assert numbers(life.spool.peek(max_readings=5000)) == returned
        life.drop()
        after = Life(disk.power_on(SURVIVALS["nothing"], random.Random(at)), tmp_path / "a")
        after.open()
        assert after.spool is not None
        held = numbers(after.spool.peek(max_readings=5000))
        assert held[: len(returned)] == returned
        assert held[len(returned) :] in ([], *raised)
        after.drop()
        after.disk.unregister()
    report(f"{total} points of {'lasting' if lasting else 'single'} {'full disk' if full else 'I/O error'}")


def insist(life: Life, step: Callable[[], None], *, patience: int) -> None:
    """A caller that tries a step again until it is done; the disk works again after `patience` failures."""
    for failures in range(10):
        if failures == patience:
            life.disk.fault = lambda _number, _what: None
        life.after = life.before.copy()
        try:
            step()
        except (TryAgain, apsw.Error):
            continue
        life.before = life.after.copy()
        return
    raise AssertionError("the step never succeeds, though the disk works again")


@pytest.mark.parametrize("lasting", [False, True], ids=["once", "from then on"])
@pytest.mark.parametrize("full", [False, True], ids=["I/O error", "disk full"])
def test_every_verb_can_be_tried_again_when_the_disk_fails_at_any_operation(
    tmp_path: Path, lasting: bool, full: bool
) -> None:
    """Append, acknowledge, rewind, prune, shed, anchor, checkpoint, close, open; then the power goes too."""
    total = operations_of_a_life(tmp_path)
    points = range(
        1 + lasting, total + 1, 2
    )  # every other one, to spare time: once the odd, for good the even
    for at in points:
        life = Life(Disk(), tmp_path / "a")
        failing(life.disk, at, lasting=lasting, full=full)
        for step in life.script():
            insist(life, step, patience=2)
        life.drop()
        life.disk = life.disk.power_on(SURVIVALS["nothing"], random.Random(at))
        life.open()
        assert life.spool is not None
        check(life.spool, life)
        life.drop()
        life.disk.unregister()
    report(
        f"{len(points)} points of {'lasting' if lasting else 'single'} {'full disk' if full else 'I/O error'}"
    )
