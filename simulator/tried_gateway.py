"""
One gateway of a campaign: a real process with a real spool, fed line by line, struck by faults.

Promises: each line is in the ledger before it is written, and its answer as soon as it comes. A process that
ends by itself is started again after a moment, as a service manager does. Everything waits with a deadline.
Leaves to others: which fault when (`campaign.py`), the process itself (`campaign_gateway.py`).
"""

from __future__ import annotations

import json
import random
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from contextlib import suppress
from pathlib import Path
from typing import IO, Any, Final

from cleanside.gateway import file_modes
from cleanside.gateway.commands import status
from cleanside.gateway.commands.feed import BRIDGE_READINGS
from cleanside.gateway.errors import GatewayError
from cleanside.gateway.spool.aside import set_aside_files
from cleanside.gateway.spool.file import one_view
from cleanside.gateway.spool.state import SpoolState
from cleanside.gateway.spool.unconfirmed import unconfirmed
from cleanside.gateway.wire import instant_text
from cleanside.simulator.campaign_gateway import EXIT_NOT_STARTED, EXIT_WITH_LOSS, ClockPlan, WallStep
from cleanside.simulator.errors import CampaignFailed
from cleanside.simulator.ledger import Ledger, WrittenReading
from cleanside.simulator.small_disk import SmallDisk

ASK_EVERY_S: Final = 2.0  # chosen: a restored server is noticed within a round
END_WITHIN_S: Final = 90.0
AGAIN_AFTER_S: Final = 0.5  # as a service manager would, only sooner
FLOOD_READINGS: Final = BRIDGE_READINGS + 1_500
MOST_SET_ASIDE: Final = 3  # files at a time, where the disk is small
MID_WRITE_READINGS: Final = 400
MID_WRITE_WITHIN_S: Final = 0.03  # they take some 20 ms to read and commit
GROUP_EVERY_S: Final = (0.05, 0.4)
OWN_TIME_SHARE: Final = 0.15  # of the groups: their readings bring their own time
OWN_UNCERTAINTY_S: Final = 0.5
BURST_SHARE: Final = 0.04
_YEAR_US: Final = 365 * 86_400 * 1_000_000
#: bounds of one file's size for a process (getrlimit(2), RLIMIT_FSIZE): nothing can be written; no file can
#: grow; all is well
DEAD_DISK, FULL_DISK, WELL_DISK = 0, 8192, resource.RLIM_INFINITY
#: by SIGTERM too: one that comes while the program is still being loaded ends it before it has begun
_EXPECTED_ENDS: Final = frozenset({0, -signal.SIGKILL, -signal.SIGTERM, EXIT_NOT_STARTED, EXIT_WITH_LOSS})


