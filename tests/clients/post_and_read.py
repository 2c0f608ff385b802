"""
Posts a batch and reads it back with the client that openapi-python-client makes of the API description.

Run by `tests/contract/test_generated_clients.py`, which makes `shop_client` first and checks the types of
this file against it. Prints what it read as JSON.

    python post_and_read.py ADDRESS ADMIN-KEY DEVICE-KEY INSTANT-OF-THE-FIRST-READING
"""

from __future__ import annotations

import json
import sys
from datetime import datetime, timedelta
from typing import Any

from shop_client import AuthenticatedClient
from shop_client.api.devices import post_device
from shop_client.api.machines import post_machine
from shop_client.api.quarantine import get_quarantine
from shop_client.api.readings import get_device_readings, post_readings
from shop_client.api.restriction import get_fleet, get_restriction
from shop_client.models.batch_answer import BatchAnswer
from shop_client.models.entries_answer import EntriesAnswer
from shop_client.models.fleet_answer import FleetAnswer
from shop_client.models.new_device import NewDevice
from shop_client.models.new_housing import NewHousing
from shop_client.models.new_machine import NewMachine
from shop_client.models.pressure_unit import PressureUnit
from shop_client.models.problem_details import ProblemDetails
from shop_client.models.quantity import Quantity
from shop_client.models.raw_readings import RawReadings
from shop_client.models.reading import Reading
from shop_client.models.reading_shown import ReadingShown
from shop_client.models.readings_batch import ReadingsBatch
from shop_client.models.restriction_answer import RestrictionAnswer
from shop_client.models.terminal_restriction import TerminalRestriction
from shop_client.models.units import Units

#: RFC 3339 section 5.7: the server gives a leap second as it was sent, and no datetime can hold it
LEAP_SECOND = {"stream": "", "seq": 1, "at": "2016-12-31T23:59:60Z"}
MACHINE, DEVICE = "loader-11", "loader-11-intake"


def register(admin: AuthenticatedClient) -> None:
    """A machine with its limit as the gauge shows it, and a device on it."""
    limit = TerminalRestriction(value=25.0, unit=PressureUnit.INH2O)
    machine = NewMachine(machine=MACHINE, housings=[NewHousing(housing="main", terminal_restriction=limit)])
    post_machine.sync(client=admin, body=machine)
    post_device.sync(client=admin, body=NewDevice(device=DEVICE, machine=MACHINE))


def post(device: AuthenticatedClient, first_at: datetime) -> BatchAnswer:
    """Three readings, the last with a value that is not believed; one unit in a spelling of the field."""
    readings = [
        Reading(at=first_at + timedelta(seconds=10 * i), restriction=value, engine_speed=1800)
        for i, value in enumerate([3.05, 3.1, 900.0])
    ]
    units = Units(restriction=PressureUnit.KPA, engine_speed="rpm")
    answer = post_readings.sync(client=device, body=ReadingsBatch(DEVICE, readings, units=units))
    assert isinstance(answer, BatchAnswer), answer
    return answer


def read(admin: AuthenticatedClient, first_at: datetime) -> dict[str, Any]:
    """Fleet, restriction, readings and quarantine."""
    fleet = get_fleet.sync(client=admin)
    housing = get_restriction.sync(MACHINE, client=admin)
    readings = get_device_readings.sync(
        DEVICE, client=admin, quantity=[Quantity.RESTRICTION], unit=["restriction:inwc"], since=first_at
    )
    quarantine = get_quarantine.sync(client=admin, device=DEVICE)
    nothing = get_restriction.sync("nothing", client=admin)
    assert isinstance(fleet, FleetAnswer)
    assert isinstance(housing, RestrictionAnswer)
    assert isinstance(readings, RawReadings)
    assert isinstance(readings.readings, list)
    assert isinstance(readings.units, Units)
    assert isinstance(quarantine, EntriesAnswer)
    assert isinstance(nothing, ProblemDetails)
    assert housing.terminal_restriction is not None
    return {
        "fleet": [(one.machine, one.housing, one.state.value) for one in fleet.housings],
        "now_is_an_instant": isinstance(housing.now, datetime),
        "limit": [housing.terminal_restriction.value, str(housing.terminal_restriction.unit)],
        "readings": [[_instant(one.at), one.restriction] for one in readings.readings],
        "unit": str(readings.units.restriction),
        "quarantine": [[one.code, one.content.to_dict()["restriction"]] for one in quarantine.entries],
        "problem": nothing.code,
        "leap_second": ReadingShown.from_dict(LEAP_SECOND).at,
    }


def _instant(at: datetime | str) -> str:
    return at.isoformat() if isinstance(at, datetime) else at


def main() -> None:
    """Register, post, post again, read."""
    address, admin_key, device_key, at = sys.argv[1:]
    first_at = datetime.fromisoformat(at)
    admin, device = (AuthenticatedClient(address, key) for key in (admin_key, device_key))
    register(admin)
    first, again = post(device, first_at), post(device, first_at)
    posted = {
        "stored": first.stored,
        "quarantined": [one.code for one in first.quarantined],
        "duplicates": again.duplicates,
    }
    json.dump(posted | read(admin, first_at), sys.stdout)


if __name__ == "__main__":
    main()
