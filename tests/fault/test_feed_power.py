"""A recording, readings that are refused, and a key-off between them: no row twice, none skipped."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from cleanside.gateway.commands.feed import Feed
from cleanside.gateway.errors import TryAgain
from tests.unit.gateway.helpers import numbers, open_spool, settable_clock
from tests.unit.gateway.simulated_disk import SURVIVALS, Disk, PowerCut

ROWS = 26
REFUSED = range(5, ROWS + 1, 7)  # beyond 2^53: the spool takes them from no source


class Recording:
    """A recorded file that is fed from where it was left, boot after boot."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        cells = [f"3.0,{2**60 if n in REFUSED else n}" for n in range(1, ROWS + 1)]
        (folder / "run.csv").write_text("\n".join(["dp,n", *cells, ""]))
        self.entry = {
            "use": "csv",
            "path": str(folder / "run.csv"),
            "columns": {"dp": "restriction kPa", "n": "engine_speed r/min"},
            "start": "2026-12-02T06:00:00Z",
            "step_s": 10,
            "pace": 1,  # a row each 10 s: each has a commit of its own, with its mark
        }
        self.refused: list[str] = []

    def feed(self, disk: Disk, stop: threading.Event) -> list[int]:
        """Feed until the end or the power cut; returns what the spool holds then, if it can be asked."""
        clock = settable_clock()
        try:
            spool = open_spool(self.folder / "a", clock, vfs=disk.vfs)
        except TryAgain:
            return []
        try:
            Feed(spool, self.entry, number=1, clock=clock, log=self._log, stop=stop).run()
            return [] if stop.is_set() else numbers(spool.peek(max_readings=5000))
        finally:
            with suppress(TryAgain):
                spool.close()

    def _log(self, name: str, **_: object) -> None:
        if name == "gateway.reading_refused":
            self.refused.append(name)


def test_a_power_cut_between_rows_and_refused_readings_repeats_no_row_and_skips_none(tmp_path: Path) -> None:
    """The power goes at every third operation; the next boot goes on behind the last row that is kept."""
    wanted = [n for n in range(1, ROWS + 1) if n not in REFUSED]
    whole = Disk()
    (tmp_path / "whole").mkdir()
    recording = Recording(tmp_path / "whole")
    assert recording.feed(whole, threading.Event()) == wanted
    assert len(recording.refused) == len(REFUSED)
    whole.unregister()
    chance = random.Random(20261202)
    for at in range(1, whole.operations + 1, 3):
        folder = tmp_path / str(at)
        folder.mkdir()
        recording = Recording(folder)
        disk, cut = Disk(), threading.Event()
        disk.fault = power_off(at, cut)
        recording.feed(disk, cut)
        disk = disk.power_on(SURVIVALS[chance.choice(sorted(SURVIVALS))], chance)
        assert recording.feed(disk, threading.Event()) == wanted, f"the power was cut at operation {at}"
        disk.unregister()


def power_off(at: int, cut: threading.Event) -> Callable[[int, str], None]:
    """From operation `at` on nothing works, and no process is there to try again."""

    def fault(number: int, _: str) -> None:
        if number >= at:
            cut.set()
            raise PowerCut("the power is off")

    return fault