class TriedGateway:
    """A gateway, its clock, and the technician's programs beside it."""

    def __init__(
        self,
        name: str,
        folder: Path,
        *,
        device: str,
        key: str,
        server: str,
        ledger: Ledger,
        seed: int,
        first_number: int = 1,
        known_within_us: int | None = None,
        budget_bytes: int | None = None,
        in_kpa: bool = False,
        disk: SmallDisk | None = None,
    ) -> None:
        """
        name : its own; a copy has another than its original. first_number : of its readings.
        known_within_us : what the machine itself knows of UTC; None: only the server tells the time.
        budget_bytes : None: the default, which a campaign never fills. in_kpa : else restriction is in Pa.
        disk : a file system of its own for its spool; None: it lies in `folder`, as all else does.
        """
        self.name, self.device, self.folder = name, device, folder
        self.is_small = budget_bytes is not None or disk is not None
        self.is_copied = False
        #: faults carried out
        self.done: Counter[str] = Counter()
        #: what a process said when it ended as none should
        self.crashes: list[str] = []
        self._ledger, self.key, self.in_kpa = ledger, key, in_kpa
        self._known_within_us, self._budget_bytes, self._server = known_within_us, budget_bytes, server
        self._chance = random.Random(f"{seed} {name}")
        self._next_number = first_number
        self._sent = self._heard = 0  # lines and answers of the process that runs
        file_modes.make_folder(folder)
        self._small_disk = disk
        self.spool_path = (folder if disk is None else disk.folder) / f"{device}.spool"
        self._settings, self._key_file = folder / "gateway.toml", folder / "key"
        file_modes.write_text(self._key_file, key)
        self._settings.write_text(self._settings_text())
        self._step = WallStep(folder / "step")
        self._log: IO[bytes] = (folder / "gateway.log").open("ab")
        self._boots = 0
        self._plan = folder / "plan.json"
        self._process: subprocess.Popen[bytes] | None = None
        self._readers: list[threading.Thread] = []
        self._gate = threading.RLock()  # whoever starts or ends the process, or writes to it
        self._should_run = False
        self.is_fed = threading.Event()
        self._is_over = threading.Event()
        self._feeding = threading.Thread(target=self._feed, name=f"feed {name}", daemon=True)
        self.new_boot()

    def _settings_text(self) -> str:
        budget = "" if self._budget_bytes is None else f"budget_bytes = {self._budget_bytes}\n"
        unit = "kPa" if self.in_kpa else "Pa"
        return (
            f"device = {json.dumps(self.device)}\n"
            f"[spool]\npath = {json.dumps(str(self.spool_path))}\n{budget}"
            f"[uplink]\nserver = {json.dumps(self._server)}\nkey_file = {json.dumps(str(self._key_file))}\n"
            f"linger_s = 0.05\ntimeout_s = 4.0\nmax_readings = 500\nask_every_s = {ASK_EVERY_S}\n"
            '[run]\nstop_wait_s = 30.0\n[[sources]]\nuse = "ndjson"\nacknowledge = true\n'
            f'units = {{ restriction = "{unit}", supply_voltage = "V", engine_hours = "s" }}\n'
        )

    # ------------------------------------------------------------ the process

    def new_boot(self) -> None:
        """The machine was dark, and begins a boot now: none begins while the one before still runs."""
        self._boots += 1
        known = self._known_within_us if self._boots % 3 else None  # now and then the sky is hidden
        plan = ClockPlan(
            settings=str(self._settings),
            boot=f"{self.name}-boot-{self._boots}",
            began_us=time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1000,
            drift_ppb=self._chance.randrange(-80_000, 80_000),
            known_within_us=known,
            step_file=str(self.folder / "step"),
        )
        self._plan.write_text(plan.as_json())

    def open(self) -> None:
        """Key on, and readings from now on."""
        self.start()
        self.is_fed.set()
        self._feeding.start()

    def start(self) -> None:
        """Start the process; it is started again whenever it ends, until `stop` or `kill`."""
        with self._gate:
            self._should_run, self._sent, self._heard = True, 0, 0
            command = [sys.executable, "-m", "cleanside.simulator.campaign_gateway", str(self._plan)]
            pipe = subprocess.PIPE
            self._process = process = subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe)
            self._readers = [
                threading.Thread(target=work, args=(process,), daemon=True)
                for work in (self._hear, self._keep_log)
            ]
            for reader in self._readers:
                reader.start()

    def kill(self) -> None:
        """SIGKILL, also while somebody writes to it."""
        self._should_run = False
        if (process := self._process) is not None:
            process.kill()
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """SIGTERM, and wait."""
        self._end(signal.SIGTERM)

    def _end(self, number: signal.Signals) -> None:
        with self._gate:
            self._should_run = False
            process = self._process
            if process is None:
                return
            if process.poll() is None:
                process.send_signal(number)
            self._reap(process)
            self._process = None

    def _reap(self, process: subprocess.Popen[bytes]) -> None:
        try:
            code = process.wait(END_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            self.crashes.append(f"it did not end within {END_WITHIN_S:g} s of SIGTERM")
            code = process.wait(END_WITHIN_S)
        for reader in self._readers:
            reader.join(END_WITHIN_S)
        for pipe in (process.stdin, process.stdout, process.stderr):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()
        if code not in _EXPECTED_ENDS:
            self.crashes.append(f"it ended with {code}; see {self.folder / 'gateway.log'}")

    def close(self) -> None:
        """End feeding and the process, and close its files."""
        self._is_over.set()
        self.is_fed.set()
        if self._feeding.is_alive():
            self._feeding.join(END_WITHIN_S)
        self.stop()
        self._log.close()

    def disk(self, most_bytes: int) -> None:
        """From now on its disk takes that much of a file, and no more."""
        with self._gate:
            if self._process is not None and self._process.poll() is None:
                resource.prlimit(self._process.pid, resource.RLIMIT_FSIZE, (most_bytes, WELL_DISK))

    def _keep_log(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stderr is not None
        for line in process.stderr:
            self._log.write(line)
            self._log.flush()
            if line.startswith(b"Traceback"):
                self.crashes.append(f"a traceback; see {self.folder / 'gateway.log'}")

    # ------------------------------------------------------------ readings

    def _feed(self) -> None:
        while not self._is_over.is_set():
            self.is_fed.wait()
            if self._is_over.is_set():
                return
            size = self._chance.randrange(50, 400) if self._chance.random() < BURST_SHARE else 0
            self.write(size or self._chance.randrange(1, 8))
            self._is_over.wait(self._chance.uniform(*GROUP_EVERY_S))

    def write(self, count: int) -> None:
        """Write readings, if it runs. A process that has ended by itself is started again."""
        with self._gate:
            process = self._process
            if process is None or not self._should_run:
                return
            if process.poll() is not None:
                self._reap(process)
                self._is_over.wait(AGAIN_AFTER_S)
                self.start()
                return
            has_time = self._chance.random() < OWN_TIME_SHARE
            assert process.stdin is not None
            with suppress(OSError, ValueError):  # it was killed meanwhile: no answer will come
                process.stdin.write(b"".join(self._line(has_time=has_time) for _ in range(count)))
                process.stdin.flush()

    def _line(self, *, has_time: bool) -> bytes:
        number, now_us = self._next_number, time.time_ns() // 1000
        self._next_number += 1
        pa = self._chance.randrange(5_000, 80_000) / 10
        said = pa / 1000 if self.in_kpa else pa
        volts = self._chance.randrange(220, 290) / 10
        entry = WrittenReading(
            writer=self.name,
            device=self.device,
            number=number,
            sent_us=now_us,
            restriction_pa=said * 1000.0 if self.in_kpa else pa,
            supply_voltage_v=volts,
            at_us=now_us // 1000 * 1000 if has_time else None,
        )
        self._ledger.write(entry)
        self._sent += 1
        line: dict[str, Any] = {"id": number, "engine_hours": number, "restriction": said}
        line["supply_voltage"] = volts
        if has_time:
            line |= {"at": instant_text(now_us // 1000 * 1000), "at_uncertainty_s": OWN_UNCERTAINTY_S}
        return json.dumps(line).encode() + b"\n"

    def _hear(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        for line in process.stdout:
            with suppress(ValueError, KeyError):  # a last line that a kill cut off is no answer
                said = json.loads(line)
                key = self.device, int(said["id"])
                self._heard += 1
                self._ledger.answer(key, is_kept=bool(said["on_disk"]), now_us=time.time_ns() // 1000)

    # ------------------------------------------------------------ faults, by their names

    def strike(self, what: str, size: float) -> None:
        """Carry out one fault; returns once it is over. size : 0 to 1."""
        faults = {
            "kill": self._kill_and_start,
            "key_off": self._key_off,
            "stop": self._stop_and_start,
            "step_clock": self._step_clock,
            "dead_disk": self._dead_disk,
            "full_disk": self._full_disk,
            "read_only": self._read_only,
            "damage": self._damage,
            "rewind": self._rewind,
            "idle": self._idle,
        }
        if self._can(what):
            faults[what](size)
            self.done[what] += 1

    def _can(self, what: str) -> bool:
        """A small disk has no room for many files that were set aside; only it can be mounted read-only."""
        if what == "read_only":
            return self._small_disk is not None
        aside = set_aside_files(self.spool_path)
        return what != "damage" or not self.is_small or len(aside) < MOST_SET_ASIDE

    def _kill_in_mid_write(self, size: float) -> None:
        self.write(MID_WRITE_READINGS)
        time.sleep(size * MID_WRITE_WITHIN_S)
        self.kill()

    def _kill_and_start(self, size: float) -> None:
        self._kill_in_mid_write(size)
        self.start()

    def _stop_and_start(self, _: float) -> None:
        self.stop()
        self.start()

    def _key_off(self, size: float) -> None:
        self._kill_in_mid_write(size)
        self._is_over.wait(2 * size)
        self.new_boot()
        self.start()

    def _step_clock(self, size: float) -> None:
        steps_us = (-12 * _YEAR_US, -3_600_000_000, -90_000_000, 0, 45_000_000, 7_200_000_000, 3 * _YEAR_US)
        self._step.set(steps_us[int(size * len(steps_us))])

    def _dead_disk(self, size: float) -> None:
        """
        It does not end before what memory held is on disk.

        A process that dies in between takes what it held, and the count of what it lost, with it: it said so
        in its log alone (operations.md), and no audit can hold it to more.
        """
        self.disk(DEAD_DISK)
        self.write(FLOOD_READINGS)
        self._is_over.wait(1 + 2 * size)
        self.disk(WELL_DISK)
        until_s = time.monotonic() + END_WITHIN_S
        while self.is_writing() and time.monotonic() < until_s and not self._is_over.wait(0.1):
            pass

    def _full_disk(self, size: float) -> None:
        if self._small_disk is None:
            self.disk(FULL_DISK)
        else:
            self._small_disk.fill()
        self._is_over.wait(1 + 2 * size)
        if self._small_disk is None:
            self.disk(WELL_DISK)
        else:
            self._small_disk.clear()

    def _read_only(self, size: float) -> None:
        """A start on it fails, again and again, as often as a service manager tries."""
        assert self._small_disk is not None
        self.kill()
        self._small_disk.mount_again(read_only=True)
        self.start()
        self._is_over.wait(2 + 3 * size)
        self.kill()
        self._small_disk.mount_again(read_only=False)
        self.start()

    def _damage(self, _: float) -> None:
        self.kill()
        if self.spool_path.exists():
            with self.spool_path.open("r+b") as file:  # its head: SQLite knows it no more
                file.write(b"\xff" * 100)
        self.start()

    def _rewind(self, _: float) -> None:
        self.command("rewind", "--from", "1")

    def _idle(self, size: float) -> None:
        self.is_fed.clear()
        self._is_over.wait(2 + 3 * size)
        self.is_fed.set()

    # ------------------------------------------------------------ beside it

    def command(self, *words: str) -> int:
        """Run `cleanside-gateway` beside it. Returns its exit code."""
        line = [sys.executable, "-m", "cleanside.gateway", words[0], "--settings", str(self._settings)]
        done = subprocess.run([*line, *words[1:]], capture_output=True, check=False)
        return done.returncode

    def copy_to(self, other: TriedGateway) -> None:
        """Power off; its spool is copied to a machine that is off; key on. The other is not started yet."""
        self.kill()
        for file in self.spool_path.parent.glob(f"{self.spool_path.name}*"):
            if not file.name.endswith((".lock", ".live")):
                shutil.copy2(file, other.spool_path.parent / file.name)
        self.is_copied = other.is_copied = True
        other.new_boot()
        self.start()

    def knows_time(self) -> bool:
        """The time of every reading that it holds is known."""
        state = self.state()
        return state is not None and state.boot is not None and not state.boots_not_placed

    def state(self) -> SpoolState | None:
        """What its spool holds and owes, read beside it; None: it cannot be read now."""
        try:
            return status.read(self.spool_path, now_us=0).spool
        except GatewayError:
            return None

    def undeclared(self, database: str) -> int:
        """Declarations that this database of the shop has not confirmed; -1: they cannot be read now."""
        try:
            with one_view(self.spool_path) as connection:
                return len(unconfirmed(connection, database).events)
        except GatewayError:
            return -1

    def is_writing(self) -> bool:
        """A reading was written to the process that runs, and no answer came yet."""
        with self._gate:
            return self._process is not None and self._sent > self._heard

    def wait_ready(self, deadline_s: float) -> None:
        """Wait until the process has made its spool. Raises CampaignFailed."""
        until = time.monotonic() + deadline_s
        while self.state() is None:
            if time.monotonic() > until:
                raise CampaignFailed(f"{self.name} has no spool after {deadline_s:g} s; see its log")
            time.sleep(0.05)
