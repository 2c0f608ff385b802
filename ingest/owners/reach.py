"""
Which machines and monitors people reach who are for some sites.

- A monitor that never sat elsewhere is theirs whole: they enrol it again, move it within their sites, and see
  what it measured.
- A monitor that sat elsewhere before, and sits at one of their sites now, they move or take off from now on.
  What it measured, its streams and its seats elsewhere stay closed.
- Every other one is not there for them.

Promises: read in the transaction that acts, because a monitor or a machine may just have moved.
Leaves to others: who may do what at all (`ingest.owners.access`), new names (`ingest.owners.claims`).
"""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.owners.access import BOUND_ROLES, devices_seen, sees_site
from cleanside.ingest.store import fleet, papers
from cleanside.ingest.store.fleet import MachineRow
from cleanside.ingest.store.keys import Key


class Reach(NamedTuple):
    """Names of devices."""

    #: theirs whole; None: all of the owner
    whole: frozenset[str] | None
    #: they sit here now and sat elsewhere before
    here: frozenset[str]

    def sees(self, device: str) -> bool:
        """True where a device is there for whoever asks."""
        return self.whole is None or device in self.whole or device in self.here


def reach_of(connection: sa.Connection, key: Key) -> Reach:
    """The devices that a key or person reaches now."""
    if not key.sites:
        return Reach(devices_seen(key), frozenset())
    whole = papers.devices_of_sites(connection, key.owner_id, key.sites)
    return Reach(whole, papers.devices_sitting_at(connection, key.owner_id, key.sites) - whole)


def sees_machine(connection: sa.Connection, key: Key, machine: MachineRow) -> bool:
    """
    True if the key may see a machine.

    Who is for some sites sees machines at these; bound roles those that carry one of their devices, or none.
    """
    if key.sites and not sees_site(key, papers.site_of(connection, machine.id)):
        return False
    if key.role not in BOUND_ROLES:
        return True
    seats = [
        seat
        for housing in fleet.housings_of(connection, machine.id)
        for seat in fleet.assignments_of_housing(connection, housing.id)
    ]
    return not seats or any(seat.device in key.devices for seat in seats)


def machines_seen(connection: sa.Connection, key: Key, *, after: str | None = None) -> list[MachineRow]:
    """The machines that the key may see, by name, all or those after a name; of sites in one query."""
    every = fleet.machines_of(connection, key.owner_id, after=after)
    if key.sites:
        sites = papers.sites_of_machines(connection, key.owner_id)
        every = [machine for machine in every if sees_site(key, sites.get(machine.id))]
    if key.role not in BOUND_ROLES:
        return every
    return [machine for machine in every if sees_machine(connection, key, machine)]


def sees_machine_named(connection: sa.Connection, key: Key, name: str) -> bool:
    """True if there is a machine of that name, and the key may see it."""
    machine = fleet.machine(connection, key.owner_id, name)
    return machine is not None and sees_machine(connection, key, machine)
