"""Two real gateways on copies of one spool, and a real server: every reading of both is stored once."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.serving import DEVICE, ServerProcess, as_process

FIRST, SECOND = 100, 160


def gateway(folder: Path, server: ServerProcess) -> GatewayProcess:
    folder.mkdir(exist_ok=True)
    return GatewayProcess(folder, device=DEVICE, key=server.tokens["device"], server=server.url)


def run(one: GatewayProcess, values: list[float]) -> None:
    """Feed readings and wait until all are acknowledged."""
    before = one.appended() if one.spool_path.exists() else 0
    one.start()
    for value in values:
        one.write({"restriction": value})
    wait_until(lambda: one.appended() - before >= len(values), "the readings are on disk")
    one.end_input()
    assert one.wait() == 0, one.log()


def test_both_machines_with_a_copied_spool_reach_the_shop_whole(
    tmp_path: Path, sqlite_database_url: str
) -> None:
    """Found in a trial: 600 readings lay in quarantine for good, and nothing said so."""
    with as_process(sqlite_database_url) as server, server.client("admin") as shop:
        shop.post("/v1/machines", json={"machine": "grader-07"}).raise_for_status()
        body = {"device": DEVICE, "machine": "grader-07"}
        shop.post("/v1/devices", json=body).raise_for_status()
        one, other = gateway(tmp_path / "one", server), gateway(tmp_path / "other", server)
        try:
            run(one, [3.0] * FIRST)
            for part in ("", "-wal", "-shm"):
                if Path(f"{one.spool_path}{part}").exists():
                    shutil.copy(f"{one.spool_path}{part}", f"{other.spool_path}{part}")
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
        copied = any(
            entry["event"] == "spool_copied" for line in account["streams"] for entry in line["declared"]
        )
        assert (shown["in_conflict"] == 0) == copied
