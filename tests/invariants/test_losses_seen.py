"""Invariant 12: what a gateway declares that it could not keep is seen at the shop."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from cleanside.ingest.console.wording import table
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.held import stored_of
from tests.support.serving import DEVICE, as_process


def test_invariant_12_a_line_read_in_part_is_kept_as_far_as_it_is_known_and_the_shop_sees_it(
    sqlite_database_url: str, tmp_path: Path
) -> None:
    """
    A real gateway whose source sends a member that is no quantity of its settings, to a real server.

    One line has nothing else and is lost whole, declared as such. An empty line is a reading: the monitor was
    on and measured nothing, and that is what `no_restriction` goes by after a day's work.
    """
    lines: list[dict[str, Any]] = [
        {"restriction": 3.1},
        {"restriction": 3.2, "dust": 7},
        {"dust": 8},
        {},
        {"restriction": 3.3},
    ]
    with as_process(sqlite_database_url) as server, server.client("admin") as shop:
        assert shop.post("/v1/devices", json={"device": DEVICE}).status_code == 200
        gateway = GatewayProcess(
            tmp_path, device=DEVICE, key=server.tokens["device"], server=server.url, ask_every_s=0.2
        )
        try:
            gateway.start()
            for line in lines:
                gateway.write(line)
            gateway.end_input()
            assert gateway.wait() == 0, gateway.log()
        finally:
            gateway.close()
        measured = [row["restriction_pa"] for row in stored_of(sqlite_database_url)]
        assert [value and round(value) for value in measured] == [3100, 3200, None, 3300]
        account = shop.get("/v1/account").json()
        [stream] = account["streams"]
        assert account["balances"]
        assert (stream["stored"], stream["quarantined"]) == (4, 0)
        assert {(line["event"], line["readings"]) for line in stream["declared"]} == {
            ("readings_in_part", 0),
            ("readings_refused", 1),
        }
        groups = {g["group"]: g["entries"] for g in shop.get("/v1/attention").json()["groups"]}
        assert {line["code"] for line in groups["declared"]} == {"readings_in_part", "readings_refused"}
        assert all(line["needs_person"] and line["device"] == DEVICE for line in groups["declared"])
        page = shop.get("/backlog", params={"counted": True}).text
        for event in ("readings_in_part", "readings_refused"):
            assert str(table("en")[f"declared.{event}.next"]) in page
        wait_until(lambda: "readings_in_part" in shop.get("/metrics").text, "the figures have it")
