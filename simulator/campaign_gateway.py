"""
The gateway's own program on a clock of a campaign: `python -m cleanside.simulator.campaign_gateway PLAN`.

Promises: spool, uplink, sources and settings are those of `cleanside-gateway run`. Only the clock is the
campaign's: a boot begins when the campaign says so, the wall clock is as wrong as the campaign says, and the
boot's clock runs as fast or slow as a cheap crystal may.
Leaves to others: starting and ending it (`tried_gateway.py`).
"""

from __future__ import annotations

import json
import logging
import mmap
import os
import sys
import threading
import time
from dataclasses import asdict, dataclass
from pathlib import Path

from cleanside.gateway.commands.run import Gateway
from cleanside.gateway.commands.stop_signals import stop_on_signals
from cleanside.gateway.errors import GatewayError
from cleanside.gateway.settings import load
from cleanside.gateway.timing.clock import Anchor
from cleanside.gateway.uplink.network import SystemNetwork

EXIT_NOT_STARTED = 3
EXIT_WITH_LOSS = 4
_STEP_BYTES = 8


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockPlan:
    """One boot of a machine, as its gateway meets it. Written as JSON."""

    settings: str
    boot: str
    #: CLOCK_BOOTTIME of the bench when this boot began [us]
    began_us: int
    #: how fast the boot's clock runs ahead of true time [1e-9]
    drift_ppb: int
    #: half width that the machine itself states of UTC [us]; None: it knows nothing
    known_within_us: int | None
    #: file of eight bytes: how far the wall clock is ahead of the truth [us]
    step_file: str

    def as_json(self) -> str:
        """The plan as text."""
        return json.dumps(asdict(self))


class WallStep:
    """How far a wall clock is off, shared between the campaign and a gateway by a file."""

    def __init__(self, file: Path) -> None:
        if not file.exists():
            file.write_bytes(bytes(_STEP_BYTES))
        with file.open("r+b") as opened:
            self._cell = memoryview(mmap.mmap(opened.fileno(), _STEP_BYTES)).cast("q")

    @property
    def us(self) -> int:
        """Microseconds ahead of the truth."""
        return int(self._cell[0])

    def set(self, us: int) -> None:
        """From now on it is so far ahead."""
        self._cell[0] = us


class CampaignClock:
    """The bench's clocks, seen through a boot and a wall clock of the campaign's making."""

    def __init__(self, plan: ClockPlan) -> None:
        self._plan = plan
        self._step = WallStep(Path(plan.step_file))

    def utc_us(self) -> int:
        """What the wall clock shows."""
        return max(0, time.time_ns() // 1000 + self._step.us)

    def since_boot_us(self) -> int:
        """Since the boot that the campaign began."""
        passed_us = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1000 - self._plan.began_us
        return passed_us + passed_us * self._plan.drift_ppb // 10**9

    def boot_id(self) -> str:
        """The boot that the campaign named."""
        return self._plan.boot

    def evidence(self) -> Anchor | None:
        """The true time as far as this machine is said to know it: off by nearly all that it states."""
        within_us = self._plan.known_within_us
        if within_us is None:
            return None
        off_us = within_us * 9 // 10 * (1 if self._plan.drift_ppb >= 0 else -1)
        return Anchor(
            kind="ntp",
            since_boot_us=self.since_boot_us(),
            utc_us=time.time_ns() // 1000 + off_us,
            uncertainty_us=within_us,
        )

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait in real time."""
        return event.wait(seconds)


def main() -> int:
    """Run the gateway of the plan named on the command line."""
    plan = ClockPlan(**json.loads(Path(sys.argv[1]).read_text()))
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    logging.getLogger("httpx").setLevel(logging.WARNING)
    try:
        settings = load({"settings": plan.settings}, {})
        clock = CampaignClock(plan)
        network = SystemNetwork(settings.uplink_server or "", now_us=clock.since_boot_us)
        gateway = Gateway(settings, clock=clock, network=network, environ=os.environ, tells=True)
    except GatewayError as error:
        print(f"not started: {error}", file=sys.stderr)
        return EXIT_NOT_STARTED
    stop_on_signals(gateway.stop)
    return EXIT_WITH_LOSS if gateway.run() else 0


if __name__ == "__main__":
    sys.exit(main())
