"""
Kill the primary of a PostgreSQL with two standbys under load, as often as asked for, and look what came.

    python -m tests.fault.fail_over --times 20
    python -m tests.fault.fail_over --restarts 20

Each time the primary's processes end at once, the standby that has more is promoted, and the killed server
comes back as a standby. Two server processes name all three hosts in their URL; four clients send all the
while, each batch again until it is acknowledged, and a real gateway is given fifty readings a second.
--restarts: instead, each server process is stopped and started again, one after the other.
Promised after it, and checked: every acknowledged reading is there, once, with its value, and every one that
the gateway was given; after each strike what waited in it arrived; the account balances. Prints how long no
batch was acknowledged; exits non-zero with the first thing that does not hold.
CI runs a few (tests/fault/test_failover.py).
"""

from __future__ import annotations

import argparse
import itertools
import math
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from tests.fault.test_ingest_killed import (
    BATCH_ROWS,
    GIVE_UP_AFTER_S,
    Sender,
    assert_all_there_once,
    wait_for,
)
from tests.support.databases import migrate
from tests.support.fed_gateway import FedGateway
from tests.support.serving import DEVICE, ServerProcess, make_keys
from tests.support.standbys import Replicated

CLIENTS = 4
PROCESSES = 2


class TimedSender(Sender):
    """Knows for how long it had no acknowledgement."""

    _last_s = math.inf  # none yet
    _longest_s = 0.0

    def _post(self, http: httpx.Client, document: dict[str, object]) -> bool:
        is_taken = super()._post(http, document)
        if is_taken:
            now_s = time.monotonic()
            self._longest_s = max(self._longest_s, now_s - self._last_s)
            self._last_s = now_s
        return is_taken

    def take_longest(self) -> float:
        """The longest time between two acknowledgements since the last call. [s]"""
        longest_s, self._longest_s = self._longest_s, 0.0
        return longest_s


@dataclass(frozen=True)
class Found:
    """What came of it."""

    #: of each event, how long no client, and how long some client had no acknowledgement [s]
    shortest_s: list[float]
    longest_s: list[float]
    senders: list[TimedSender]
    gateway: FedGateway


def acknowledged(senders: Sequence[Sender]) -> int:
    """Readings of all together."""
    return sum(sender.acknowledged for sender in senders)


def wait_for_each(senders: Sequence[Sender]) -> None:
    """Until each client has one more acknowledgement."""
    before = [sender.acknowledged for sender in senders]
    deadline = time.monotonic() + GIVE_UP_AFTER_S
    while not all(sender.acknowledged > old for sender, old in zip(senders, before, strict=True)):
        assert time.monotonic() < deadline
        senders[0].join(0.001)


def require_standbys(servers: Sequence[ServerProcess]) -> None:
    """Every server process shows both standbys in its figures."""
    for server in servers:
        with server.client("operator") as http:
            lines = http.get("/metrics").raise_for_status().text.splitlines()
        assert "cleanside_standbys 2.0" in lines
        assert sum(line.startswith("cleanside_standby_behind_bytes{") for line in lines) == 2


@contextmanager
def under_load(
    replicated: Replicated, folder: Path
) -> Iterator[tuple[list[ServerProcess], list[TimedSender], FedGateway]]:
    """Servers over it, and clients and a gateway that send all the while; at the end all is checked."""
    migrate(replicated.url)
    tokens = make_keys(replicated.url, [DEVICE])
    flags = ("--durability", "standby", "--log-level", "error")
    servers = [ServerProcess(replicated.url, tokens, *flags) for _ in range(PROCESSES)]
    senders = [TimedSender(servers[n % PROCESSES], n, indexes=itertools.count()) for n in range(CLIENTS)]
    gateway: FedGateway | None = None
    try:
        for server in servers:
            server.start()
        with servers[0].client("operator") as http:
            http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
        gateway = FedGateway(folder, key=tokens["device"], server=servers[0].url)
        for sender in (*senders, gateway):
            sender.start()
        yield servers, senders, gateway
        require_standbys(servers)
        for sender in senders:
            assert sender.is_alive()
            sender.enough.set()
            sender.join(GIVE_UP_AFTER_S)
            assert not sender.is_alive()
        gateway.finish()
        assert [server.stop() for server in servers] == [0] * PROCESSES
        assert_all_there_once(replicated.url, list(senders))
        gateway.require_all_there_once(replicated.url)
    finally:
        if gateway is not None:
            gateway.close()
        for sender in senders:
            sender.enough.set()
        for server in servers:
            server.close()


def fail_over(times: int) -> Found:
    """Kill the primary so many times, under load."""

    def kill_primary(replicated: Replicated, _: Sequence[ServerProcess]) -> Iterator[None]:
        for _number in range(times):
            killed = replicated.fail_over()
            yield
            replicated.bring_back(killed)

    return _struck(kill_primary)


def restart(times: int) -> Found:
    """Stop and start each server process so many times, one after the other, under load."""

    def restart_each(_: Replicated, servers: Sequence[ServerProcess]) -> Iterator[None]:
        for server in [*servers] * times:
            assert server.stop() == 0
            server.start()
            yield

    return _struck(restart_each)


def _struck(strikes: Callable[[Replicated, Sequence[ServerProcess]], Iterator[None]]) -> Found:
    """Strike while the clients send; they have to get through each time."""
    replicated = Replicated()
    shortest_s, longest_s = [], []
    try:
        with (
            tempfile.TemporaryDirectory() as folder,
            under_load(replicated, Path(folder)) as (servers, senders, gateway),
        ):
            wait_for(senders, acknowledged(senders) + 8 * BATCH_ROWS)  # type: ignore[arg-type]
            for _ in strikes(replicated, servers):
                wait_for_each(senders)
                gateway.wait_until_through()
                waited_s = [sender.take_longest() for sender in senders]
                shortest_s.append(min(waited_s))
                longest_s.append(max(waited_s))
                wait_for(senders, acknowledged(senders) + 8 * BATCH_ROWS)  # type: ignore[arg-type]
    finally:
        replicated.close()
    return Found(shortest_s, longest_s, senders, gateway)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--times", type=int, default=20, help="kills of the primary; default: 20")
    parser.add_argument("--restarts", type=int, default=0, help="of each server process; default: none")
    given = parser.parse_args(arguments)
    what = f"{given.restarts} restarts of each of {PROCESSES} processes"
    if given.restarts:
        found = restart(given.restarts)
    else:
        what = f"{given.times} kills of the primary under {PROCESSES} processes"
        found = fail_over(given.times)
    taken, resent = acknowledged(found.senders), sum(sender.resent for sender in found.senders)
    print(
        f"{what}: {taken:,} readings acknowledged, all there once with their values; {resent:,} posts "
        f"repeated; the account balances; all {found.gateway.fed:,} of a gateway too, in which up to "
        f"{found.gateway.most_waiting:,} waited; from one acknowledgement to the next, the client that "
        f"waited least {_range(found.shortest_s)}, most {_range(found.longest_s)}"
    )
    return 0


def _range(seconds: Sequence[float]) -> str:
    return f"{statistics.median(seconds):.2f} s ({min(seconds):.2f} to {max(seconds):.2f})"


if __name__ == "__main__":
    sys.exit(main())
