"""A machine changes hands while its gateway works: real processes, real spool, real link; nothing is lost."""

from __future__ import annotations

from pathlib import Path

from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.held import quarantined_of, stored_of
from tests.support.serving import DEVICE, ServerProcess

NOTHING_MORE = {"use": "ndjson", "units": {"restriction": "Pa"}}


def at(number: int) -> dict[str, object]:
    return {"at": f"2026-03-02T06:{number // 60:02d}:{number % 60:02d}Z", "restriction": 3000 + number}


def test_a_gateway_goes_on_with_a_key_of_the_new_owner_and_nothing_is_lost(
    server: ServerProcess, tmp_path: Path
) -> None:
    """Readings from before, from while no key was good, and from after: all at the new owner, once."""
    with server.client("admin") as plateau, server.client("quarry admin") as quarry:
        plateau.post("/v1/machines", json={"machine": "grader-07"}).raise_for_status()
        plateau.post("/v1/devices", json={"device": DEVICE, "machine": "grader-07"}).raise_for_status()
        gateway = GatewayProcess(
            tmp_path, device=DEVICE, key=server.tokens["device"], server=server.url, source=NOTHING_MORE
        )
        try:
            gateway.start()
            for number in range(1, 41):
                gateway.write(at(number))
            wait_until(
                lambda: gateway.appended() == 40 == gateway.released(),
                "40 readings acknowledged to the old owner's key",
            )

            offered = plateau.post("/v1/transfers", json={"machine": "grader-07"}).json()
            taken = quarry.post("/v1/transfers/accept", json={"code": offered["code"]})
            assert taken.status_code == 200, taken.text
            for number in range(41, 81):
                gateway.write(at(number))
            wait_until(lambda: gateway.appended() == 80, "40 readings more on the machine's disk")
            assert gateway.released() == 40
            assert gateway.stop() == 0

            body = {"device": DEVICE, "machine": "grader-07"}
            code = quarry.post("/v1/enrolments", json=body).json()["code"]
            enrolled = quarry.post("/v1/enrol", json={"code": code, "device": DEVICE})
            (tmp_path / f"{DEVICE}.key").write_text(enrolled.json()["key"])
            gateway.start()
            for number in range(81, 101):
                gateway.write(at(number))
            gateway.end_input()
            assert gateway.wait() == 0, gateway.log()
        finally:
            gateway.close()
        account = quarry.get("/v1/account").json()
        assert plateau.get("/v1/account").json()["streams"] == []
    assert account["balances"]
    assert [(s["stored"], s["quarantined"], s["shed"], s["gap"]) for s in account["streams"]] == [
        (100, 0, 0, 0)
    ]
    stored = [(row["seq"], row["restriction_pa"]) for row in stored_of(server.database_url)]
    assert stored == [(number, 3000.0 + number) for number in range(1, 101)]
    assert quarantined_of(server.database_url, DEVICE) == []
