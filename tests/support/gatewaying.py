"""Real gateway processes for tests: the command `cleanside-gateway run`, killed and started again at will."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from cleanside.gateway.commands import status
from cleanside.gateway.errors import GatewayError
from cleanside.gateway.spool.state import SpoolState
from cleanside.gateway.uplink.loop import DEFAULT_ASK_EVERY_S
from tests.support import nursery

DEADLINE_S = 60.0


def wait_until(condition: Callable[[], bool], what: str, *, deadline_s: float = DEADLINE_S) -> None:
    """Look until `condition` holds; fails with `what` after the deadline."""
    end = time.monotonic() + deadline_s
    while not condition():
        assert time.monotonic() < end, f"not within {deadline_s:g} s: {what}"
        time.sleep(0.01)


class GatewayProcess:
    """One gateway with its spool; the same file over all its lives."""

    def __init__(
        self,
        folder: Path,
        *,
        device: str,
        key: str,
        server: str,
        source: Mapping[str, Any] | None = None,
        ask_every_s: float = DEFAULT_ASK_EVERY_S,
    ) -> None:
        self.device = device
        self._ask_every_s = ask_every_s
        self.spool_path = folder / f"{device}.spool"
        self._key_file = folder / f"{device}.key"
        self._key_file.touch(mode=0o600)
        self._key_file.write_text(key)
        self._settings = folder / f"{device}.toml"
        self._write_settings(server, source)
        self._process: nursery.Process | None = None
        self._log = tempfile.TemporaryFile()  # noqa: SIM115 - the process writes to it as long as it lives

    def _write_settings(self, server: str, source: Mapping[str, Any] | None) -> None:
        lines = [
            f"device = {json.dumps(self.device)}",
            f"[spool]\npath = {json.dumps(str(self.spool_path))}",
            f"[uplink]\nserver = {json.dumps(server)}\nkey_file = {json.dumps(str(self._key_file))}",
            f"linger_s = 0.05\ntimeout_s = 5.0\nmax_readings = 200\nask_every_s = {self._ask_every_s}",
            "[run]\nexit_when_done = true",
        ]
        for entry in [source or {"use": "ndjson", "units": {"restriction": "kPa"}}]:
            lines.append("[[sources]]")
            lines += [f"{key} = {_toml(value)}" for key, value in entry.items()]
        self._settings.write_text("\n".join(lines) + "\n")

    def start(self) -> None:
        """Key on."""
        self._process = nursery.start(
            ["cleanside.gateway", "run", "--settings", str(self._settings)],
            stdin=subprocess.PIPE,
            stdout=self._log,
            stderr=self._log,
            environ={k: v for k, v in os.environ.items() if not k.startswith("CLEANSIDE_")},
        )

    @property
    def pid(self) -> int:
        """Its process id."""
        assert self._process is not None
        return self._process.pid

    def write(self, line: dict[str, Any] | bytes) -> None:
        """A line on its standard input."""
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write((line if isinstance(line, bytes) else json.dumps(line).encode()) + b"\n")
        self._process.stdin.flush()

    def end_input(self) -> None:
        """No more lines."""
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.close()

    def kill(self) -> None:
        """Key off, without notice."""
        self._end(signal.SIGKILL)

    def stop(self) -> int:
        """SIGTERM, and wait. Returns the exit code."""
        return self._end(signal.SIGTERM)

    def close(self) -> None:
        """Kill it if it still runs, and free what the test opened for it."""
        if self._process is not None and self._process.poll() is None:
            self.kill()
        if self._process is not None and self._process.stdin is not None:
            self._process.stdin.close()
        self._log.close()

    def _end(self, number: signal.Signals) -> int:
        assert self._process is not None
        if self._process.poll() is None:
            self._process.send_signal(number)
        code = self._process.wait(DEADLINE_S)
        if self._process.stdin is not None:
            self._process.stdin.close()
        return code

    def wait(self) -> int:
        """Wait until it ends by itself. Returns the exit code."""
        assert self._process is not None
        try:
            return self._process.wait(DEADLINE_S)
        except subprocess.TimeoutExpired:
            raise AssertionError(f"the gateway did not end; it wrote:\n{self.log()}") from None

    def runs(self) -> bool:
        """True while the process lives."""
        return self._process is not None and self._process.poll() is None

    def log(self) -> str:
        """What it wrote so far."""
        return nursery.written(self._log)

    def state(self) -> SpoolState:
        """What its spool holds and owes, read beside it."""
        return status.read(self.spool_path, now_us=0).spool

    def appended(self) -> int:
        """How many readings its spool ever took; 0 while the file is being made."""
        try:
            return sum(s.appended_through for s in self.state().streams)
        except GatewayError:
            return 0

    def released(self) -> int:
        """How many of them it knows to be acknowledged."""
        return sum(s.acknowledged_through for s in self.state().streams)


def _toml(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{json.dumps(key)} = {_toml(entry)}" for key, entry in value.items()) + "}"
    return json.dumps(value)
