"""
Fleets from other pens, end to end over HTTP: a real server, looked at each evening of simulated time, scored.

    python -m tests.benchmark.bench_other_fleets GENERATOR [--machines N] [--days N] [--seed N ...] [--out F]
    python -m tests.benchmark.bench_other_fleets --score FILE [FILE ...]

The first form makes a fleet, posts what its monitors send as gateways do, enters what its people enter, reads
`/v1/fleet` each evening, keeps what was said in F and prints the table. The second prints the table of
several such files together, without a server: a definition of a score can change without another run.
With several seeds a fleet of each is made, and F has the seed in its name. Below the table stands how many
seeds give as many events a cause as are wanted.
Difficulty and definitions stand in `tests/fleets`. The server is the one of this working copy.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import httpx

from cleanside.simulator.shop import Shop
from tests.fleets.in_process import watch_in_process
from tests.fleets.making import FOR_TUNING, KEPT_OUT, NOTED, make_fleet
from tests.fleets.observing import Observation, read, watch, write
from tests.fleets.report import events, figures, lines, side_by_side
from tests.fleets.rest import RestObserver
from tests.fleets.score import MachineScore, score_fleet
from tests.fleets.truth import Fleet
from tests.support.server_on_set_time import Told

SETTLE_WITHIN_S = 300.0
ASK_AGAIN_S = 0.25
TRIES = 6  # of a request that the server asks to send again


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="fleets from other pens, end to end")
    names = f"a file of tests/fleets; for tuning: {', '.join(FOR_TUNING)}; kept out: {', '.join(KEPT_OUT)}"
    parser.add_argument(
        "generator", nargs="?", choices=(*FOR_TUNING, *KEPT_OUT), metavar="GENERATOR", help=names
    )
    parser.add_argument("--machines", type=int, default=24)
    parser.add_argument("--days", type=int, default=110)
    parser.add_argument("--seed", type=int, nargs="+", default=[1], help="one fleet each")
    parser.add_argument("--interval-s", type=float, default=60.0, help="between readings while the key is on")
    parser.add_argument("--noted", type=float, default=0.0, help=NOTED)
    parser.add_argument("--in-process", action="store_true", help="run the app in this process, no server")
    parser.add_argument("--out", type=Path, help="keep what was said here")
    parser.add_argument("--score", type=Path, nargs="+", default=[], help="score such files, start no server")
    given = parser.parse_args(words)
    if bool(given.score) == bool(given.generator):
        parser.error("name a generator, or files to --score")
    named: dict[str, list[MachineScore]] = {}
    seeds: set[int] = set()
    for file in given.score:
        about, scores = scores_of(file)
        named.setdefault(about["generator"], []).extend(scores)
        seeds.add(about["seed"])
    for seed in [] if given.score else dict.fromkeys(given.seed):
        named.setdefault(given.generator, []).extend(run(given, seed))
        seeds.add(seed)
    rows = figures([one for scores in named.values() for one in scores])
    print("\n".join([*lines(rows), "", *events(rows, len(seeds))]))
    if len(named) > 1:
        print("\n".join(["", *side_by_side(named)]))
    return 0


def run(given: argparse.Namespace, seed: int) -> list[MachineScore]:
    """Make the fleet of a seed, watch the server, keep and score what it said."""
    about = {name: getattr(given, name) for name in ("generator", "machines", "days", "interval_s", "noted")}
    about["seed"] = seed
    fleet = make_fleet(**about)
    with tempfile.TemporaryDirectory(prefix="cleanside-fleets-") as scratch:
        said = watch_in_process(fleet, Path(scratch)) if given.in_process else serve(fleet, Path(scratch))
    if given.out is not None:
        out: Path = given.out
        write(said, about, out if len(given.seed) == 1 else out.with_stem(f"{out.stem}-{seed}"))
    return score_fleet(fleet, said)


def serve(fleet: Fleet, folder: Path) -> list[Observation]:
    """Watch a server in a process of its own."""
    began_s = time.monotonic()
    with Served(folder) as served:
        observer = RestObserver(
            fleet, served.ask, served.post, set_time=served.told.set_time, settle=served.settle
        )
        said = watch(fleet, observer)
    took_s = time.monotonic() - began_s
    print(
        f"{observer.stored:,} readings stored, {observer.quarantined} quarantined, {took_s:.0f} s",
        file=sys.stderr,
    )
    return said


def scores_of(file: Path) -> tuple[dict[str, Any], list[MachineScore]]:
    """What stands about a run that was kept, and its scores: its fleet is made again."""
    said, about = read(file)
    return about, score_fleet(make_fleet(**about), said)


class Served:
    """A server on set time in a process of its own, and requests to it over one kept connection."""

    def __init__(self, folder: Path) -> None:
        told_file = folder / "told"
        self.told = Told(told_file)
        self.told.set_time(0.0)
        self._shop = Shop(folder, program=("-m", "tests.support.server_on_set_time", str(told_file)))
        self._client = httpx.Client(timeout=60.0, trust_env=False)
        self._device_keys: dict[str, str] = {}

    def __enter__(self) -> Served:
        self._shop.open()
        self._client.base_url = httpx.URL(self._shop.url)
        self._admin_key = self._shop.key_file.read_text().strip()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.close()
        self._shop.stop()

    def ask(self, method: str, path: str, body: dict[str, Any] | None) -> dict[str, Any]:
        """Ask as administrator."""
        return self._request(method, path, self._admin_key, json=body)

    def post(self, device: str, body: bytes) -> dict[str, Any]:
        """Post readings with the device's key, which is made at its first post."""
        if device not in self._device_keys:
            made = self.ask("POST", "/v1/keys", {"role": "device", "devices": [device], "note": device})
            self._device_keys[device] = made["key"]
        return self._request("POST", "/v1/readings", self._device_keys[device], content=body)

    def settle(self) -> None:
        """Wait until the analysis has caught up."""
        deadline = time.monotonic() + SETTLE_WITHIN_S
        while any(h["hours_behind"] for h in self.ask("GET", "/v1/fleet?limit=200", None)["housings"]):
            if time.monotonic() > deadline:
                raise RuntimeError(f"the analysis is still behind after {SETTLE_WITHIN_S:g} s")
            time.sleep(ASK_AGAIN_S)

    def _request(self, method: str, path: str, key: str, **more: Any) -> dict[str, Any]:
        headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}
        for _ in range(TRIES):
            reply = self._client.request(method, path, headers=headers, **more)
            if reply.status_code not in (429, 503):
                break
            time.sleep(float(reply.headers.get("Retry-After", "1")))
        if reply.status_code >= 300:
            raise RuntimeError(f"{method} {path} was answered {reply.status_code}: {reply.text[:300]}")
        answer: dict[str, Any] = reply.json()
        return answer


if __name__ == "__main__":
    sys.exit(main())
