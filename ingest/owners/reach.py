"""
Which monitors people reach who are for some sites.

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

from cleanside.ingest.owners.access import devices_seen
from cleanside.ingest.store import papers
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
