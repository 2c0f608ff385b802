"""
The server of a campaign: the demo's, and what can happen to it.

Promises: backup and restore are the server's own commands, on SQLite and PostgreSQL; a lost disk loses the
database whole.
Leaves to others: which fault when (`campaign.py`).
"""

from __future__ import annotations

import os
import resource
import shutil
import signal
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlencode

import httpx
import sqlalchemy as sa

from cleanside.gateway.wire import DATABASE_HEADER
from cleanside.simulator.errors import DemoFailed
from cleanside.simulator.shop import Shop

_DEAD_S: Final = (1.0, 3.0)
_PAGE: Final = 10_000


@dataclass(frozen=True, slots=True)
class ShopRestore:
    """One restore: how old the backup was, and when it was done, by the bench's clock."""

    backup_age_s: float
    done_s: float


class TriedShop(Shop):
    """A server that is killed, stopped, held up, filled up, backed up and restored."""

    def __init__(self, folder: Path, *, database: str | None = None, pg_tools: Path | None = None) -> None:
        """database : None: a SQLite file in `folder`. pg_tools : where pg_dump is; None: on the path."""
        super().__init__(folder, database=database)
        self.folder = folder
        self._tools = () if pg_tools is None else ("--pg-tools", str(pg_tools))
        self.is_sqlite = database is None
        #: faults carried out
        self.done: Counter[str] = Counter()
        self.restores: list[ShopRestore] = []
        self._backups: list[tuple[float, Path]] = []

    def strike(self, what: str, size: float) -> None:
        """Carry out one fault; returns once it is over. size : 0 to 1."""
        faults = {
            "kill": self._kill_and_start,
            "stop": self._stop_and_start,
            "pause": self._pause,
            "no_room": self._no_room,
            "back_up": lambda _: self.back_up(),
            "restore": self.restore,
        }
        faults[what](size)
        self.done[what] += 1

    def _kill_and_start(self, size: float) -> None:
        self.kill()
        time.sleep(size)
        self.start()

    def _stop_and_start(self, _: float) -> None:
        assert self._process is not None
        self._process.terminate()
        self._process.communicate()
        self.start()

    def _pause(self, size: float) -> None:
        assert self._process is not None
        os.kill(self._process.pid, signal.SIGSTOP)
        time.sleep(_between(size))
        os.kill(self._process.pid, signal.SIGCONT)

    def _no_room(self, size: float) -> None:
        assert self._process is not None
        for most in (0, resource.RLIM_INFINITY):
            resource.prlimit(self._process.pid, resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY))
            time.sleep(_between(size) if not most else 0)

    def back_up(self) -> None:
        """A backup while it serves."""
        to = self.folder / f"backup-{len(self._backups) + 1}"
        began_s = time.monotonic()
        with suppress(DemoFailed):  # exit code 1: made, and the account lacks what a restore before it lost
            self._command("backup", "--to", str(to), *self._tools)
        if any(to.glob("*")):
            self._backups.append((began_s, to))

    def restore(self, size: float) -> None:
        """Its disk is lost, and it comes back from a backup. size : 0: the oldest, 1: the newest."""
        if not self._backups:
            self.back_up()
        made_s, backup = self._backups[min(len(self._backups) - 1, int(size * len(self._backups)))]
        self.kill()
        self._lose_disk()
        self._command("restore", "--from", str(backup), *self._tools)
        # The file of revoked keys was on the lost disk: all but device keys wait for a person's word.
        self._command("keys", "confirm", self._key.partition(".")[0])
        self.start()
        self.restores.append(ShopRestore(time.monotonic() - made_s, time.monotonic()))

    def _lose_disk(self) -> None:
        if not self.is_sqlite:
            empty(self._database)
            return
        for left in self.folder.glob("shop.db*"):
            shutil.rmtree(left) if left.is_dir() else left.unlink()

    def database_id(self) -> str:
        """What tells its database from a restored one."""
        return httpx.get(f"{self.url}/readyz").headers[DATABASE_HEADER]

    def readings(self, device: str) -> Iterator[dict[str, Any]]:
        """Every raw reading of a device, in order of time, in SI."""
        yield from self._walk(f"/v1/devices/{device}/readings", "readings", {"limit": _PAGE})

    def quarantined(self) -> Iterator[dict[str, Any]]:
        """Every reading in quarantine."""
        yield from self._walk("/v1/quarantine", "entries", {"limit": 1_000})

    def _walk(self, path: str, member: str, query: dict[str, Any]) -> Iterator[dict[str, Any]]:
        more: dict[str, str] = {}
        while True:
            page = self.get(f"{path}?{urlencode({**query, **more})}")
            entries: Sequence[dict[str, Any]] = page[member]
            yield from entries
            if page["next"] is None:
                return
            more = {"cursor": page["next"]}

    def take_bundle(self, file: Path) -> bool:
        """Import a bundle by the command, over HTTP. True where all of it was taken."""
        try:
            self._command("import", str(file), "--server", self.url, "--key-file", str(self.key_file))
        except DemoFailed:
            return False
        return True


def empty(url: str) -> None:
    """Drop every table of a PostgreSQL database, once no process of a server that was killed uses one."""
    engine = sa.create_engine(sa.make_url(url).set(drivername="postgresql+psycopg"))
    try:
        with engine.begin() as connection:
            quoted = connection.dialect.identifier_preparer.quote
            for table in sa.inspect(connection).get_table_names():
                connection.exec_driver_sql(f"DROP TABLE IF EXISTS {quoted(table)} CASCADE")
    finally:
        engine.dispose()


def _between(size: float) -> float:
    least_s, most_s = _DEAD_S
    return least_s + size * (most_s - least_s)
