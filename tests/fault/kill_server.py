"""
Kill the server with SIGKILL while batches are in flight, as often as asked for, and look what became of them.

    python -m tests.fault.kill_server --kills 300
    python -m tests.fault.kill_server --kills 300 --database postgres --workers 2

Promised after it, and checked: every acknowledged reading is there, once, with its value; the account
balances. Prints what was tried; exits non-zero with the first thing that does not hold. CI runs a few
(tests/fault/test_ingest_killed.py).
"""

from __future__ import annotations

import argparse
import itertools
import math
import random
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

from tests.fault.test_ingest_killed import (
    BATCH_ROWS,
    GIVE_UP_AFTER_S,
    Sender,
    assert_all_there_once,
    wait_for,
)
from tests.support.databases import Postgres, migrated_sqlite
from tests.support.nursery import nursery
from tests.support.serving import DEVICE, ServerProcess, make_keys

CLIENTS = 4
RETRY_AFTER_S = 0.1  # trying took as much of the processor as the server that starts; chosen


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--database", choices=("sqlite", "postgres"), default="sqlite")
    parser.add_argument("--workers", type=int, default=1, help="processes over one PostgreSQL database")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=math.inf, help="as many kills as fit; default: all")
    given = parser.parse_args(arguments)
    workers = given.workers if given.database == "postgres" else 1
    began_s = time.monotonic()
    with nursery(), database_of(given.database) as url, ExitStack() as stack:
        tokens = make_keys(url, [DEVICE])
        servers = [ServerProcess(url, tokens) for _ in range(workers)]
        for server in servers:
            stack.callback(server.close)
            server.start()
        with servers[0].client("operator") as http:
            http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
        until_s = began_s + 60 * given.minutes
        senders, kills = kill(servers, given.kills, random.Random(given.seed), until_s)
        for server in servers:
            server.stop()
        assert_all_there_once(url, senders)
    resent, taken = sum(s.resent for s in senders), sum(s.acknowledged for s in senders)
    print(
        f"{kills} kills of {workers} process(es) over {given.database}, seed {given.seed}: "
        f"{taken:,} readings "
        f"acknowledged, all there once with their values; {resent:,} posts repeated; the account balances; "
        f"{time.monotonic() - began_s:.0f} s"
    )
    return 0


@contextmanager
def database_of(kind: str) -> Iterator[str]:
    """A fresh database."""
    with tempfile.TemporaryDirectory() as folder:
        if kind == "sqlite":
            yield migrated_sqlite(Path(folder))
            return
        server = Postgres(Path(folder) / "postgres")
        try:
            yield server.migrated()
        finally:
            server.stop()


def kill(
    servers: Sequence[ServerProcess], kills: int, chance: random.Random, until_s: float
) -> tuple[list[Sender], int]:
    """
    Kill one server after another at moments of progress; the senders go on all the while.

    until_s : no more kills from then on, of the monotonic clock. Returns how many there were, too.
    """
    senders = [
        Sender(servers[client % len(servers)], client, indexes=itertools.count()) for client in range(CLIENTS)
    ]
    for sender in senders:
        sender.retry_after_s = RETRY_AFTER_S
        sender.start()
    number = 0
    while number < kills and time.monotonic() < until_s:
        wait_for(senders, sum(s.acknowledged for s in senders) + chance.randrange(1, 8 * BATCH_ROWS))
        victim = servers[number % len(servers)]
        victim.kill()
        victim.start()
        number += 1
        if number % 50 == 0:
            print(f"{number} kills, {sum(s.acknowledged for s in senders):,} readings", file=sys.stderr)
    for sender in senders:
        sender.enough.set()
        sender.join(GIVE_UP_AFTER_S)
        if sender.is_alive():
            raise AssertionError(f"client {sender.client} did not come to an end")
    return senders, number


if __name__ == "__main__":
    sys.exit(main())
