"""
A server that comes back from an older copy holds again all that gateways hold, within their asking interval.

Real processes on both sides. Streams of every kind: one that takes readings, one that is idle and fully
acknowledged, one that was forked, those of a spool before, which was damaged and carried over, and those of
one that was damaged after all of it was acknowledged.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.wire import Reading
from cleanside.ingest.cli import main
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.held import readings_of
from tests.support.serving import DEVICE, ServerProcess

FORKED, CARRIED, IDLE = "hauler-21-intake", "loader-02-intake", "crusher-02-intake"
DEVICES = (DEVICE, FORKED, CARRIED, IDLE)
ASK_EVERY_S = 1.0
BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def timed(first: int, last: int) -> list[Reading]:
    """Readings that bring a trusted time of their own; the value tells the number."""
    return [
        Reading(
            at=BEGIN + timedelta(seconds=10 * n),
            values={"restriction": n / 100},
            units={"restriction": "kPa"},
        )
        for n in range(first, last + 1)
    ]


def make_spools(folder: Path) -> None:
    """What the machines hold before anything is sent."""
    clock = SystemClock()
    with Spool(folder / f"{DEVICE}.spool", device=DEVICE, clock=clock) as spool:
        spool.append(timed(1, 30))
    with Spool(folder / f"{IDLE}.spool", device=IDLE, clock=clock) as spool:
        spool.append(timed(1, 50))
    with Spool(folder / f"{FORKED}.spool", device=FORKED, clock=clock) as spool:
        spool.append(timed(1, 40))
        spool.fork("stream_forked")
        spool.append(timed(41, 60))
    path = folder / f"{CARRIED}.spool"
    with Spool(path, device=CARRIED, clock=clock) as spool:
        spool.append(timed(1, 70))
    with path.open("r+b") as file:  # its head: SQLite knows it no more
        file.write(b"\xff" * 100)


class Shop:
    """The server with its copies of several ages, and the gateways that go on meanwhile."""

    def __init__(self, folder: Path, url: str, server: ServerProcess, stack: ExitStack) -> None:
        self.folder, self.url, self.server = folder, url, server
        self.gateways = {device: self._gateway(device, stack) for device in DEVICES}
        self.appended = 30

    def _gateway(self, device: str, stack: ExitStack) -> GatewayProcess:
        gateway = GatewayProcess(
            self.folder,
            device=device,
            key=self.server.tokens["device"],
            server=self.server.url,
            ask_every_s=ASK_EVERY_S,
        )
        stack.callback(gateway.close)
        return gateway

    def append(self, count: int) -> None:
        """New readings of the machine that is at work."""
        for n in range(self.appended + 1, self.appended + count + 1):
            at = (BEGIN + timedelta(seconds=10 * n)).isoformat()
            self.gateways[DEVICE].write({"at": at, "restriction": n / 100})
        self.appended += count

    def damage(self, device: str) -> None:
        """Power gone, and with it the head of the spool; key on."""
        gateway = self.gateways[device]
        gateway.kill()
        with gateway.spool_path.open("r+b") as file:
            file.write(b"\xff" * 100)
        gateway.start()

    def held(self) -> dict[str, list[float]]:
        """The values that the server holds, in order of time."""
        return {
            device: [pa or 0 for _, _, pa in sorted(readings_of(self.url, device), key=lambda row: row[1])]
            for device in DEVICES
        }

    def expected(self) -> dict[str, list[float]]:
        """What the gateways hold: each reading once."""
        through = {DEVICE: self.appended, FORKED: 60, CARRIED: 70, IDLE: 50}
        return {device: [n * 10.0 for n in range(1, last + 1)] for device, last in through.items()}

    def is_whole(self) -> bool:
        """The server holds all that the gateways hold, once, and the account says so."""
        held, expected = self.held(), self.expected()
        if any(len(held[device]) != len(expected[device]) for device in DEVICES):
            return False
        assert all(held[device] == pytest.approx(expected[device]) for device in DEVICES)
        with self.server.client("operator") as client:
            account = client.get("/v1/account").json()
        return bool(account["balances"]) and not any(
            line["pending"] + line["gap"] + line["lost"] for line in account["streams"]
        )

    def back_up(self, name: str) -> None:
        """A copy while serving."""
        command("backup", "--database", self.url, "--to", str(self.folder / name))

    def come_back_from(self, name: str, *, by_command: bool = True) -> None:
        """The server is killed and its disk lost; it comes back from a copy, by `restore` or by hand."""
        self.server.kill()
        for leftover in self.folder.glob("ingest.db*"):
            shutil.rmtree(leftover) if leftover.is_dir() else leftover.unlink()
        if by_command:
            command("restore", "--database", self.url, "--from", str(self.folder / name))
            # Without the file of revoked keys only device keys go on until a person confirms the others.
            handle = self.server.tokens["operator"].partition(".")[0]
            command("keys", "confirm", handle, "--database", self.url)
        else:
            shutil.copyfile(self.folder / name / "database.sqlite", self.folder / "ingest.db")
        self.server.start()


def command(*words: str) -> None:
    assert main(words) in (0, 1)  # 1: a copy while gateways send says what it lacks


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


@pytest.mark.timeout(240)
def test_a_server_restored_from_a_backup_of_any_age_is_made_whole_by_idle_gateways(
    tmp_path: Path,
    sqlite_database_url: str,
    start_server: Callable[..., ServerProcess],
    stack: ExitStack,
) -> None:
    """Found in a trial: nothing new is appended after the restores, and no gateway is restarted."""
    server = start_server(sqlite_database_url, devices=DEVICES)
    with server.client("admin") as client:
        for device in DEVICES:
            client.post("/v1/machines", json={"machine": device.removesuffix("-intake")}).raise_for_status()
            machine = {"device": device, "machine": device.removesuffix("-intake")}
            client.post("/v1/devices", json=machine).raise_for_status()
    make_spools(tmp_path)
    shop = Shop(tmp_path, sqlite_database_url, server, stack)
    shop.back_up("empty")
    for gateway in shop.gateways.values():
        gateway.start()
    wait_until(shop.is_whole, "the first readings of all arrive")
    for device in (CARRIED, IDLE):  # all of theirs is acknowledged
        shop.damage(device)
    shop.back_up("middle")
    shop.append(25)
    wait_until(shop.is_whole, "more readings arrive")
    shop.back_up("newest")

    for name, by_command in (("middle", True), ("middle", True), ("empty", True), ("newest", False)):
        shop.come_back_from(name, by_command=by_command)
        wait_until(shop.is_whole, f"the server restored from {name} is made whole")
    assert all(gateway.runs() for gateway in shop.gateways.values())
    shop.append(5)
    wait_until(shop.is_whole, "new readings arrive after all that")
