"""
The time tables of a spool: boots, anchors, and the placements that freeze them.

Promises: a placement once written is never changed; a later and better anchor only opens a new one for
readings still to come. Leaves to others: the mathematics (`gateway.placement`), transactions.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from operator import itemgetter

import apsw

from gateway.clock import Anchor, Clock
from gateway.placement import Boot, Placement, place
from gateway.version import BUILT
from gateway.wire import parse_instant

#: boot number -> its placements, each with the position it holds from
Placements = Mapping[int, Sequence[tuple[int, Placement]]]

FLOOR_US = parse_instant(f"{BUILT}T00:00:00Z").us
# A new anchor opens a new placement only if it at least halves the doubt, and by more than a second: fewer
# would write a row an hour for ever (chosen).
_BETTER_BY_US = 1_000_000

_ADD_BOOT = "INSERT INTO boots (boot, first_position, shown_us) VALUES (?, ?, ?) RETURNING number"
_LAST_SIGN_OF_LIFE = "SELECT time_us FROM readings WHERE boot = ? ORDER BY position DESC LIMIT 1"
_ADD_PLACEMENT = "INSERT INTO placements VALUES (?, ?, ?, ?, ?, ?, ?, ?)"


def register_boot(connection: apsw.Connection, clock: Clock, *, next_position: int) -> int:
    """The number of the boot that `clock` shows; a new row if it is new. The boots before it have ended."""
    known = connection.execute("SELECT number FROM boots WHERE boot = ?", (clock.boot_id(),)).get
    if known is not None:
        return int(known)
    for number, first in connection.execute(
        "SELECT number, first_position FROM boots WHERE ended_us IS NULL"
    ).fetchall():
        # Only positions from the boot's first on can hold it: the look back ends there.
        ended_us = connection.execute(
            _LAST_SIGN_OF_LIFE.replace("?", "?1 AND position >= ?2"), (number, first)
        ).get
        connection.execute("UPDATE boots SET ended_us = ? WHERE number = ?", (ended_us or 0, number))
    added = connection.execute(_ADD_BOOT, (clock.boot_id(), next_position, clock.utc_us())).get
    return int(added)


def adds_something(placements: Placements, boot: int, anchor: Anchor) -> bool:
    """True if `anchor` places a boot that is not placed, or tells the time much better than its placement."""
    running = placements.get(boot)
    if not running:
        return True
    doubt_us = running[-1][1].half_width_us(anchor.since_boot_us)
    return doubt_us - anchor.uncertainty_us > max(_BETTER_BY_US, anchor.uncertainty_us)


def add_anchor(connection: apsw.Connection, boot: int, anchor: Anchor, *, next_position: int) -> None:
    """Keep an anchor of the running boot; place what it allows, or what comes from `next_position` on."""
    connection.execute(
        "INSERT INTO anchors (boot, since_boot_us, utc_us, uncertainty_us, kind) VALUES (?, ?, ?, ?, ?)",
        (boot, anchor.since_boot_us, anchor.utc_us, anchor.uncertainty_us, anchor.kind),
    )
    if boot not in load_placements(connection):
        place_waiting(connection)
        return
    placement = place([Boot(number=boot, ended_us=None, anchors=[anchor])], floor_us=FLOOR_US)[boot]
    # A placement that nothing was written under yet gives way.
    connection.execute("DELETE FROM placements WHERE boot = ? AND first_position >= ?", (boot, next_position))
    _write(connection, boot, next_position, placement)


def place_waiting(connection: apsw.Connection) -> None:
    """Place every boot that can be placed and was not."""
    placements = load_placements(connection)
    anchors = load_anchors(connection)
    boots = [
        Boot(
            number=number,
            ended_us=ended_us,
            anchors=anchors.get(number, ()),
            placement=placements[number][-1][1] if number in placements else None,
        )
        for number, ended_us in connection.execute("SELECT number, ended_us FROM boots ORDER BY number")
    ]
    for number, placement in place(boots, floor_us=FLOOR_US).items():
        first = connection.execute("SELECT first_position FROM boots WHERE number = ?", (number,)).get
        _write(connection, number, first, placement)


def _write(connection: apsw.Connection, boot: int, first_position: int, placement: Placement) -> None:
    p = placement
    connection.execute(
        _ADD_PLACEMENT,
        (boot, first_position, p.zero_us, p.rate_ppb, p.anchor_us, p.uncertainty_us, p.growth_ppb, p.kind),
    )


def load_anchors(connection: apsw.Connection) -> dict[int, list[Anchor]]:
    """All anchors, by boot."""
    anchors: dict[int, list[Anchor]] = {}
    rows = connection.execute(
        "SELECT boot, kind, since_boot_us, utc_us, uncertainty_us FROM anchors ORDER BY number"
    )
    for boot, kind, since_boot_us, utc_us, uncertainty_us in rows:
        anchor = Anchor(kind=kind, since_boot_us=since_boot_us, utc_us=utc_us, uncertainty_us=uncertainty_us)
        anchors.setdefault(boot, []).append(anchor)
    return anchors


def load_placements(connection: apsw.Connection) -> dict[int, list[tuple[int, Placement]]]:
    """All placements, by boot, in the order of the positions they hold from."""
    placements: dict[int, list[tuple[int, Placement]]] = {}
    rows = connection.execute(
        "SELECT boot, first_position, zero_us, rate_ppb, anchor_us, uncertainty_us, growth_ppb, kind "
        "FROM placements ORDER BY boot, first_position"
    )
    for boot, first, zero_us, rate_ppb, anchor_us, uncertainty_us, growth_ppb, kind in rows:
        placement = Placement(
            zero_us=zero_us,
            rate_ppb=rate_ppb,
            anchor_us=anchor_us,
            uncertainty_us=uncertainty_us,
            growth_ppb=growth_ppb,
            kind=kind,
        )
        placements.setdefault(boot, []).append((first, placement))
    return placements


def placement_at(placements: Placements, boot: int, position: int) -> Placement | None:
    """The placement that holds for a reading of `boot` at `position`; None: the boot is not placed yet."""
    of_boot = placements.get(boot)
    if not of_boot:
        return None
    return of_boot[max(0, bisect_right(of_boot, position, key=itemgetter(0)) - 1)][1]
