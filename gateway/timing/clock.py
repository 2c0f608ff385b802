"""
The machine's clocks: what they show, and when they can be trusted.

The machine's clock has no battery, so the wall clock is wrong until something sets it. Promises:
`since_boot_us` only rises within a boot, suspend included, whatever happens to the wall clock. There is an
`Anchor` only where the kernel reports that its clock is disciplined. A clock that merely shows a
saved time plus uptime is no anchor: the kernel calls it unsynchronised.
Leaves to others: turning anchors into times (`gateway.timing.placement`), keeping them
(`gateway.spool.queue`).
"""

from __future__ import annotations

import ctypes
import os
import threading
import time
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

MOST_UNCERTAIN_US: Final = (
    366 * 86_400 * 10**6
)  # of an anchor; chosen: a boot between others is placed better
LATEST_US: Final = 32_503_680_000 * 10**6  # the year 3000; chosen: no boot runs from there to the year 9999
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


@dataclass(frozen=True, kw_only=True, slots=True)
class Anchor:
    """One instant known on both sides: since this boot began, and in UTC."""

    #: where it comes from: "gps", "ntp", "server", "person", or what a caller names
    kind: str
    since_boot_us: int
    #: microseconds since 1970-01-01T00:00:00Z
    utc_us: int
    #: half width of what `utc_us` may be off
    uncertainty_us: int

    @property
    def is_possible(self) -> bool:
        """
        False where it would place a boot at no time that can be written, or says less than a year.

        A receiver without a fix may tell the year 1 or 9999.
        """
        return 0 <= self.uncertainty_us <= MOST_UNCERTAIN_US and 0 <= self.utc_us < LATEST_US


class Clock(Protocol):
    """Time as an argument: callers pass a clock to everything that needs one."""

    def utc_us(self) -> int:
        """Microseconds since 1970 as the wall clock shows it; may be wrong by years."""

    def since_boot_us(self) -> int:
        """Microseconds since this boot began, suspend included; never falls within a boot."""

    def boot_id(self) -> str:
        """Identity of this boot."""

    def evidence(self) -> Anchor | None:
        """The machine's own anchor at this moment, or None where it has none."""

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait until `event` is set (then True) or `seconds` of this clock have passed."""


class SystemClock:
    """The clocks of a Linux machine."""

    def __init__(self) -> None:
        self._boot_id = _read_boot_id()

    def utc_us(self) -> int:
        """Microseconds since 1970 as the wall clock shows it."""
        return time.time_ns() // 1000

    def since_boot_us(self) -> int:
        """CLOCK_BOOTTIME: unlike CLOCK_MONOTONIC it counts suspend too."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1000

    def boot_id(self) -> str:
        """The kernel's identity of this boot."""
        return self._boot_id

    def evidence(self) -> Anchor | None:
        """An anchor where the kernel's clock is disciplined (adjtimex), with the kernel's own error bound."""
        error_us = _kernel_error_us()
        if error_us is None:
            return None
        before_us = self.since_boot_us()
        utc_us = self.utc_us()
        after_us = self.since_boot_us()
        return Anchor(
            kind="ntp",
            since_boot_us=(before_us + after_us) // 2,
            utc_us=utc_us,
            uncertainty_us=error_us + (after_us - before_us) // 2 + 1,
        )

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait in real time."""
        return event.wait(seconds)


def _read_boot_id() -> str:
    try:
        return _BOOT_ID.read_text().strip()
    except OSError:
        # No such file (not Linux, or hidden): each process counts as a boot of its own.
        return str(uuid.uuid4())


_STA_UNSYNC = 0x0040  # adjtimex(2): the clock is not synchronised
_TIME_ERROR = 5


class _Timex(ctypes.Structure):
    """struct timex of <sys/timex.h> up to what is read here, then room for the rest."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 256),
    )


def _kernel_error_us() -> int | None:
    """The kernel's bound on its clock's error [us], or None where the clock is not disciplined."""
    timex = _Timex()  # modes 0: only read
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(timex))
    except (OSError, AttributeError):
        return None
    if state < 0 or state == _TIME_ERROR or timex.status & _STA_UNSYNC:
        return None
    return int(timex.maxerror)


class SettableClock:
    """
    A clock that a test or a simulator sets. A wait advances it at once.

    The wall clock may be wrong (`wrong_by_us`) without the true time being so; `key_off` starts a new boot.
    """

    def __init__(self, *, utc_us: int, since_boot_us: int = 0, boot_id: str = "boot-1") -> None:
        self._lock = threading.Lock()
        self._true_us = utc_us
        self._since_boot_us = since_boot_us
        self._boot_id = boot_id
        #: how far the wall clock is ahead of the truth
        self.wrong_by_us = 0
        #: how fast the boot's clock runs ahead of true time [1e-9]
        self.drift_ppb = 0
        #: half width that `evidence` states; None: the machine knows nothing of UTC
        self.evidence_uncertainty_us: int | None = None

    def utc_us(self) -> int:
        """What the wall clock shows."""
        return self._true_us + self.wrong_by_us

    def true_us(self) -> int:
        """The true time, which only the test knows."""
        return self._true_us

    def since_boot_us(self) -> int:
        """Microseconds since the boot that the test began."""
        return self._since_boot_us

    def boot_id(self) -> str:
        """The boot that the test named."""
        return self._boot_id

    def evidence(self) -> Anchor | None:
        """The true time, if the test allows it."""
        if self.evidence_uncertainty_us is None:
            return None
        return Anchor(
            kind="ntp",
            since_boot_us=self._since_boot_us,
            utc_us=self._true_us,
            uncertainty_us=self.evidence_uncertainty_us,
        )

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Let the time pass at once, and other threads run."""
        if not event.is_set():
            self.advance(seconds)
            os.sched_yield()
        return event.is_set()

    def advance(self, seconds: float) -> None:
        """Let `seconds` of true time pass."""
        with self._lock:
            passed_us = round(seconds * 1e6)
            self._true_us += passed_us
            self._since_boot_us += passed_us + passed_us * self.drift_ppb // 10**9

    def key_off(self, *, off_s: float, boot_id: str) -> None:
        """Cut the power for `off_s` and begin a new boot."""
        with self._lock:
            self._true_us += round(off_s * 1e6)
            self._since_boot_us = 0
            self._boot_id = boot_id
