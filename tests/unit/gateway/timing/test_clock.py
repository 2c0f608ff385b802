"""What the machine's clocks show, and what may be believed of it."""

from __future__ import annotations

import threading
import time

from cleanside.gateway.timing import clock as clock_module
from cleanside.gateway.timing.clock import Clock, SettableClock, SystemClock
from tests.unit.gateway.helpers import settable_clock


def test_the_boot_clock_counts_suspend_and_never_falls() -> None:
    clock = SystemClock()
    first = clock.since_boot_us()
    assert abs(first - time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1000) < 1_000_000
    assert clock.since_boot_us() >= first


def test_two_clocks_of_one_boot_name_the_same_boot() -> None:
    assert SystemClock().boot_id() == SystemClock().boot_id()


def test_a_clock_that_the_kernel_calls_unsynchronised_is_no_anchor() -> None:
    # timedatectl's "System clock synchronized" is this same bit of adjtimex(2); here it is read a second way.
    error_us = clock_module._kernel_error_us()
    anchor = SystemClock().evidence()
    assert (anchor is None) == (error_us is None)
    if anchor is not None:
        assert abs(anchor.utc_us - time.time_ns() // 1000) < 5_000_000
        assert anchor.uncertainty_us >= 1


def test_a_wait_ends_when_the_event_is_set() -> None:
    event = threading.Event()
    event.set()
    assert SystemClock().wait(event, 60.0)


def test_the_clock_for_tests_moves_on_when_it_waits() -> None:
    clock: Clock = settable_clock()
    before_us = clock.since_boot_us()
    assert not clock.wait(threading.Event(), 2.5)
    assert clock.since_boot_us() - before_us == 2_500_000


def test_a_key_off_begins_a_new_boot_and_a_wrong_wall_clock_changes_no_truth() -> None:
    clock = SettableClock(utc_us=1_000_000_000, since_boot_us=77, boot_id="first")
    clock.key_off(off_s=30, boot_id="second")
    clock.wrong_by_us = -900_000_000
    assert (clock.boot_id(), clock.since_boot_us()) == ("second", 0)
    assert (clock.true_us(), clock.utc_us()) == (1_030_000_000, 130_000_000)
    assert clock.evidence() is None
