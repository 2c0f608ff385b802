"""
Kill what turns rows into blocks, joins blocks and makes rows of them again, at each of its steps, under load.

    python -m tests.fault.kill_merging --kills 200
    python -m tests.fault.kill_merging --kills 200 --database postgres --workers 2

The database goes round and round: readings are rows, `blocks begin`, the servers make blocks of them and
join these, `blocks stop`, `blocks unpack`. Each of these processes is killed (SIGKILL) at a named step
(`tests.support.dying_merger`) or at any instant, and started again. Meanwhile clients send single readings
and batches, some out of order, some twice, and a watcher asks the servers for readings.
Promised, and checked with every page, at the end of each round and of all: every acknowledged reading is
there, once, with its time and value; nothing is there that was not sent; the account balances. Prints which
steps were tried; exits non-zero with the first thing that does not hold. CI runs a few
(tests/fault/test_merging_killed.py).
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager

from tests.fault.kill_server import database_of
from tests.support import dying_merger
from tests.support.databases import choose_form
from tests.support.merge_load import (
    GIVE_UP_AFTER_S,
    RETRY_AFTER_S,
    MergeClient,
    MergeWatcher,
    NotKept,
    compare_all,
)
from tests.support.nursery import nursery, start
from tests.support.serving import DEVICE, ServerProcess, make_keys

MODULE = "tests.support.dying_merger"
CLIENTS = 3
FIRST_ROWS = 600  # readings before the first round
WHOLE_BELOW = 10_000  # readings up to which some rounds make rows of all of them, which takes long; chosen
INSTANT = "any instant"
TIMES = 4  # a process dies at a step once it has reached it fewer times than that; chosen
STEP_WITHIN_S = 10.0  # a step that no server reaches by then: one is killed as it is
OF_SERVERS = (*dying_merger.PACK, INSTANT, *dying_merger.JOIN, INSTANT)
LEASE_HELD = 2  # exit code of `blocks unpack` while another process has the lease


class MergeKiller:
    """Starts processes that die at steps, and counts deaths."""

    def __init__(self, url: str, servers: Sequence[ServerProcess], kills: int, seed: int) -> None:
        self._url, self._servers, self._most = url, servers, kills
        self._chance = random.Random(seed)
        self.clients = [MergeClient(servers, number, seed) for number in range(CLIENTS)]
        self.watcher = MergeWatcher(servers, self.clients, seed)
        #: of each server the step that it is to die at
        self._deadly = [INSTANT] * len(servers)
        self.deaths: Counter[str] = Counter()

    @property
    def loaders(self) -> tuple[MergeClient | MergeWatcher, ...]:
        """What runs beside the servers."""
        return (*self.clients, self.watcher)

    @property
    def acknowledged(self) -> int:
        """Readings so far."""
        return sum(len(client.acknowledged) for client in self.clients)

    @property
    def is_done(self) -> bool:
        """True once as many processes died as were asked for."""
        return self.deaths.total() >= self._most

    def wait_for_readings(self, many: int) -> None:
        """Until so many are acknowledged."""
        deadline = time.monotonic() + GIVE_UP_AFTER_S
        while self.acknowledged < many:
            self._look_at_loaders()
            if time.monotonic() > deadline:
                raise NotKept(f"{self.acknowledged} readings in {GIVE_UP_AFTER_S} s")
            time.sleep(RETRY_AFTER_S)

    # ------------------------------------------------------------ servers

    def start_servers(self) -> None:
        """Start those that do not run: they were stopped, or died at their step meanwhile."""
        for place in range(len(self._servers)):
            if self._servers[place].has_ended:
                self._bury(place)
                self._start(place, INSTANT)

    def strike_servers(self) -> None:
        """
        Each server that ends is started with the next step to die at, until all were given.

        Of several servers any may reach its step first: which of them merges is their own affair.
        """
        for step in OF_SERVERS:
            if self.is_done:
                return
            for place in self._ended():
                self._bury(place)
                self._start(place, step)

    def stop_servers(self) -> None:
        """Kill them as they are."""
        for place in range(len(self._servers)):
            self._kill(place)

    def _start(self, place: int, step: str) -> None:
        self._deadly[place] = step
        self._servers[place].environ = {} if step == INSTANT else self._dies_at(step)
        try:
            self._servers[place].start()
        except AssertionError:
            if self._servers[place].wait() != -signal.SIGKILL:  # else it reached the step before it listened
                raise

    def _dies_at(self, step: str) -> dict[str, str]:
        return {dying_merger.VARIABLE: f"{step}:{self._chance.randrange(1, TIMES)}"}

    def _ended(self) -> list[int]:
        """The servers that have ended: at their step, or by a kill at some instant."""
        at_once = INSTANT in self._deadly
        deadline = time.monotonic() + (self._chance.random() if at_once else STEP_WITHIN_S)
        while not (ended := [i for i, server in enumerate(self._servers) if server.has_ended]):
            self._look_at_loaders()
            if time.monotonic() > deadline:
                self._kill(self._deadly.index(INSTANT) if at_once else 0)
            time.sleep(0.01)
        return ended

    def _kill(self, place: int) -> None:
        if not self._servers[place].has_ended:
            self._deadly[place] = INSTANT
            self._servers[place].kill()

    def _bury(self, place: int) -> None:
        code = self._servers[place].wait()
        if code != -signal.SIGKILL:
            raise NotKept(f"a server ended with {code}; it wrote:\n{self._servers[place].log()}")
        self._died(self._deadly[place])

    def _died(self, step: str) -> None:
        self.deaths[step] += 1
        if self.deaths.total() % 20 == 0:
            print(f"{self.deaths.total()} kills", file=sys.stderr, flush=True)

    def _look_at_loaders(self) -> None:
        for loader in self.loaders:
            if loader.fault is not None:
                raise loader.fault

    # ------------------------------------------------------------ commands

    def command(self, action: str, *steps: str, until_done: bool = True) -> None:
        """Run `blocks ACTION`, killed at each of these steps; until_done : and then to its end."""
        left = [] if self.is_done else list(steps)
        give_up_at = time.monotonic() + GIVE_UP_AFTER_S
        while left or until_done:
            self._look_at_loaders()
            code, said = self._ran(action, self._dies_at(left[0]) if left else {})
            if code == -signal.SIGKILL:
                self._died(left.pop(0))
            elif code == 0:  # it came to its end before that step
                return
            elif code != LEASE_HELD or time.monotonic() > give_up_at:
                raise NotKept(f"blocks {action} ended with {code}: {said}")
            else:
                time.sleep(RETRY_AFTER_S)

    def _ran(self, action: str, environ: dict[str, str]) -> tuple[int, str]:
        """How a command ended, and what it said."""
        more = ["--previous-release-ended"] if action == "begin" else []
        command = [MODULE, "blocks", action, *more, "--database", self._url]
        with tempfile.TemporaryFile("w+") as said:
            process = start(command, environ=os.environ | environ, stdout=said, stderr=said)
            code = process.wait(GIVE_UP_AFTER_S)
            said.seek(0)
            return code, said.read()


def one_round(killer: MergeKiller, chance: random.Random, *, serve_meanwhile: bool) -> None:
    """Rows become blocks, these are joined, and become rows. serve_meanwhile : also during commands."""
    killer.command("begin", dying_merger.BEGIN)
    killer.start_servers()
    killer.strike_servers()
    if not serve_meanwhile:
        killer.stop_servers()
    killer.command("stop", dying_merger.STOP)
    whole = killer.acknowledged < WHOLE_BELOW and chance.random() < 0.5
    killer.command("unpack", *dying_merger.UNPACK, until_done=whole)


@contextmanager
def loaded(url: str, workers: int, kills: int, seed: int) -> Iterator[MergeKiller]:
    """Servers that store readings as rows, and a load on them; at the end all of it is acknowledged."""
    choose_form(url, "rows")
    tokens = make_keys(url, [DEVICE])
    with ExitStack() as stack:
        servers = [ServerProcess(url, tokens, module=MODULE) for _ in range(workers)]
        for server in servers:
            stack.callback(server.close)
            server.start()
        with servers[0].client("operator") as http:
            http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
        killer = MergeKiller(url, servers, kills, seed)
        for loader in killer.loaders:
            loader.start()
        yield killer
        for loader in killer.loaders:
            loader.end()
        for server in servers:
            server.stop()


def kill_merging(url: str, *, kills: int, workers: int, seed: int) -> MergeKiller:
    """Kill that often, and compare. Raises NotKept."""
    chance = random.Random(seed)
    is_sqlite = url.startswith("sqlite")  # there commands have the file to themselves
    with loaded(url, workers, kills, seed) as killer:
        killer.wait_for_readings(FIRST_ROWS)
        if is_sqlite:
            killer.stop_servers()
        while not killer.is_done:
            one_round(killer, chance, serve_meanwhile=not is_sqlite)
            compare_all(url, killer.clients)
        killer.start_servers()
    compare_all(url, killer.clients)
    return killer


def said_of(killer: MergeKiller) -> str:
    """What became of the readings."""
    resent = sum(client.resent for client in killer.clients)
    return (
        f"{killer.acknowledged:,} readings acknowledged, all there once with times and values; "
        f"{resent:,} posts repeated, {killer.watcher.pages:,} pages compared meanwhile; the account balances"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--database", choices=("sqlite", "postgres"), default="sqlite")
    parser.add_argument("--workers", type=int, default=2, help="servers over one PostgreSQL")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(arguments)
    workers = given.workers if given.database == "postgres" else 1
    began_s = time.monotonic()
    with nursery(), database_of(given.database) as url:
        killer = kill_merging(url, kills=given.kills, workers=workers, seed=given.seed)
    for step in (*dying_merger.STEPS, INSTANT):
        print(f"{killer.deaths[step]:4} {step}")
    print(
        f"{killer.deaths.total()} kills of {workers} process(es) and commands over {given.database}, "
        f"seed {given.seed}: {said_of(killer)}; {time.monotonic() - began_s:.0f} s"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
