"""
A real gateway process for the benchmarks: fed through Unix sockets, looked at through /proc, stopped.

It is the command `cleanside-gateway run` with nothing changed. A slower disk can be put under it: a SQLite
VFS that lets each sync take longer, and counts syncs and bytes written.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from cleanside.gateway.commands import status
from cleanside.gateway.uplink.loop import DEFAULT_LINGER_S
from tests.benchmark.gateway_floor import DEVICE, UNITS

_DEADLINE_S = 120.0
_TICKS_A_S = os.sysconf("SC_CLK_TCK")

# Put under the gateway's own command: the default VFS of its process, so that nothing of the gateway changes.
SLOW_DISK = """
import json, sys, time
import apsw
from cleanside.gateway.cli import main

sync_s, counts_file = float(sys.argv[1]) / 1000, sys.argv[2]
counts = {"syncs": 0, "written_bytes": 0}

class File(apsw.VFSFile):
    def xSync(self, flags):
        counts["syncs"] += 1
        super().xSync(flags)
        time.sleep(sync_s)  # the extra time of a slower disk, without the interpreter's lock

    def xWrite(self, data, offset):
        counts["written_bytes"] += len(data)
        super().xWrite(data, offset)

class Disk(apsw.VFS):
    def __init__(self):
        super().__init__("slow", base="unix", makedefault=True)

    def xOpen(self, name, flags):
        return File("unix", name, flags)

disk = Disk()
try:
    main(sys.argv[3:])
finally:
    with open(counts_file, "w") as file:
        json.dump(counts, file)
"""


@dataclass
class Process:
    """A gateway that runs."""

    folder: Path
    popen: subprocess.Popen[str]

    @property
    def spool(self) -> Path:
        """Its file."""
        return self.folder / "spool"

    def connect(self, source: int) -> socket.socket:
        """A client of its source of that number."""
        client = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        path = str(self.folder / f"source-{source}")
        wait_until(lambda: _connects(client, path), f"a connection to {path}")
        return client

    def cpu_s(self) -> float:
        """Processor time it has used, its own and the kernel's for it [s]."""
        fields = Path(f"/proc/{self.popen.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / _TICKS_A_S

    def memory_mib(self) -> tuple[float, float]:
        """Resident memory now and at its highest [MiB]."""
        lines = Path(f"/proc/{self.popen.pid}/status").read_text().splitlines()
        kib = {line.split(":")[0]: line.split()[1] for line in lines if line.startswith("Vm")}
        return int(kib["VmRSS"]) / 1024, int(kib["VmHWM"]) / 1024

    def disk_bytes(self) -> int:
        """What it caused to be written to the disk, in the file system's blocks."""
        lines = Path(f"/proc/{self.popen.pid}/io").read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))

    def is_drained(self) -> bool:
        """Nothing waits any more, as its file says."""
        return status.read(self.spool, now_us=0).spool.backlog == 0

    def counts(self) -> dict[str, int]:
        """What a slow disk counted, once the process has ended."""
        counts: dict[str, int] = json.loads((self.folder / "counts.json").read_text())
        return counts


def _connects(client: socket.socket, path: str) -> bool:
    try:
        client.connect(path)
    except OSError:
        return False
    return True


def wait_until(condition: Callable[[], bool], what: str) -> None:
    """Look until `condition` holds; fails with `what` after two minutes."""
    end_s = time.monotonic() + _DEADLINE_S
    while not condition():
        assert time.monotonic() < end_s, f"not within {_DEADLINE_S:g} s: {what}"
        time.sleep(0.01)


@contextmanager
def gateway(
    folder: Path,
    *,
    sources: int,
    server_port: int = 9,
    linger_s: float = DEFAULT_LINGER_S,
    slow_sync_ms: float | None = None,
) -> Iterator[Process]:
    """
    A gateway with so many sources, each its own socket, stopped with SIGTERM when the block ends.

    server_port : on loopback; 9: nothing answers there. linger_s : as in the settings.
    slow_sync_ms : None: the disk as it is.
    """
    settings = folder / "gateway.toml"
    settings.write_text(_settings(folder, sources, server_port, linger_s))
    command = [sys.executable, "-m", "cleanside.gateway"]
    if slow_sync_ms is not None:
        command = [sys.executable, "-c", SLOW_DISK, str(slow_sync_ms), str(folder / "counts.json")]
    with (folder / "log").open("w") as log:
        popen = subprocess.Popen(
            [*command, "run", "--settings", str(settings)],
            env={k: v for k, v in os.environ.items() if not k.startswith("CLEANSIDE_")}
            | {"CLEANSIDE_GATEWAY_KEY": "k"},
            stdout=log,
            stderr=log,
            text=True,
        )
        try:
            yield Process(folder, popen)
        finally:
            popen.terminate()
            popen.wait(30)


def _settings(folder: Path, sources: int, server_port: int, linger_s: float) -> str:
    lines = [
        f'device = "{DEVICE}"',
        f'[spool]\npath = "{folder / "spool"}"\nbudget_bytes = {2**40}',
        f'[uplink]\nserver = "http://127.0.0.1:{server_port}"\nlinger_s = {linger_s}',
    ]
    units = ", ".join(f'{name} = "{unit}"' for name, unit in UNITS.items())
    for number in range(sources):
        lines.append(
            f'[[sources]]\nuse = "ndjson"\nsocket = "{folder}/source-{number}"\nunits = {{ {units} }}'
        )
    return "\n".join(lines) + "\n"


def lines_of(values: Sequence[dict[str, float]]) -> list[bytes]:
    """Readings without a time of their own, as a source's clients write them."""
    return [json.dumps(each).encode() + b"\n" for each in values]
