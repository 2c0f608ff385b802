"""
The time tables of a spool: boots, anchors, and the placements that freeze them.

Promises: a written placement never changes; a later and better anchor only opens a new one for later
readings.
Leaves to others: the mathematics (`gateway.timing.placement`), transactions.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any, Final, cast

import apsw

from cleanside.gateway.spool.file_notes import read_note, set_note
from cleanside.gateway.spool.payload import whole
from cleanside.gateway.timing.clock import Anchor, Clock
from cleanside.gateway.timing.placement import ROUND_US, Boot, Placement, by_anchor, by_two_anchors, place
from cleanside.gateway.version import BUILT
from cleanside.gateway.wire import parse_instant

#: boot number -> its placements, each with the position it holds from
Placements = Mapping[int, Sequence[tuple[int, Placement]]]

FLOOR_US = parse_instant(f"{BUILT}T00:00:00Z").us
# A new anchor opens a new placement only if it at least halves the uncertainty, and by more than a second:
# smaller gains would write a row an hour for ever (chosen).
_BETTER_BY_US = 1_000_000
_CONTRADICT_EVERY_US = 3_600_000_000

_COPIED_IN: Final = "copied_in"  # the note with the boots in which the file was found to be a copy
# The first reading of the boot behind the last that is not of it, which brought a time of its own or is of
# another boot: there is nothing to correct in that.
_LAST_RUN = """SELECT position, time_us FROM readings
WHERE boot = ?1 AND position >= ?2 AND position < ?3 AND position > coalesce(
    (SELECT max(position) FROM readings WHERE position >= ?2 AND position < ?3 AND boot IS NOT ?1), ?2 - 1)
