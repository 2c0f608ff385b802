"""
The shop's side of the demo: a real server as a process of its own, and requests to it over HTTP.

Promises: the server is started by its own command and reached over HTTP alone, as a real fleet does; it can
be killed and comes back on the same port. Everything waits with a deadline.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Any

import httpx

from cleanside.simulator.errors import DemoFailed
from cleanside.simulator.fleet import MachineSpec

OWNER = "plateau-roads"
START_DEADLINE_S = 30.0
ANALYSIS_DEADLINE_S = 60.0


class Shop:
    """A server on a SQLite file in `folder`, and an administrator's way into it."""

    def __init__(
        self,
        folder: Path,
        *,
        port: int = 0,
        program: Sequence[str] = ("-m", "cleanside.ingest"),
        database: str | None = None,
    ) -> None:
        """
        port : on loopback; 0: a free one. program : what Python runs for the server's commands.
        database : its URL; None: a SQLite file in `folder`.
        """
        self.key_file = folder / "admin.key"
        self._program = program
        self._database = database or f"sqlite:///{folder / 'shop.db'}"
        self.log_file = folder / "server.log"
        self._log: IO[bytes] = self.log_file.open("ab")
        self._process: subprocess.Popen[bytes] | None = None
        self._port = port
        self._key = ""
        self.url = ""

    def open(self) -> None:
        """Make the first admin key by the command, then start the server on a free loopback port."""
        note = ("--note", "the demo")
        self._command(
            "keys", "create", "--role", "admin", "--owner", OWNER, *note, "--out", str(self.key_file)
        )
        self._key = self.key_file.read_text().strip()
        self.start()

    def _command(self, *words: str) -> None:
        command = [sys.executable, *self._program, *words, "--database", self._database]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            raise DemoFailed(
                f"cleanside-ingest {words[0]} ended with {done.returncode}: {done.stderr.strip()}"
            )

    def start(self) -> None:
        """Start the server, on the port it had before if it had one, and wait until it takes requests."""
        command = [sys.executable, *self._program, "serve", "--database", self._database]
        command += ["--port", str(self._port), "--log-level", "warning"]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=self._log)
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line:
            raise DemoFailed(f"the server did not start; see {self.log_file}")
        self.url = json.loads(line)["listening"]
        self._port = int(self.url.rsplit(":", 1)[1])
        self._wait_ready()

    def _wait_ready(self) -> None:
        deadline = time.monotonic() + START_DEADLINE_S
        while time.monotonic() < deadline:
            try:
                if httpx.get(f"{self.url}/readyz", timeout=2).status_code == 200:
                    return
            except httpx.TransportError:
                pass
            time.sleep(0.05)
        raise DemoFailed(f"the server is not ready after {START_DEADLINE_S:g} s; see its log")

    def kill(self) -> None:
        """Kill the server without notice, as a power cut would."""
        if self._process is not None:
            self._process.kill()
            self._process.communicate()

    def stop(self) -> None:
        """Stop the server in good order."""
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.communicate(timeout=10)
            except subprocess.TimeoutExpired:
                self.kill()
        self._log.close()

    def wait(self) -> None:
        """Wait until the server ends or a person interrupts."""
        assert self._process is not None
        self._process.wait()

    # ------------------------------------------------------------ over HTTP

    def register(self, spec: MachineSpec) -> str:
        """Register a machine with its housing and device; returns a key for its gateway."""
        rated_r_min = spec.rated_r_min if spec.rated_entered else None
        self.register_machine(
            spec.name, spec.kind, spec.terminal, spec.terminal_unit, rated_r_min=rated_r_min
        )
        return self.register_device(spec.device, spec.name)

    def register_machine(
        self, machine: str, kind: str, terminal: float, unit: str, *, rated_r_min: float | None = None
    ) -> None:
        """A machine with one housing and its terminal restriction. rated_r_min : None: learned."""
        housing: dict[str, Any] = {
            "housing": "main",
            "terminal_restriction": {"value": terminal, "unit": unit},
        }
        if rated_r_min is not None:
            housing["reference_flow"] = {"quantity": "engine_speed", "value": rated_r_min, "unit": "r/min"}
        self.post("/v1/machines", {"machine": machine, "kind": kind, "housings": [housing]})

    def register_device(self, device: str, machine: str) -> str:
        """A monitor on a machine; returns a key for its gateway."""
        self.post("/v1/devices", {"device": device, "machine": machine})
        return str(self.post("/v1/keys", {"role": "device", "devices": [device], "note": machine})["key"])

    def invite(self, person: str) -> str:
        """Invite an admin; returns the link that opens the console, once."""
        return str(self.post("/v1/people", {"name": person, "role": "admin"})["link"])

    def show_documents(self) -> bool:
        """See that the server shows its documents, which a clone has to build once. False: it cannot."""
        if httpx.get(f"{self.url}/docs/index.html").status_code == 200:
            return True
        command = [sys.executable, *self._program, "docs", "build"]
        return subprocess.run(command, stdout=self._log, stderr=self._log, check=False).returncode == 0

    def wait_analysed(self) -> None:
        """Wait until the analysis has caught up with what arrived."""
        deadline = time.monotonic() + ANALYSIS_DEADLINE_S
        while any(housing["hours_behind"] for housing in self.get("/v1/fleet")["housings"]):
            if time.monotonic() > deadline:
                raise DemoFailed(f"the analysis is still behind after {ANALYSIS_DEADLINE_S:g} s")
            time.sleep(0.1)

    def get(self, path: str) -> dict[str, Any]:
        """Ask as administrator."""
        return self._ask("GET", path, None)

    def post(self, path: str, body: dict[str, Any]) -> dict[str, Any]:
        """Post as administrator."""
        return self._ask("POST", path, body)

    def patch(self, path: str, body: dict[str, Any]) -> dict[str, Any]:
        """Patch as administrator."""
        return self._ask("PATCH", path, body)

    def _ask(self, method: str, path: str, body: dict[str, Any] | None) -> dict[str, Any]:
        headers = {"Authorization": f"Bearer {self._key}"}
        reply = httpx.request(method, self.url + path, json=body, headers=headers, timeout=30)
        if reply.status_code >= 300:
            raise DemoFailed(f"{method} {path} was answered {reply.status_code}: {reply.text[:300]}")
        answer: dict[str, Any] = reply.json()
        return answer
