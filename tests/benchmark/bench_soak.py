"""
A server under mixed load for a long time: do memory, descriptors, threads or its log grow?

    python -m tests.benchmark.bench_soak [sqlite|postgres] [--minutes 30] [--machines 50]

Machines send a reading a second each (`cleanside-simulator load steady`, which also checks afterwards that
nothing was lost, doubled or changed), while readers ask for the fleet, a machine, raw readings, the account,
the work list, pages and figures in turn. The server's process is looked at every few seconds. Its memory is
shown by part (`tests.benchmark.telling_server`), so that what grows has a name; so have the mapped files
that grew most. The slope of each figure is a straight line through what follows a warm-up (`--warm-up`, a
third of the time by default), and is said by the hour, with its standard error. During the warm-up the first
readings are merged, the analysis makes its first passes, and each connection to the database meets the
statements that it keeps. Which kind of request lets a part grow says `tests.benchmark.bench_growth`. Exit
code 1 where the check of the load does not hold, or a request failed.

Pages of libraries are counted apart: they are files of the system, at most as large as these, and not memory
that the server asked for. Where memory is scarce, or a system takes pages back that were not used for a while
(DAMON does), they leave and come again with the work that needs them.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from tests.benchmark.telling_server import FOLDER, PARTS, MappedFile, mapped_files, of_libraries, told_by
from tests.fault.kill_server import database_of
from tests.support.serving import ServerProcess, bearer, make_keys

LOOK_EVERY_S = 5.0
READERS = 2
READ_EVERY_S = 0.2  # of each reader
ASKED = (
    *("/v1/fleet", "/v1/account", "/v1/work", "/v1/machines", "/v1/attention", "/v1/streams", "/metrics"),
    *("/v1/machines/{machine}/restriction", "/v1/machines/{machine}/readings?limit=500", "/healthz"),
)
WITHOUT_LIBRARIES = "own_mib"
WARM_UP = 1 / 3  # of the time, as in bench_growth. Chosen: by then no part of memory steps any more
FIGURES = PARTS | {
    WITHOUT_LIBRARIES: "resident in all but libraries",
    "descriptors": "open",
    "threads": "of the process",
}
STRETCHES = 10  # of neighbouring samples, whose means a slope is of: neighbours are alike. Chosen
GROWN_SHOWN = 5  # mapped files


def seen(pid: int) -> dict[str, float]:
    """Memory, open descriptors and threads of a process. proc(5)."""
    status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    return {
        "memory_mib": int(status["VmRSS"].split()[0]) / 1024,
        "descriptors": float(sum(1 for _ in Path(f"/proc/{pid}/fd").iterdir())),
        "threads": float(status["Threads"]),
    }


def telling_server(url: str, folder: Path, *, arenas: str) -> ServerProcess:
    """
    A server whose memory `told_by` gives, not started yet.

    folder : for the socket on which it tells. arenas : heaps of the C library (mallopt(3), M_ARENA_MAX).
    """
    tokens = make_keys(url, [])
    server = ServerProcess(url, tokens, "--log-level", "warning", module="tests.benchmark.telling_server")
    server.environ |= {"MALLOC_ARENA_MAX": arenas, FOLDER: str(folder)}
    return server


class SoakReader(threading.Thread):
    """Asks for one thing after the other until the end."""

    def __init__(self, server: ServerProcess, ends: threading.Event) -> None:
        super().__init__(daemon=True)
        self._server = server
        self._ends = ends
        self.answers: Counter[int | str] = Counter()

    def run(self) -> None:
        """Ask."""
        machine = ""
        headers = bearer(self._server.tokens["admin"])
        with httpx.Client(base_url=self._server.url, headers=headers, timeout=60, trust_env=False) as http:
            for path in itertools.cycle(ASKED):
                if self._ends.wait(READ_EVERY_S):
                    return
                if "{machine}" in path and not machine:
                    machine = self._some_machine(http)
                    continue
                try:
                    self.answers[http.get(path.format(machine=machine)).status_code] += 1
                except httpx.TransportError as error:
                    self.answers[type(error).__name__] += 1

    def _some_machine(self, http: httpx.Client) -> str:
        machines = http.get("/v1/machines").json()["machines"]
        return str(machines[0]["machine"]) if machines else ""


def load(server: ServerProcess, folder: Path, *, machines: int, seconds: float) -> subprocess.Popen[bytes]:
    """The load as a process of its own."""
    key = folder / "admin.key"
    key.touch(mode=0o600)
    key.write_text(server.tokens["admin"])
    command = [sys.executable, "-m", "cleanside.simulator", "load", "steady", "--server", server.url]
    command += ["--key-file", str(key), "--machines", str(machines), "--seconds", str(seconds)]
    return subprocess.Popen(command, stdout=(folder / "load").open("wb"), stderr=subprocess.STDOUT)


def slope(at_s: Sequence[float], values: Sequence[float]) -> tuple[float, float]:
    """
    Slope by the hour and its standard error, by least squares.

    Through the means of `STRETCHES` stretches of samples: as if they were independent, the samples themselves
    would promise an error several times too small.
    """
    if len(values) < 3:
        return math.nan, math.nan
    stretches = min(STRETCHES, len(values))
    at, means = (np.array([part.mean() for part in np.array_split(of, stretches)]) for of in (at_s, values))
    (by_s, _), covariance = np.polyfit(at, means, 1, cov="unscaled")
    residuals = means - np.polyval(np.polyfit(at, means, 1), at)
    error = math.sqrt(float(covariance[0, 0]) * float(residuals @ residuals) / (stretches - 2))
    return float(by_s) * 3600, error * 3600


def grown(before: Mapping[str, MappedFile], after: Mapping[str, MappedFile]) -> dict[str, float]:
    """The mapped files that grew most, and by how many MiB."""
    nothing = MappedFile(0.0, 0.0, False)
    by = {path: file.resident_mib - before.get(path, nothing).resident_mib for path, file in after.items()}
    most = sorted(by, key=lambda path: by[path], reverse=True)[:GROWN_SHOWN]
    return {path: round(by[path], 2) for path in most if by[path] > 0}


def main(arguments: Sequence[str] | None = None) -> int:
    """Soak it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("database", nargs="?", choices=("sqlite", "postgres"), default="sqlite")
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--machines", type=int, default=50)
    parser.add_argument("--arenas", default="2", help="heaps of the C library, 2 as in the server's unit")
    parser.add_argument("--warm-up", type=float, default=WARM_UP, help="part of the time without a slope")
    given = parser.parse_args(arguments)
    ends = threading.Event()
    at_s: list[float] = []
    figures: dict[str, list[float]] = {name: [] for name in FIGURES}
    mapped: list[dict[str, MappedFile]] = []
    with tempfile.TemporaryDirectory() as folder, database_of(given.database) as url:
        server = telling_server(url, Path(folder), arenas=given.arenas)
        server.start()
        readers = [SoakReader(server, ends) for _ in range(READERS)]
        loading = load(server, Path(folder), machines=given.machines, seconds=given.minutes * 60)
        began_s = time.monotonic()
        for reader in readers:
            reader.start()
        while loading.poll() is None:
            now_s = time.monotonic() - began_s
            if now_s <= given.minutes * 60:  # then the check reads everything back, which is another load
                at_s.append(now_s)
                told = seen(server.pid) | told_by(Path(folder))
                told[WITHOUT_LIBRARIES] = told["memory_mib"] - told["libraries_mib"]
                mapped.append(mapped_files(Path(f"/proc/{server.pid}/smaps").read_text()))
                for name, values in figures.items():
                    values.append(told[name])
            ends.wait(LOOK_EVERY_S)
        ends.set()
        for reader in readers:
            reader.join()
        code, said = server.stop(), (Path(folder) / "load").read_text()
    answers = sum((reader.answers for reader in readers), Counter[int | str]())
    failed = {str(status): many for status, many in answers.items() if status != 200}
    print(said)
    warm = int(len(at_s) * given.warm_up)
    found = {name: _said(name, at_s, values, warm=warm) for name, values in figures.items()}
    first, then, last = mapped[0], mapped[warm], mapped[-1]
    most_mib = sum(file.mapped_mib for file in of_libraries(last).values())
    print(f"libraries have {most_mib:,.0f} MiB in all; files that grew most")
    print(f"in the warm-up {grown(first, then)}, after it {grown(then, last)}")
    about: dict[str, Any] = {
        "minutes": at_s[-1] / 60,
        "warm_up_minutes": at_s[warm] / 60,
        "most_mib": most_mib,
    }
    about |= {"answers": answers[200], "failed": failed, "grown_mib": grown(then, last)}
    print(json.dumps({"figures": found} | about))
    return 0 if loading.returncode == code == 0 and not failed else 1


def _said(name: str, at_s: Sequence[float], values: Sequence[float], *, warm: int) -> dict[str, float]:
    """warm : index of the first sample after the warm-up."""
    by_hour, error = slope(at_s[warm:], values[warm:])
    print(
        f"{name:>14} {values[0]:12,.1f}, warm {values[warm]:12,.1f} to {values[-1]:12,.1f}, "
        f"{by_hour:+10,.2f} (± {error:.2f}) an hour  {FIGURES[name]}"
    )
    return {"first": values[0], "warm": values[warm], "last": values[-1], "by_hour": by_hour, "error": error}


if __name__ == "__main__":
    sys.exit(main())
