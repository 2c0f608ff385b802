"""
Many real gateways in a process: a spool file and an uplink each, for `bench_herd`.

    python -m tests.benchmark.herd_gateways fill PLAN.json
    python -m tests.benchmark.herd_gateways send PLAN.json
    python -m tests.benchmark.herd_gateways post PLAN.json

`fill` makes the spools with their backlog, and where the plan says so the requests that bring them
(`tests.benchmark.herd_requests`), which `post` sends. `send` opens the spools, says "ready", waits for a
line, and lets every gateway find its link again at its own moment within `reconnect_s`; each goes on until
its server holds all of its backlog. The last line of output is a JSON object with what happened.
"""

from __future__ import annotations

import asyncio
import json
import random
import resource
import ssl
import sys
import threading
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from pathlib import Path
from typing import Any

from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.uplink.loop import Uplink
from cleanside.gateway.uplink.transport import HttpTransport, Outcome, Reply, Request
from cleanside.gateway.wire import Reading, datetime_of
from tests.benchmark.bench_ingest import SEED, UNITS, recording
from tests.benchmark.herd_requests import Poster, outcome, post_all, record, recorded

FILLING_AT_ONCE = 32
STACK_BYTES = 512 * 1024  # of a thread; two thousand of them would take gigabytes otherwise


def fill(plan: dict[str, Any]) -> None:
    """Make each spool with its backlog: another stretch of one recording for each."""
    _, values = recording(plan["readings"] + 1_000, SEED)

    def fill_one(number: int) -> None:
        gateway = plan["gateways"][number]
        readings = _stretch(plan, values, shift=number * 7 % 1_000)
        with Spool(Path(gateway["spool"]), device=gateway["device"], clock=SystemClock()) as spool:
            spool.append(readings)
            if plan["prepared"]:
                record(spool, requests_of(gateway))

    with ThreadPoolExecutor(FILLING_AT_ONCE) as pool:  # most of it is waiting for the disk
        list(pool.map(fill_one, range(len(plan["gateways"]))))


def requests_of(gateway: dict[str, str]) -> Path:
    """The file of a gateway's requests."""
    return Path(gateway["spool"]).with_suffix(".requests")


def _stretch(plan: dict[str, Any], values: dict[str, list[float]], *, shift: int) -> list[Reading]:
    interval_us = plan["interval_s"] * 1_000_000
    return [
        Reading(
            at=datetime_of(plan["start_us"] + row * interval_us),
            at_uncertainty_s=0.05,
            values={name: column[row + shift] for name, column in values.items()},
            units=UNITS,
        )
        for row in range(plan["readings"])
    ]


class Counting:
    """A transport that counts what came back."""

    def __init__(self, inner: HttpTransport, seen: Counter[str]) -> None:
        self._inner = inner
        self._seen = seen

    def send(self, request: Request) -> Outcome:
        """Ask once."""
        outcome = self._inner.send(request)
        self._seen[str(outcome.status) if isinstance(outcome, Reply) else outcome.reason.split(":")[0]] += 1
        return outcome

    def close(self) -> None:
        """Close the connection."""
        self._inner.close()


class Sender:
    """One gateway that comes back."""

    def __init__(self, gateway: dict[str, str], server: str, seen: Counter[str]) -> None:
        self.spool = Spool(Path(gateway["spool"]), device=gateway["device"], clock=SystemClock())
        token = gateway["token"]
        self._transport = Counting(HttpTransport(server, key=lambda: token), seen)
        self.took_s: float | None = None

    def drain(self, begin_s: float, stop: threading.Event) -> None:
        """From its moment on, send until nothing waits."""
        if stop.wait(max(0.0, begin_s - time.monotonic())):
            return
        uplink = Uplink(
            self.spool,
            self._transport,
            clock=SystemClock(),
            random=random.random,
            log=lambda *_, **__: None,
        )
        while not stop.is_set():
            step = uplink.step()
            if step.idle:
                self.took_s = time.monotonic() - begin_s
                return
            stop.wait(step.wait_s)

    def close(self) -> None:
        """Close link and file."""
        self._transport.close()
        self.spool.close()


def send(plan: dict[str, Any]) -> None:
    """All gateways at once, each in a thread of its own."""
    # Hundreds of trust stores in one process are no part of a gateway: they share one here.
    ssl.create_default_context = lru_cache(maxsize=1)(ssl.create_default_context)  # type: ignore[assignment]
    resource.setrlimit(resource.RLIMIT_NOFILE, (resource.getrlimit(resource.RLIMIT_NOFILE)[1],) * 2)
    threading.stack_size(STACK_BYTES)
    seen: Counter[str] = Counter()
    servers = plan["servers"]
    senders = [Sender(g, servers[n % len(servers)], seen) for n, g in enumerate(plan["gateways"])]
    print("ready", flush=True)
    sys.stdin.readline()
    stop, chance, began_s, before_s = (
        threading.Event(),
        random.Random(plan["seed"]),
        time.monotonic(),
        time.process_time(),
    )
    threads = [
        threading.Thread(target=s.drain, args=(began_s + chance.uniform(0, plan["reconnect_s"]), stop))
        for s in senders
    ]
    for thread in threads:
        thread.start()
    deadline_s = began_s + plan["within_s"]
    for thread in threads:
        thread.join(max(0.0, deadline_s - time.monotonic()))
    stop.set()
    for thread in threads:
        thread.join()
    processor_s = time.process_time() - before_s
    took = sorted(s.took_s for s in senders if s.took_s is not None)
    waiting = sum(sender.spool.state().backlog for sender in senders)
    for sender in senders:
        sender.close()
    result = {"all_s": time.monotonic() - began_s, "done": len(took), "waiting": waiting, "seen": dict(seen)}
    print(json.dumps(result | {"processor_s": processor_s, "took_s": took}), flush=True)


def post(plan: dict[str, Any]) -> None:
    """The requests of all gateways, from one event loop."""
    resource.setrlimit(resource.RLIMIT_NOFILE, (resource.getrlimit(resource.RLIMIT_NOFILE)[1],) * 2)
    seen: Counter[str] = Counter()
    servers = plan["servers"]
    posters = [
        Poster(recorded(requests_of(gateway)), servers[number % len(servers)], gateway["token"], seen)
        for number, gateway in enumerate(plan["gateways"])
    ]
    print("ready", flush=True)
    sys.stdin.readline()
    chance, began_s, before_s = random.Random(plan["seed"]), time.monotonic(), time.process_time()
    begins_s = [began_s + chance.uniform(0, plan["reconnect_s"]) for _ in posters]
    asyncio.run(post_all(posters, begins_s, began_s + plan["within_s"]))
    result = {"all_s": time.monotonic() - began_s, "processor_s": time.process_time() - before_s}
    print(json.dumps(result | {"seen": dict(seen)} | outcome(posters)), flush=True)


def main(arguments: Sequence[str] | None = None) -> None:
    """Do what the first argument says with the plan that the second names."""
    what, path = sys.argv[1:] if arguments is None else arguments
    plan = json.loads(Path(path).read_text())
    {"fill": fill, "send": send, "post": post}[what](plan)


if __name__ == "__main__":
    main()
