"""What a visit has shown is there again after a key-off, and the label's code is as hard to get around."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from cleanside.gateway import spot_checks
from cleanside.gateway.beside.kept_visit import MOST_STARTS, SHIFT_US, KeptVisit
from cleanside.gateway.beside.label_code import Doorkeeper
from cleanside.gateway.spot_checks import FAILED, NOT_YET_SEEN, PASSED

CODE = "7K3M-9QAZ"
ZERO = spot_checks.zero([10.0] * 20)
ZERO_OPEN = spot_checks.zero([])
ZERO_BAD = spot_checks.zero([900.0] * 20)


class Machine:
    """A monitor that is keyed off and on: since boot it begins at 0, its clock may be wrong."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "spool.visit"
        self.utc_us = 1_800_000_000_000_000
        self.code = CODE
        self.key_on()

    def key_on(self, *, off_us: int = 0) -> None:
        self.boot_us = 0
        self.utc_us += off_us
        self.visit = KeptVisit(self.path, now_us=lambda: self.boot_us, utc_us=lambda: self.utc_us)
        self.door = Doorkeeper(
            lambda: self.code, now_us=lambda: self.boot_us, random=os.urandom, visit=self.visit
        )


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def shown(machine: Machine) -> str:
    made = machine.door.show(machine.code, address="a")
    assert made is not None
    return made


def test_the_signed_in_phone_stays_signed_in_across_a_key_off(machine: Machine) -> None:
    made = shown(machine)
    machine.key_on(off_us=60_000_000)
    assert machine.door.knows(made)
    assert not machine.door.knows("another")


def test_a_shift_by_the_clock_ends_a_pass_also_while_it_was_off(machine: Machine) -> None:
    made = shown(machine)
    machine.key_on(off_us=SHIFT_US)
    assert not machine.door.knows(made)


def test_a_clock_that_goes_back_gives_a_pass_a_bounded_number_of_starts(machine: Machine) -> None:
    made = shown(machine)
    known = []
    for _ in range(MOST_STARTS + 1):
        machine.key_on(off_us=-1_000_000)
        known.append(machine.door.knows(made))
    assert known == [True] * MOST_STARTS + [False]


def test_a_new_code_ends_every_pass_and_the_file_opens_nothing(machine: Machine) -> None:
    made = shown(machine)
    written = machine.path.read_text()
    assert made not in written
    assert not any(machine.door.knows(part) for part in written.split('"'))
    assert stat.S_IMODE(machine.path.stat().st_mode) == 0o600
    machine.code = "AAAA-BBBB"
    assert not machine.door.knows(made)


@pytest.mark.parametrize("content", [b"", b"[]", b'{"pass x": 1}', b'{"pass x": {"starts": "a"}}', b"\xff"])
def test_a_file_that_cannot_be_read_keeps_nothing(machine: Machine, content: bytes) -> None:
    made = shown(machine)
    machine.path.write_bytes(content)
    machine.key_on()
    assert not machine.door.knows(made)


def test_a_disk_that_takes_no_start_keeps_nothing(machine: Machine) -> None:
    made = shown(machine)
    machine.path.with_name(f"{machine.path.name}.new").mkdir()  # in the way of the draft
    machine.key_on()
    assert not machine.door.knows(made)


def test_a_check_that_passed_has_passed_after_the_key_off(machine: Machine) -> None:
    """The key-off is one of the checks: else all of them could never stand together."""
    assert machine.visit.checks([ZERO_OPEN])[0].verdict == NOT_YET_SEEN
    assert machine.visit.checks([ZERO])[0].verdict == PASSED
    machine.key_on(off_us=60_000_000)
    [check] = machine.visit.checks([ZERO_OPEN])
    assert (check.verdict, check.seen) == (PASSED, ZERO.seen)


def test_a_check_that_fails_now_has_failed_and_is_open_after(machine: Machine) -> None:
    machine.visit.checks([ZERO])
    assert machine.visit.checks([ZERO_BAD])[0].verdict == FAILED
    assert machine.visit.checks([ZERO_OPEN])[0].verdict == NOT_YET_SEEN


def test_checks_of_another_day_are_open_again(machine: Machine) -> None:
    machine.visit.checks([ZERO])
    machine.key_on(off_us=SHIFT_US)
    assert machine.visit.checks([ZERO_OPEN])[0].verdict == NOT_YET_SEEN
