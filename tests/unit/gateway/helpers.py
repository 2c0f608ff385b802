"""What the gateway's tests share: a device, readings, a clock, a spool."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cleanside.gateway.spool.host import traits_of
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import Anchor, SettableClock
from cleanside.gateway.wire import Batch, Reading, us_of

DEVICE = "grader-07-intake"
BEGIN = datetime(2026, 12, 2, 6, 0, tzinfo=UTC)
BEGIN_US = us_of(BEGIN)
UNITS = {"restriction": "kPa", "engine_speed": "r/min"}


def reading(number: int, *, timed: bool = True) -> Reading:
    """A reading that tells its number; timed: it brings a trusted time of its own."""
    at = BEGIN + timedelta(seconds=10 * number) if timed else None
    return Reading(at=at, values={"restriction": number / 100, "engine_speed": number}, units=UNITS)


def readings(first: int, last: int, *, timed: bool = True) -> list[Reading]:
    """Readings first..last."""
    return [reading(number, timed=timed) for number in range(first, last + 1)]


def numbers(batch: Batch | None) -> list[int]:
    """Which readings a batch holds, told by their engine speed."""
    if batch is None:
        return []
    return [int(value) for value in batch.columns.get("engine_speed", []) if value is not None]


def settable_clock() -> SettableClock:
    """A clock at the beginning of the scenario, an hour into its first boot."""
    return SettableClock(utc_us=BEGIN_US, since_boot_us=3_600_000_000)


def counted_bytes(start: int = 1) -> Callable[[int], bytes]:
    """Randomness that a test can repeat: each call gives other bytes, the same in each run."""
    counter = itertools.count(start)
    return lambda size: next(counter).to_bytes(size, "big")


def open_spool(
    path: Path, clock: SettableClock | None = None, *, kind: type[Spool] = Spool, **more: object
) -> Spool:
    """The spool of the scenario's device. A file put in its place passes for it, as a whole disk does."""
    given: dict[str, object] = {"traits": _of_the_machine, **more}
    return kind(path, device=DEVICE, clock=clock or settable_clock(), **given)  # type: ignore[arg-type]


def server_anchor(clock: SettableClock, *, uncertainty_us: int = 50_000) -> Anchor:
    """The true time as a server tells it."""
    return Anchor(
        kind="server",
        since_boot_us=clock.since_boot_us(),
        utc_us=clock.true_us(),
        uncertainty_us=uncertainty_us,
    )


def _of_the_machine(path: Path) -> dict[str, str]:
    return {name: value for name, value in traits_of(path).items() if name != "file"}
