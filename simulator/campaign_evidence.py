"""
What a campaign's audit looks at: asked of the server over HTTP, and read from the spools' files.

Promises: changes nothing. Files are read after their gateways ended, by the library that made them.
Leaves to others: what has to hold (`row_audit.py`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.spool.file import open_to_read
from cleanside.simulator.ledger import read_ledger
from cleanside.simulator.row_audit import Evidence, InFile, Shown
from cleanside.simulator.tried_gateway import TriedGateway
from cleanside.simulator.tried_shop import TriedShop

_ROWS = """SELECT u.units, r.payload FROM readings r JOIN unit_sets u ON u.number = r.unit_set
ORDER BY r.position"""
_FACTORS = {"Pa": 1.0, "kPa": 1000.0}


def gather(ledger: Path, shop: TriedShop, gateways: Sequence[TriedGateway]) -> Evidence:
    """All the evidence there is, once everything has arrived and the gateways have ended."""
    devices = sorted({gateway.device for gateway in gateways})
    return Evidence(
        ledger=read_ledger(ledger),
        shown=[shown_of(device, row) for device in devices for row in shop.readings(device)],
        quarantined=list(_quarantined(shop.quarantined())),
        account=shop.get("/v1/account"),
        attention=shop.get("/v1/attention"),
        in_files=[row for gateway in gateways for row in _in_file(gateway)],
        file_faults={gateway.name: verify(gateway.spool_path) for gateway in gateways},
        waiting={gateway.name: waiting(gateway) for gateway in gateways},
        crashes={gateway.name: list(gateway.crashes) for gateway in gateways},
        copied=frozenset(gateway.device for gateway in gateways if gateway.is_copied),
    )


def shown_of(device: str, row: dict[str, Any]) -> Shown:
    """A reading as `GET /v1/devices/{device}/readings` shows it."""
    return Shown(
        device=device,
        stream=row["stream"],
        seq=row["seq"],
        at=row["at"],
        at_uncertainty_s=row.get("at_uncertainty_s"),
        number=round(row.get("engine_hours", -1)),
        restriction_pa=row.get("restriction"),
        supply_voltage_v=row.get("supply_voltage"),
    )


def _quarantined(entries: Iterable[dict[str, Any]]) -> Iterator[tuple[str, int, str]]:
    for entry in entries:
        yield entry["device"], round(entry["content"].get("engine_hours", -1)), entry["code"]


def _in_file(gateway: TriedGateway) -> Iterator[InFile]:
    with closing(open_to_read(gateway.spool_path)) as connection:
        for units, payload in connection.execute(_ROWS):
            named = [(quantity, unit) for quantity, unit in json.loads(str(units))]
            values = dict(zip(named, json.loads(str(payload)), strict=True))
            found = {quantity: value * _FACTORS.get(unit, 1.0) for (quantity, unit), value in values.items()}
            yield InFile(
                writer=gateway.name,
                number=round(found["engine_hours"]),
                restriction_pa=found["restriction"],
                supply_voltage_v=found["supply_voltage"],
            )


def waiting(gateway: TriedGateway) -> int:
    """Readings of a gateway that the shop has not confirmed."""
    state = gateway.state()
    return -1 if state is None else state.backlog
