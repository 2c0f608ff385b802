"""
Replace the server processes of an earlier release one by one under load, its schema brought along meanwhile.

    python -m venv EARLIER && EARLIER/bin/pip install cleanside-0.1.0-py3-none-any.whl
    python -m tests.fault.beside_release EARLIER/bin/cleanside-ingest
    python -m tests.fault.beside_release --commit v0.1.0

Two processes of the earlier release serve over a PostgreSQL that it made. Four clients send all the while,
each batch again until it is acknowledged. Then this commit's `migrate` runs, and each process in turn is
stopped and comes back as this commit: in between both releases write the same streams.
Promised after it, and checked: every acknowledged reading is there, once, with its value; the account
balances. Exits non-zero with the first thing that does not hold. By hand, before a release: it takes the
program of an earlier one, or makes it of a commit, which then runs with the libraries that are installed
here.
"""

from __future__ import annotations

import argparse
import itertools
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from tests.fault.fail_over import CLIENTS, PROCESSES, TimedSender, acknowledged, wait_for_each
from tests.fault.test_ingest_killed import BATCH_ROWS, GIVE_UP_AFTER_S, assert_all_there_once, wait_for
from tests.support import nursery
from tests.support.databases import Postgres
from tests.support.serving import DEVICE, ServerProcess, make_keys

ROOMS = ("gateway", "ingest", "migrations", "simulator")
A_WHILE = 40 * BATCH_ROWS  # acknowledged readings in each state


class ReplacedServer(ServerProcess):
    """A server process that is of an earlier release until it is replaced."""

    #: its program; None: this commit
    earlier: Path | None = None

    def _begin(self, arguments: Sequence[str], environ: dict[str, str]) -> nursery.Process:
        if self.earlier is None:
            return super()._begin(arguments, environ)
        command = [str(self.earlier), *arguments]
        return subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=self._log, env=environ
        )


def replace_all(earlier: Path, url: str) -> tuple[list[TimedSender], float]:
    """The whole of it over one empty database. Returns the clients, and how long `migrate` took. [s]"""
    _run(earlier, "migrate", "--database", url)
    tokens = make_keys(url, [DEVICE])
    servers = [ReplacedServer(url, tokens, "--log-level", "error") for _ in range(PROCESSES)]
    senders = [TimedSender(servers[n % PROCESSES], n, indexes=itertools.count()) for n in range(CLIENTS)]
    try:
        for server in servers:
            server.earlier = earlier
            server.start()
        with servers[0].client("operator") as http:
            http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
        for sender in senders:
            sender.start()
        _go_on(senders)
        began_s = time.monotonic()
        _run(Path(sys.executable), "-m", "ingest", "migrate", "--database", url)
        took_s = time.monotonic() - began_s
        _go_on(senders)
        for server in servers:
            assert server.stop() == 0
            server.earlier = None
            server.start()
            _go_on(senders)
        for sender in senders:
            sender.enough.set()
            sender.join(GIVE_UP_AFTER_S)
            assert not sender.is_alive()
        assert [server.stop() for server in servers] == [0] * PROCESSES
        assert_all_there_once(url, list(senders))
    finally:
        for sender in senders:
            sender.enough.set()
        for server in servers:
            server.close()
    return senders, took_s


def _go_on(senders: Sequence[TimedSender]) -> None:
    """Until each client got through once, and all together for a while."""
    wait_for_each(senders)
    wait_for(list(senders), acknowledged(senders) + A_WHILE)
    assert all(sender.is_alive() for sender in senders)


def _run(program: Path, *arguments: str) -> None:
    environ = {k: v for k, v in os.environ.items() if not k.startswith("CLEANSIDE_")}
    done = subprocess.run(
        [str(program), *arguments], capture_output=True, text=True, env=environ, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def made_of(commit: str, folder: Path) -> Path:
    """The program of a commit, laid out as its wheel would be; git has to have the commit."""
    package = folder / "cleanside"
    package.mkdir()
    archive = folder / "commit.tar"
    subprocess.run(["git", "archive", "--output", str(archive), commit, *ROOMS], check=True)
    with tarfile.open(archive) as files:
        files.extractall(package, filter="data")
    shutil.copy(package / "gateway" / "cleanside.py", package / "__init__.py")
    program = folder / "cleanside-ingest"
    program.write_text(f'#!/bin/sh\nPYTHONPATH={folder} exec {sys.executable} -m cleanside.ingest "$@"\n')
    program.chmod(0o755)
    return program


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("earlier", nargs="?", type=Path, help="cleanside-ingest of an earlier release")
    which.add_argument("--commit", help="or what git calls an earlier commit")
    parser.add_argument("--times", type=int, default=1, help="each over a new database; default: 1")
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        earlier = made_of(given.commit, Path(folder)) if given.commit else given.earlier.absolute()
        postgres = Postgres(Path(folder) / "data", fsync=False)
        try:
            for _ in range(given.times):
                senders, took_s = replace_all(earlier, postgres.empty())
                longest_s = max(sender.take_longest() for sender in senders)
                print(
                    f"{PROCESSES} processes replaced: {acknowledged(senders):,} readings acknowledged, all "
                    f"there once with their values; {sum(sender.resent for sender in senders):,} posts "
                    f"repeated; the account balances; migrate took {took_s:.1f} s; the longest time without "
                    f"an acknowledgement {longest_s:.1f} s",
                    flush=True,
                )
        finally:
            postgres.stop()
    return 0


if __name__ == "__main__":
    sys.exit(main())
