"""
Who may register a device name, and so read its readings.

The contract: an integrator "posts for devices it registered, reads their machines". The rule that follows:

- A key of role operator or admin, and a one-time code that such a key or the command line made, may register
  any name of the owner. That is a person's decision on who reads what.
- An integrator's key may register a name (or make or use a code for it) if it is bound to that name: it
  registered the device, or an admin bound the key.
- A person who is for some sites may make a code for a device that never sat elsewhere.
- Otherwise the name must be free. It is not free once the owner has a device of that name, registered or with
  readings in quarantine; nor while another valid key is bound to it (its gateway may be out of coverage and
  post later); nor while another key's one-time code for it is open.

Promises: every refusal reads the same, so an integrator learns that a name is taken and nothing more. The
owner is locked from this check to the commit, as it is where a key is made, so two requests at the same
moment cannot both find a name free.
Leaves to others: what a role may do at all (`ingest.owners.access`), what registering does
(`ingest.owners.enrolment`).
"""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.errors import Refused
from cleanside.ingest.owners.access import BOUND_ROLES
from cleanside.ingest.owners.reach import reach_of
from cleanside.ingest.store import fleet, keys, one_time_codes
from cleanside.ingest.store.keys import Key


def require_claim(connection: sa.Connection, key: Key, name: str, now_us: int) -> None:
    """Raise Refused (409 `device_taken`) unless the key may register a device of this name."""
    if not may_claim(connection, key, name, now_us):
        raise Refused("device_taken", status=409, device=name)


def may_claim(connection: sa.Connection, key: Key, name: str, now_us: int) -> bool:
    """True if the key may register a device of this name, now and until the transaction ends."""
    if key.sites:
        fleet.lock_owner(connection, key.owner_id)
        whole = reach_of(connection, key).whole
        return (whole is not None and name in whole) or _is_free(connection, key, name, now_us)
    if key.role not in BOUND_ROLES:
        return True
    fleet.lock_owner(connection, key.owner_id)
    now = keys.by_handle(connection, key.handle)  # a transfer may just have taken a device from it
    if now is None or now.state(now_us) != keys.VALID:
        return False
    return name in now.devices or _is_free(connection, key, name, now_us)


def _is_free(connection: sa.Connection, key: Key, name: str, now_us: int) -> bool:
    """True where no other key or person of the owner has to do with a name."""
    return (
        fleet.device(connection, key.owner_id, name) is None
        and not keys.others_bound(connection, key, name, now_us)
        and not one_time_codes.others_open(connection, key.owner_id, key.handle, name, now_us)
    )
