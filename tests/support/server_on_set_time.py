"""
The server's own command on the time that a file says: `python -m tests.support.server_on_set_time FILE ...`.

All else is as `python -m cleanside.ingest` has it: a process, a database on disk, HTTP on loopback. Whoever
holds the file can also have the fleet learned on a day of theirs, and then only then (`learn_when_told`).

The file holds three integers of eight bytes, little end first: microseconds since 1970, learnings asked for
(negative: the server learns on its own schedule), learnings done.
"""

from __future__ import annotations

import mmap
import sys
import time
from pathlib import Path

from cleanside.ingest.analysis.knowledge import BeforeUse, Snapshots, nothing_first
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.api import app
from cleanside.ingest.api.routes.services import ServingApp, services_in
from cleanside.ingest.cli import main
from cleanside.ingest.settings import Settings
from cleanside.ingest.writer import system_clock
from cleanside.ingest.writer.resources import NowUs, Resources

CELLS = 3
TIME_US, ASKED, DONE = range(CELLS)
LOOK_EVERY_S = 0.02
LEARNED_WITHIN_S = 120.0


class Told:
    """The file, as both sides see it: an aligned integer is there whole or not at all."""

    def __init__(self, file: Path) -> None:
        if not file.exists():
            file.write_bytes(b"".join(value.to_bytes(8, "little", signed=True) for value in (0, -1, 0)))
        with file.open("r+b") as opened:
            self._cells = memoryview(mmap.mmap(opened.fileno(), 8 * CELLS)).cast("q")

    def __getitem__(self, cell: int) -> int:
        return int(self._cells[cell])

    def __setitem__(self, cell: int, value: int) -> None:
        self._cells[cell] = value

    def set_time(self, at_s: float) -> None:
        """The server's clock stands at this time from now on."""
        self[TIME_US] = round(at_s * 1e6)

    def learn_when_told(self) -> None:
        """From now on the fleet is learned by `learn` only."""
        self[ASKED] = self[DONE]

    def learn(self) -> None:
        """Have the fleet learned now, and wait until it is."""
        self[ASKED] = self[DONE] + 1
        deadline = time.monotonic() + LEARNED_WITHIN_S
        while self[DONE] < self[ASKED]:
            if time.monotonic() > deadline:
                raise RuntimeError(f"the server did not learn the fleet within {LEARNED_WITHIN_S:g} s")
            time.sleep(LOOK_EVERY_S)


class ObedientSnapshots(Snapshots):
    """Learns on its schedule while the file leaves it to it, and when the file asks from then on."""

    def __init__(self, told: Told) -> None:
        super().__init__()
        self._told = told

    def refresh(
        self,
        resources: Resources,
        memory: Memory,
        *,
        at_once: bool = False,
        before_use: BeforeUse | None = nothing_first,
    ) -> None:
        if self._told[ASKED] < 0:
            super().refresh(resources, memory, at_once=at_once, before_use=before_use)
        elif self._told[DONE] < self._told[ASKED]:
            super().refresh(resources, memory, at_once=True, before_use=before_use)
            self._told[DONE] = self._told[ASKED]


def run(file: Path, words: list[str]) -> int:
    """Run the command on the file's time."""
    told = Told(file)

    def clock() -> int:
        return told[TIME_US]

    create_app = app.create_app

    def create_obedient(settings: Settings, *, clock: NowUs = clock, analyse: bool = True) -> ServingApp:
        made = create_app(settings, clock=clock, analyse=analyse)
        services_in(made).snapshots = ObedientSnapshots(told)
        return made

    app.create_app = create_obedient
    system_clock.now_us = clock
    return main(words)


if __name__ == "__main__":
    sys.exit(run(Path(sys.argv[1]), sys.argv[2:]))
