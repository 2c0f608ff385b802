"""Two real gateways on copies of one spool, and a real server: every reading of both is stored once."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import httpx
import pytest

from cleanside.gateway.spool.host import traits_of
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.wire import Reading
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.link import Link
from tests.support.serving import DEVICE, ServerProcess, as_process

FIRST, SECOND = 100, 160


#: a boot's zero is placed in whole milliseconds: half of this lies between the times that two copies find
LATE_S = 0.05


def gateway(folder: Path, server: ServerProcess, url: str = "") -> GatewayProcess:
    """url : where it finds the server; "": where that is."""
    folder.mkdir(exist_ok=True)
    return GatewayProcess(folder, device=DEVICE, key=server.tokens["device"], server=url or server.url)


def run(one: GatewayProcess, values: list[float]) -> None:
    """Feed readings and wait until all are acknowledged."""
    before = one.appended() if one.spool_path.exists() else 0
    one.start()
    for value in values:
        one.write({"restriction": value})
    wait_until(lambda: one.appended() - before >= len(values), "the readings are on disk")
    one.end_input()
    assert one.wait() == 0, one.log()


def copy_files(one: GatewayProcess, other: GatewayProcess) -> None:
    """Copy all files of a spool together, as the page on a replaced disk says."""
    for file in one.spool_path.parent.glob(f"{one.spool_path.name}*"):
        if not file.name.endswith(".lock"):
            shutil.copy(file, other.spool_path.parent / file.name)


def numbers_files(folder: Path) -> bool:
    """Does the file system of a folder number files so that a copy shows (operations.md names which do)."""
    return "file" in traits_of(folder)


@pytest.fixture(params=["numbered", "unnumbered"])
def folder(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """A folder for spools on a file system of each kind, wherever the other files of the tests lie."""
    with ExitStack() as stack:
        for place in (tmp_path, *(place for place in (Path("/var/tmp"), Path("/dev/shm")) if place.is_dir())):
            if numbers_files(place) == (request.param == "numbered"):
                yield Path(stack.enter_context(TemporaryDirectory(dir=place)))
                return
        pytest.skip(f"no file system here has files {request.param}")


def declared(account: dict[str, Any]) -> list[str]:
    """What the gateways said of their streams."""
    return [entry["event"] for line in account["streams"] for entry in line["declared"]]


def test_both_machines_with_a_copied_spool_reach_the_shop_whole(
    folder: Path, sqlite_database_url: str
) -> None:
    """Found in a trial: 600 readings lay in quarantine for good, and nothing said so."""
    with as_process(sqlite_database_url) as server, server.client("admin") as shop:
        shop.post("/v1/machines", json={"machine": "grader-07"}).raise_for_status()
        body = {"device": DEVICE, "machine": "grader-07"}
        shop.post("/v1/devices", json=body).raise_for_status()
        one, other = gateway(folder / "one", server), gateway(folder / "other", server)
        try:
            run(one, [3.0] * FIRST)
            copy_files(one, other)
            run(one, [3.0 + n / 1_000 for n in range(SECOND)])
            run(other, [4.0 + n / 1_000 for n in range(SECOND)])
        finally:
            one.close()
            other.close()
        account = shop.get("/v1/account").json()
        assert account["balances"]
        assert sum(line["stored"] for line in account["streams"]) == FIRST + 2 * SECOND
        assert len([line for line in account["streams"] if line["stored"]]) == 2
        shown = {group["group"]: group["count"] for group in shop.get("/v1/attention").json()["groups"]}
        # Where the file's number tells the copy, nothing conflicts; elsewhere its conflicts tell it.
        assert declared(account) == ["spool_copied" if numbers_files(folder) else "stream_opened"]
        assert shown["in_conflict"] == (0 if numbers_files(folder) else 1)


def conflicts(shop: httpx.Client) -> dict[str, int]:
    """Code -> how many, of what is in conflict."""
    groups: list[dict[str, Any]] = shop.get("/v1/attention").json()["groups"]
    [group] = [group for group in groups if group["group"] == "in_conflict"]
    return {entry["code"]: entry["count"] for entry in group["entries"]}


def test_what_was_copied_before_its_time_was_known_comes_twice_and_a_person_discards_the_second(
    folder: Path, sqlite_database_url: str
) -> None:
    """Each copy finds a time of its own, so neither is a repeat. The copy says that it is one."""
    with (
        as_process(sqlite_database_url) as server,
        server.client("admin") as shop,
        Link(server.port, replies_late_s=LATE_S) as slow,
    ):
        shop.post("/v1/machines", json={"machine": "grader-07"}).raise_for_status()
        shop.post("/v1/devices", json={"device": DEVICE, "machine": "grader-07"}).raise_for_status()
        one, other = gateway(folder / "one", server), gateway(folder / "other", server, slow.url)
        values = [{"restriction": 3.0 + n / 1_000} for n in range(FIRST)]
        with Spool(one.spool_path, device=DEVICE, clock=SystemClock()) as spool:
            spool.append([Reading(values=value, units={"restriction": "kPa"}) for value in values])
        copy_files(one, other)
        for gone_on in (one, other):
            run(gone_on, [])
            gone_on.close()
        account = shop.get("/v1/account").json()
        assert sum(line["stored"] for line in account["streams"]) == 2 * FIRST
        if not numbers_files(
            folder
        ):  # tmpfs: who sends second learns it of the answer, and nothing says "copy"
            assert declared(account) == ["stream_opened"]
            assert conflicts(shop) == {"number_conflict": FIRST}
            return
        assert declared(account) == ["spool_copied"]
        assert conflicts(shop) == {"number_conflict": FIRST, "copied_reading": FIRST}
        body = {"where": {"device": DEVICE}, "same_reading": True, "reason": "the disk was copied"}
        shop.post("/v1/quarantine/discards", json=body).raise_for_status()
        account = shop.get("/v1/account").json()
        assert account["balances"]
        assert sum(line["stored"] for line in account["streams"]) == FIRST
        assert conflicts(shop) == {}