ORDER BY position LIMIT 1"""
_ADD_BOOT = "INSERT INTO boots (boot, first_position, shown_us) VALUES (?, ?, ?) RETURNING number"
_ADD_PLACEMENT = "INSERT INTO placements VALUES (?, ?, ?, ?, ?, ?, ?, ?)"


def register_boot(
    connection: apsw.Connection,
    clock: Clock,
    *,
    next_position: int,
    last_sign_us: Callable[[int, int], int | None],
) -> int:
    """
    The number of the boot that `clock` shows; a new row if it is new. The boots before it have ended.

    last_sign_us : of a boot and its first position, the time of its last reading since it began [us].
    """
    known = connection.execute("SELECT number FROM boots WHERE boot = ?", (clock.boot_id(),)).get
    if known is not None:
        return int(known)
    running = connection.execute("SELECT number, first_position FROM boots WHERE ended_us IS NULL")
    for number, first in cast(list[tuple[int, int]], running.fetchall()):
        ended_us = last_sign_us(number, first) or 0
        connection.execute("UPDATE boots SET ended_us = ? WHERE number = ?", (ended_us, number))
    added = connection.execute(_ADD_BOOT, (clock.boot_id(), next_position, clock.utc_us())).get
    return int(added)


def adds_something(placements: Placements, boot: int, anchor: Anchor) -> bool:
    """True if `anchor` places an unplaced boot, is much more exact, or contradicts the placement."""
    if not anchor.is_possible:
        return False
    running = placements.get(boot)
    if not running:
        return True
    placement = running[-1][1]
    doubt_us = placement.half_width_us(anchor.since_boot_us)
    if doubt_us - anchor.uncertainty_us > max(_BETTER_BY_US, anchor.uncertainty_us):
        return True
    off_us = abs(anchor.utc_us - placement.at_us(anchor.since_boot_us))
    # Two sources that contradict each other for ever must not write a row a minute.
    return off_us > doubt_us + anchor.uncertainty_us + _BETTER_BY_US and (
        abs(anchor.since_boot_us - placement.anchor_us) > _CONTRADICT_EVERY_US
    )


@dataclass(frozen=True, slots=True)
class Correction:
    """
    The correction from a later anchor for readings of its boot that were placed before: sent to the server.
    """

    boot: str
    #: of the first of these readings; no other lies between it and `before_position`
    first_position: int
    #: these readings lie before it
    before_position: int
    #: to be added to the times as sent [s]
    shift_s: float
    #: half width of the corrected time [s]
    uncertainty_s: float
    kind: str


def add_anchor(
    connection: apsw.Connection, boot: int, anchor: Anchor, *, next_position: int
) -> Correction | None:
    """
    Store an anchor of the running boot, and place the boots that it allows, or readings from `next_position`
    on.

    Returns the correction where the boot was placed before: times that were sent never change here.
    """
    keep_anchor(connection, boot, anchor)
    before = load_placements(connection).get(boot)
    if before is None:
        place_waiting(connection)
        return None
    first = load_anchors(connection)[boot][0]
    placement = by_two_anchors(first, anchor) or by_anchor([anchor])
    assert placement is not None
    replace_placement(connection, boot, next_position, placement)
    return correction_of(connection, boot, anchor, before[-1], before_position=next_position)


def keep_anchor(connection: apsw.Connection, boot: int, anchor: Anchor) -> None:
    """Keep what said the time, beside the placement that it gives."""
    connection.execute(
        "INSERT INTO anchors (boot, since_boot_us, utc_us, uncertainty_us, kind) VALUES (?, ?, ?, ?, ?)",
        (boot, anchor.since_boot_us, anchor.utc_us, anchor.uncertainty_us, anchor.kind),
    )


def replace_placement(
    connection: apsw.Connection, boot: int, next_position: int, placement: Placement
) -> None:
    """Place readings of a boot from `next_position` on. A placement without readings yet is replaced."""
    connection.execute("DELETE FROM placements WHERE boot = ? AND first_position >= ?", (boot, next_position))
    _write(connection, boot, next_position, placement)


def correction_of(
    connection: apsw.Connection,
    boot: int,
    anchor: Anchor,
    before: tuple[int, Placement],
    *,
    before_position: int,
) -> Correction | None:
    """What `anchor` says of the readings that the placement before it placed; None: there are none."""
    from_position, said = before
    rows = connection.execute(_LAST_RUN, (boot, from_position, before_position)).fetchall()
    if not rows:
        return None
    first, since_boot_us = cast(list[tuple[int, int]], rows)[0]
    name: str = connection.execute("SELECT boot FROM boots WHERE number = ?", (boot,)).get
    shift_us = anchor.utc_us - said.at_us(anchor.since_boot_us)
    # One width for all: it holds back to the first, whatever the boot's clock did in between.
    drift_us = (anchor.since_boot_us - since_boot_us) * said.growth_ppb // 10**9 + 1
    half_us = anchor.uncertainty_us + drift_us + ROUND_US
    return Correction(name, first, before_position, shift_us / 1e6, half_us / 1e6, anchor.kind)


def forget_old_boots(connection: apsw.Connection) -> None:
    """
    Delete boots without readings in the spool.

    The last placed one of them stays: it brackets the boots behind it, with the next placed one.
    """
    # An entry that is not frozen yet needs its boot like a reading. Asked apart, so that each is one look.
    oldest = connection.execute("SELECT min(position) FROM readings").get
    entered = connection.execute("SELECT min(position) FROM entries WHERE boot IS NOT NULL").get
    if entered is not None:
        oldest = entered if oldest is None else min(oldest, entered)
    if oldest is None:
        oldest = connection.execute("SELECT max(first_position) FROM boots").get
    keep = connection.execute(
        "SELECT max(number) FROM boots WHERE first_position <= ? AND number IN (SELECT boot FROM placements) "
        "AND number < (SELECT max(number) FROM boots WHERE first_position <= ?)",
        (oldest, oldest),
    ).get
    if keep is not None:
        for table, column in (("anchors", "boot"), ("placements", "boot"), ("boots", "number")):
            connection.execute(f"DELETE FROM {table} WHERE {column} < ?", (keep,))


def note_copied(connection: apsw.Connection, clock: Clock) -> None:
    """
    The file came here from elsewhere: this boot may have begun before those in the file had ended.

    Only a boot that the file does not know: one that it knows was there before the copy was made.
    """
    boot = clock.boot_id()
    if connection.execute("SELECT count(*) FROM boots WHERE boot = ?", (boot,)).get:
        return
    copied = {**_copied_in(connection), boot: clock.since_boot_us()}
    set_note(connection, _COPIED_IN, copied)


def _copied_in(connection: apsw.Connection) -> dict[str, int]:
    """Boots in which a copy was first opened, and when, since they began [us]."""
    text = read_note(connection, _COPIED_IN)
    return {} if text is None else dict(json.loads(text))


def place_waiting(connection: apsw.Connection) -> None:
    """Place every boot that can be placed and was not."""
    placements = load_placements(connection)
    anchors = load_anchors(connection)
    copied = _copied_in(connection)
    boots = [
        Boot(
            number=number,
            ended_us=ended_us,
            anchors=anchors.get(number, ()),
            placement=placements[number][-1][1] if number in placements else None,
            alone_us=copied.get(boot, 0),
        )
        for number, boot, ended_us in connection.execute(
            "SELECT number, boot, ended_us FROM boots ORDER BY number"
        )
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
        "SELECT boot, kind, since_boot_us, utc_us, uncertainty_us, is_whole FROM anchors ORDER BY number"
    )
    for boot, kind, since_boot_us, utc_us, uncertainty_us in whole("anchors", rows):
        anchor = Anchor(kind=kind, since_boot_us=since_boot_us, utc_us=utc_us, uncertainty_us=uncertainty_us)
        anchors.setdefault(boot, []).append(anchor)
    return anchors


def load_placements(connection: apsw.Connection) -> dict[int, list[tuple[int, Placement]]]:
    """All placements, by boot, in the order of their first positions."""
    rows = connection.execute(
        "SELECT boot, first_position, zero_us, rate_ppb, anchor_us, uncertainty_us, growth_ppb, kind, "
        "is_whole FROM placements ORDER BY boot, first_position"
    )
    return placements_of(whole("placements", rows))


def placements_of(rows: Iterable[Sequence[Any]]) -> dict[int, list[tuple[int, Placement]]]:
    """Rows of the table, in its order, as placements by boot."""
    placements: dict[int, list[tuple[int, Placement]]] = {}
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
    """The placement for a reading of `boot` at `position`; None: the boot is not placed yet."""
    of_boot = placements.get(boot)
    if not of_boot:
        return None
    return of_boot[max(0, bisect_right(of_boot, position, key=itemgetter(0)) - 1)][1]
