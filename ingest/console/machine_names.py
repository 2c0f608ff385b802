"""Machines by name, where a person names one: what to choose from, and what a typo resembles."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.owners.reach import machines_seen
from cleanside.ingest.store.fleet import MachineRow
from cleanside.ingest.store.keys import Key

MOST_NEAREST = 3  # names that a typo may stand for; chosen: more are no help


def known_machines(resources: R, key: Key) -> list[MachineRow]:
    """The machines in use that a key sees, by name."""
    with resources.reading() as connection:
        return [machine for machine in machines_seen(connection, key) if machine.retired_us is None]


def nearest_machines(written: str, known: Sequence[MachineRow]) -> list[MachineRow]:
    """Those that a mistyped name resembles, or that are called like it; the likeliest first."""
    called = {machine.name.casefold(): machine for machine in known}
    called |= {m.display_name.casefold(): m for m in known if m.display_name}
    near = difflib.get_close_matches(written.casefold(), sorted(called), n=2 * MOST_NEAREST)
    return list(dict.fromkeys(called[name] for name in near))[:MOST_NEAREST]
