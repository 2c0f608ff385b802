"""Disk and link fail together under a real gateway: the loss is declared once both are back."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx
import pytest

from cleanside.gateway.cli import EXIT_OK
from cleanside.gateway.commands.feed import BRIDGE_READINGS
from cleanside.gateway.errors import SpoolDamaged, SpoolInUse, SpoolUnavailable, TryAgain
from tests.fault.test_gateway_dead_disk import DEAD, WELL, Gateway, running
from tests.support.coded import refused
from tests.support.gatewaying import wait_until
from tests.support.link import Link
from tests.support.serving import ServerProcess, as_process
from tests.unit.gateway.helpers import DEVICE, numbers, open_spool, readings

WRITTEN = BRIDGE_READINGS + 4_000


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


def take_away(folder: Path) -> None:
    """The disk is pulled: its folder is gone, and where it was nothing can be made."""
    folder.rename(folder.with_name("pulled"))
    folder.touch()


def bring_back(folder: Path) -> None:
    folder.unlink()
    folder.with_name("pulled").rename(folder)


class Site:
    """A server, a link and a gateway whose spool lies in a folder of its own, the disk."""

    def __init__(self, folder: Path, url: str, stack: ExitStack) -> None:
        self.disk = folder / "disk"
        self.disk.mkdir(mode=0o700)
        self.server: ServerProcess = stack.enter_context(as_process(url))
        self.shop: httpx.Client = stack.enter_context(self.server.client("admin"))
        self.shop.post("/v1/machines", json={"machine": "grader-07"}).raise_for_status()
        self.shop.post("/v1/devices", json={"device": DEVICE, "machine": "grader-07"}).raise_for_status()
        self.link: Link = stack.enter_context(Link(self.server.port))
        key = folder / "key"
        key.touch(mode=0o600)
        key.write_text(self.server.tokens["device"])
        uplink = ("--uplink-server", self.link.url, "--uplink-key-file", str(key))
        stop = ("--run-stop-wait-s", "60")
        self.gateway: Gateway = stack.enter_context(running(self.disk, *uplink, *stop))

    def arrived(self) -> int:
        """Also what is no possible value: the gateway's helper counts upwards."""
        lines = self.shop.get("/v1/account").json()["streams"]
        return sum(line["stored"] + line["quarantined"] for line in lines)

    def declared(self) -> list[tuple[str, int]]:
        machine: dict[str, Any] = self.shop.get("/v1/machines/grader-07").json()
        return [(entry["event"], entry["readings"]) for entry in machine["declared"]]

    def shown(self) -> list[tuple[str, int]]:
        """What stands in the one place where the shop looks."""
        groups = {group["group"]: group for group in self.shop.get("/v1/attention").json()["groups"]}
        return [(entry["code"], entry["value"]) for entry in groups["declared"]["entries"]]


Fault = Callable[[Site], None]


@pytest.mark.parametrize(
    ("fail", "mend"),
    [
        pytest.param(lambda site: site.gateway.disk(DEAD), lambda site: site.gateway.disk(WELL), id="dead"),
        pytest.param(lambda site: take_away(site.disk), lambda site: bring_back(site.disk), id="pulled"),
    ],
)
def test_what_is_lost_while_disk_and_link_are_dead_is_told_once_both_are_back(
    tmp_path: Path, sqlite_database_url: str, stack: ExitStack, fail: Fault, mend: Fault
) -> None:
    site = Site(tmp_path, sqlite_database_url, stack)
    site.gateway.until("gateway.started")
    site.link.cut()
    fail(site)
    site.gateway.write(1, WRITTEN)
    assert site.gateway.process.stdin is not None
    site.gateway.process.stdin.close()
    site.gateway.until("gateway.source_ended")
    mend(site)
    site.gateway.until("gateway.readings_lost")
    said = re.search(r"gateway\.readings_lost .*count=(\d+)", site.gateway.said)
    assert said is not None
    lost = int(said[1])
    site.link.restore()
    wait_until(lambda: site.arrived() == WRITTEN - lost, "the rest arrives")
    wait_until(lambda: ("readings_lost", lost) in site.declared(), "the loss is declared")
    assert ("readings_lost", lost) in site.shown()
    site.gateway.process.terminate()
    assert site.gateway.end() == EXIT_OK, site.gateway.said


def test_a_spool_whose_disk_was_pulled_goes_on_when_it_is_back(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    with open_spool(disk / "a") as spool:
        spool.append(readings(1, 3))
        take_away(disk)
        for _ in range(3):
            with pytest.raises(TryAgain):
                spool.append(readings(4, 4))
        bring_back(disk)
        with refused(SpoolDamaged, "file_replaced"):  # another may lie there now
            spool.append(readings(4, 4))
        assert spool.append(readings(4, 5)) == range(4, 6)
        assert numbers(spool.peek()) == [1, 2, 3, 4, 5]
        with pytest.raises(SpoolInUse):
            open_spool(disk / "a")
    with open_spool(disk / "a") as spool:
        assert numbers(spool.peek()) == [1, 2, 3, 4, 5]


def test_a_spool_that_was_closed_stays_closed(tmp_path: Path) -> None:
    spool = open_spool(tmp_path / "a")
    spool.close()
    with refused(SpoolUnavailable, "spool_closed"):
        spool.append(readings(1, 1))
