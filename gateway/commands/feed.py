"""
From a source to the spool: runs a source, restarts it, and loses none of its readings silently.

Promises: a source that fails is reported and started again. A reading that cannot be written is reported, and
affects no other. While the disk takes no writes, a source that can wait waits; readings of one that cannot
wait stay in memory, and losses from memory are counted and reported to the server. What a source could not
read, wholly or in part, is counted and declared to the shop.
Leaves to others: the sources (`gateway.sources`), the disk (`gateway.spool.queue`).
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Any, Final, NamedTuple

from cleanside.gateway.commands.unread import IN_PART, REFUSED, UNREAD_NOTE, Unread
from cleanside.gateway.commands.wanting import Wanting
from cleanside.gateway.errors import NeverAccepted, SpoolUnavailable, TryAgain, why
from cleanside.gateway.log import Log
from cleanside.gateway.sources import Context, Verdicts, find_source, split_entry
from cleanside.gateway.spool.queue import Spool, check
from cleanside.gateway.timing.clock import Anchor, Clock
from cleanside.gateway.wire import Reading

BRIDGE_READINGS: Final = 10_000  # of one source; a quarter of an hour at 10 a second, some 5 MB (chosen)
_NO_ROOM: Final = "lost: the disk took no writes, and there was no more room in memory"
_FIRST_RESTART_S: Final = 1.0  # after a source failed; doubled up to a minute (chosen)
_LONGEST_RESTART_S: Final = 60.0
_WENT_WELL_US: Final = 60_000_000  # a source that ran this long before it failed starts over with short waits
_TIME_EVERY_US: Final = 60_000_000
_APPEND_AGAIN_S: Final = 1.0  # after the disk failed (chosen)


class Held(NamedTuple):
    """Readings that a source emitted together."""

    readings: Sequence[Reading]
    #: since boot
    measured_us: int
    #: called once: None: they are on disk; a text: why they never will be
    then: Callable[[str | None], None] | None = None


class Bridge:
    """
    Readings of a source that cannot wait, while the disk does not take them: bounded, losses counted.

    The newest stay, because they show the present state once the disk works again.
    """

    def __init__(self, *, most: int = BRIDGE_READINGS) -> None:
        self.lock = threading.RLock()
        self._most = most
        self._held: deque[Held] = deque()
        self._count = 0
        #: readings dropped because memory was full, not reported yet
        self.lost = 0

    @property
    def count(self) -> int:
        """How many readings are only in memory."""
        return self._count

    def take(
        self,
        readings: Sequence[Reading],
        measured_us: int,
        then: Callable[[str | None], None] | None = None,
    ) -> None:
        """Add readings, measured at that time since boot; drop the oldest if there are too many."""
        with self.lock:
            self._held.append(Held(readings, measured_us, then))
            self._count += len(readings)
            while self._count > self._most and len(self._held) > 1:
                self.lost += len(self._held[0].readings)
                self.drop_oldest(_NO_ROOM)

    def oldest(self) -> Held | None:
        """The readings to append next."""
        return self._held[0] if self._held else None

    def drop_oldest(self, reason: str | None = None) -> None:
        """Remove them: they are on disk, or, for a reason, never will be."""
        held = self._held.popleft()
        self._count -= len(held.readings)
        if held.then is not None:
            held.then(reason)


class Feed:
    """Runs one source, starts it again when it fails, and appends its readings to the spool."""

    def __init__(
        self,
        spool: Spool,
        entry: Mapping[str, Any],
        *,
        number: int,
        clock: Clock,
        log: Log,
        stop: threading.Event,
        seen: Callable[[Sequence[Reading], int], None] = lambda _readings, _us: None,
    ) -> None:
        """
        seen : shown what is good of the readings that came, and when since boot.
        entry : as in the settings: `use`, perhaps `name`, and the source's own options.
        Raises SourceWrong for a source that does not exist or options that cannot work.
        """
        use, self.name, options = split_entry(entry, number)
        self.ended = threading.Event()
        self._spool = spool
        self._clock = clock
        self._log = log
        self._stop = stop
        self._seen = seen
        self._unread = {event: Unread(event) for event in (REFUSED, IN_PART)}
        self._lost = 0  # dropped because memory was full, over the life of this process
        self._disk_us: int | None = None  # since when the disk takes no writes
        self._disk_reason = ""
        self._failed: tuple[int, str] | None = None  # when the source failed, and why; None: it works
        self._last: tuple[Reading, int] | None = None  # the last reading, and when it came
        self._wanting = Wanting()
        self._bridge = Bridge()
        self._told_us: int | None = None  # when a time from the source was last used
        context = Context(
            name=self.name,
            clock=clock,
            mark=lambda: spool.mark(self.name),
            report=self._report,
            report_part=self._report_part,
            report_unwanted=self._report_unwanted,
            tell_time=self._tell_time,
            lacks_restriction=self._lacks_restriction,
            keep=self._keep,
        )
        self._source = find_source(use)(options, context)

    def run(self) -> None:
        """Run the source until it ends or the gateway stops."""
        failures = 0
        while not self._stop.is_set():
            began_us = self._clock.since_boot_us()
            try:
                self._source.run(self._emit, self._stop)
                self._log("gateway.source_ended", source=self.name, refused=self._unread[REFUSED].count)
                break
            except Exception as error:  # no error of a foreign source may end the gateway
                if self._clock.since_boot_us() - began_us >= _WENT_WELL_US:
                    failures = 0
                self._failed = (self._failed[0] if self._failed else self._clock.since_boot_us(), why(error))
                wait_s = min(_LONGEST_RESTART_S, _FIRST_RESTART_S * 2.0**failures)
                failures = min(failures + 1, 10)
                self._log(
                    "gateway.source_failed",
                    level=logging.ERROR,
                    source=self.name,
                    reason=why(error),
                    again_in_s=wait_s,
                )
                self._clock.wait(self._stop, wait_s)
        self.ended.set()

    @property
    def unwritten(self) -> int:
        """Readings that are only in memory."""
        with self._bridge.lock:
            return self._bridge.count

    def told(self) -> dict[str, Any]:
        """The state of the source in the form of `status`; spans in seconds."""
        now_us = self._clock.since_boot_us()
        failed, last = self._failed, self._last
        return {
            "name": self.name,
            "ended": self.ended.is_set(),
            "failing_s": None if failed is None else (now_us - failed[0]) / 1e6,
            "reason": None if failed is None else failed[1],
            **self._told_unread(),
            "in_memory": self._bridge.count,
            "lost": self._lost + self._bridge.lost,
            "disk_failing_s": None if self._disk_us is None else (now_us - self._disk_us) / 1e6,
            "disk_reason": None if self._disk_us is None else self._disk_reason,
            "last_reading": None if last is None else _told(last[0], (now_us - last[1]) / 1e6),
            **self._wanting.told(now_us),
        }

    def flush(self) -> None:
        """Append the readings in memory, in order, as far as the disk takes them."""
        with self._bridge.lock:
            # First: the lost are older than those in memory, and a process that dies on the way has said so.
            if not self._declare_lost():
                return
            while (held := self._bridge.oldest()) is not None:
                if not self._append(held.readings, held.measured_us, mark=None):
                    return
                self._bridge.drop_oldest()
            self._declare_unread()

    def _declare_unread(self) -> None:
        """Declare what could not be read, when it is time; a disk that takes nothing gets it later."""
        now_us, is_last = self._clock.since_boot_us(), self._stop.is_set() or self.ended.is_set()
        for unread in self._unread.values():
            if (due := unread.due(now_us, is_last=is_last)) is None:
                continue
            event, content, count = due
            try:
                note = (UNREAD_NOTE + self.name, self._told_unread())
                self._spool.declare(event, {"source": self.name, **content}, note=note)
            except TryAgain as error:
                self._disk_fails(error)
                return
            unread.are_declared(count, now_us)
        if is_last and self._last is not None and not any(unread.count for unread in self._unread.values()):
            self._forget_note()

    def _forget_note(self) -> None:
        """A run that could read all ends: what an earlier one could not read is mended."""
        with suppress(TryAgain):
            if self._spool.noted(UNREAD_NOTE + self.name) is not None:
                self._spool.note(UNREAD_NOTE + self.name, None)

    def _told_unread(self) -> dict[str, Any]:
        refused, in_part = self._unread[REFUSED], self._unread[IN_PART]
        return {
            "refused": refused.count,
            "last_refusal": refused.reason,
            "in_part": in_part.count,
            "last_in_part": in_part.reason,
        }

    def _declare_lost(self) -> bool:
        """Declare what was dropped, of other sources too. False: the disk does not take it now."""
        if self._bridge.lost:
            self._spool.lose(self.name, self._bridge.lost)
            self._lost += self._bridge.lost
            self._bridge.lost = 0
        if not self._spool.undeclared:
            return True
        try:
            declared = self._spool.declare_losses()
        except TryAgain as error:
            self._disk_fails(error)
            return False
        for source, count in declared.items():
            self._log("gateway.readings_lost", level=logging.ERROR, source=source, count=count)
        return True

    def _emit(self, readings: Sequence[Reading], *, mark: str | None = None) -> None:
        measured_us = self._came(readings)
        good = [reading for reading in readings if self._refusal(reading) is None]
        self._seen(good, measured_us)
        if mark is None:
            self._bridge.take(good, measured_us)
            self.flush()
            return
        # A source with a mark can wait: it can read again from its mark.
        while not self._append(good, measured_us, mark=mark):
            if self._stop.wait(_APPEND_AGAIN_S):
                raise SpoolUnavailable("stopped_while_waiting", name=self.name)

    def _keep(self, readings: Sequence[Reading], then: Verdicts) -> None:
        measured_us = self._came(readings)
        refusals = [self._refusal(reading) for reading in readings]
        good = [reading for reading, refusal in zip(readings, refusals, strict=True) if refusal is None]

        def settle(reason: str | None) -> None:
            then([refusal or reason for refusal in refusals])

        self._seen(good, measured_us)
        if not good:
            settle(None)
            return
        self._bridge.take(good, measured_us, settle)
        self.flush()

    def _came(self, readings: Sequence[Reading]) -> int:
        """Note that readings arrived, so the source works. Returns when, since boot."""
        measured_us = self._clock.since_boot_us()
        if readings:
            self._last, self._failed = (readings[-1], measured_us), None
            self._wanting.came(readings, measured_us)
        return measured_us

    def _append(self, readings: Sequence[Reading], measured_us: int, *, mark: str | None) -> bool:
        """False: the disk does not take it now."""
        try:
            self._spool.append(
                readings,
                since_boot_us=[measured_us] * len(readings),
                source=self.name if mark is not None else None,
                mark=mark,
            )
        except TryAgain as error:
            self._disk_fails(error)
            return False
        self._disk_us = None
        return True

    def _disk_fails(self, error: TryAgain) -> None:
        self._disk_us = self._clock.since_boot_us() if self._disk_us is None else self._disk_us
        self._disk_reason = str(error)
        self._log("gateway.append_failed", level=logging.ERROR, source=self.name, reason=error)

    def _tell_time(self, anchor: Anchor) -> None:
        """Tie the boot to UTC by the source's time; once a minute at most, to spare the disk."""
        now_us = self._clock.since_boot_us()
        if self._told_us is not None and now_us - self._told_us < _TIME_EVERY_US:
            return
        with suppress(TryAgain):
            if self._spool.anchor(anchor):
                uncertainty_s = anchor.uncertainty_us / 1e6
                self._log("gateway.clock_anchored", kind=anchor.kind, uncertainty_s=uncertainty_s)
            self._told_us = now_us

    def _lacks_restriction(self, why: str) -> None:
        self._wanting.why = why

    def _refusal(self, reading: Reading) -> str | None:
        """Why a reading will never be accepted: reported, and not written; None: it will."""
        try:
            check(reading)
        except NeverAccepted as error:
            self._report("reading_refused", reason=str(error))
            return str(error)
        return None

    def _report(self, what: str, **fields: object) -> None:
        refused = self._unread[REFUSED].add(str(fields.get("reason", what)))
        self._log(f"gateway.{what}", level=logging.WARNING, source=self.name, refused=refused, **fields)

    def _report_part(self, what: str, **fields: object) -> None:
        in_part = self._unread[IN_PART].add(str(fields.get("reason", what)))
        self._log(f"gateway.{what}", level=logging.WARNING, source=self.name, in_part=in_part, **fields)

    def _report_unwanted(self, what: str, **fields: object) -> None:
        refused = self._unread[REFUSED].add(str(fields.get("reason", what)), is_declared=False)
        self._log(f"gateway.{what}", level=logging.WARNING, source=self.name, refused=refused, **fields)


def _told(reading: Reading, age_s: float) -> dict[str, Any]:
    units = reading.units
    values = {name: {"value": value, "unit": units.get(name)} for name, value in reading.values.items()}
    return {"values": values, "age_s": age_s}
