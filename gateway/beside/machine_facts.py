"""
What the page says of the machine at one moment: values, checks, backlog, link, entries.

Promises: reads beside the running spool on a connection of its own, which never writes, at most once in two
seconds however often the page is asked for: neither an append nor the uplink waits for it.
Leaves to others: the checks (`gateway.spot_checks`), words (`gateway.beside.spot_page`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from cleanside.gateway.beside.kept_visit import KeptVisit
from cleanside.gateway.beside.watch import Around, LastValue, Watch
from cleanside.gateway.errors import TryAgain
from cleanside.gateway.spool.file import one_view
from cleanside.gateway.spool.machine_entries import count_waiting_entries
from cleanside.gateway.spool.state import SpoolState, read_state
from cleanside.gateway.spot_checks import Check
from cleanside.gateway.timing.clock import Clock

_READ_EVERY_US: Final = 2_000_000  # chosen: a person does not read faster


@dataclass(frozen=True, kw_only=True, slots=True)
class SpoolFacts:
    """What the spool said when it was last read."""

    state: SpoolState
    power_cycles: int
    entries_waiting: int


@dataclass(frozen=True, kw_only=True, slots=True)
class MachineFacts:
    """All that the page shows."""

    device: str
    values: Sequence[LastValue]
    checks: Sequence[Check]
    #: of the last minutes: how long ago [s], level [dBm]
    signal: Sequence[tuple[float, float]]
    #: readings that the server has not acknowledged; None: the spool cannot be read now
    backlog: int | None
    #: age of the oldest of them [s]; None: none waits, or its time is not known
    oldest_s: float | None
    #: entries made here that the server does not have; None: the spool cannot be read now
    entries_waiting: int | None
    #: as `gateway.uplink.link_view` tells it; None: the gateway only collects
    link: Mapping[str, Any] | None
    #: of the machine's gauge and change limit; None: not set
    gauge_unit: str | None = None


class FactFinder:
    """Gathers the facts. Of one thread."""

    def __init__(
        self,
        path: Path,
        *,
        device: str,
        watch: Watch,
        clock: Clock,
        link: Callable[[], Mapping[str, Any] | None],
        marks_at_start: Mapping[str, int],
        visit: KeptVisit | None = None,
        gauge_unit: str | None = None,
    ) -> None:
        """
        path : of the spool. link : how the link stands, None where there is none.

        marks_at_start : stream -> acknowledged through, when the gateway started: the link of this visit
        counts, not that of last month. visit : checks that passed before a key-off; None: none are kept
        gauge_unit : of the machine's gauge and change limit, None: not set
        """
        self._visit = visit
        self._path = path
        self._device = device
        self._watch = watch
        self._clock = clock
        self._link = link
        self._gauge_unit = gauge_unit
        self._read_us: int | None = None
        self._spool: SpoolFacts | None = None
        self._marks_at_start = dict(marks_at_start)

    def facts(self) -> MachineFacts:
        """The facts of this moment."""
        spool = self._spool_facts()
        state = None if spool is None else spool.state
        oldest_us = None if state is None else state.oldest_at_us
        return MachineFacts(
            device=self._device,
            values=self._watch.values(),
            checks=self._checks(spool),
            signal=self._watch.signal_dbm(),
            backlog=None if state is None else state.backlog,
            oldest_s=None if oldest_us is None else max(0.0, (self._clock.utc_us() - oldest_us) / 1e6),
            entries_waiting=None if spool is None else spool.entries_waiting,
            link=self._link(),
            gauge_unit=self._gauge_unit,
        )

    def _checks(self, spool: SpoolFacts | None) -> Sequence[Check]:
        live = self._watch.checks(self._around(spool))
        return live if self._visit is None else self._visit.checks(live)

    def _spool_facts(self) -> SpoolFacts | None:
        now_us = self._clock.since_boot_us()
        if self._read_us is None or now_us - self._read_us >= _READ_EVERY_US:
            self._read_us = now_us
            self._spool = _read(self._path)
        return self._spool

    def _around(self, spool: SpoolFacts | None) -> Around:
        if spool is None:
            return Around(acknowledged=0, power_cycles=0, clock_uncertainty_s=None, anchor=None)
        boot = spool.state.boot
        return Around(
            acknowledged=self._acknowledged(spool.state),
            power_cycles=spool.power_cycles,
            clock_uncertainty_s=None if boot is None else boot.uncertainty_s,
            anchor=None if boot is None else boot.anchor,
        )

    def _acknowledged(self, state: SpoolState) -> int:
        """Readings acknowledged since the gateway started."""
        return sum(
            max(0, stream.acknowledged_through - self._marks_at_start.get(stream.stream, 0))
            for stream in state.streams
        )


def _read(path: Path) -> SpoolFacts | None:
    """What the spool says; None where it cannot be read now."""
    try:
        with one_view(path) as connection:
            boots = int(connection.execute("SELECT count(*) FROM boots").get)
            return SpoolFacts(
                state=read_state(connection, path=path),
                power_cycles=max(0, boots - 1),
                entries_waiting=count_waiting_entries(connection),
            )
    except TryAgain:
        return None
