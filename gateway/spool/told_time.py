"""
The time as a person states it, where neither GPS nor network time nor the server tells it.

Promises: a person's statement places a boot that nothing else placed, beside a gateway that may be running.
It is refused where it contradicts what is known better: a disciplined clock, an anchor of this boot, the end
of an earlier boot, the day on which the program was built. It is accepted where answers of the server
contradict each other: a person settles that. A better anchor that comes later corrects it, as it corrects any
other (`boot_corrected`).
Leaves to others: asking the person (`gateway.cli`), placing by an anchor (`gateway.timing.placement`).
"""

from __future__ import annotations

from pathlib import Path
from typing import Final, cast

import apsw

from cleanside.gateway.errors import CalledWrongly
from cleanside.gateway.spool.boots import FLOOR_US, add_anchor, load_placements
from cleanside.gateway.spool.contradictions import read_question, settle
from cleanside.gateway.spool.events import add_correction
from cleanside.gateway.spool.file import open_beside, translated
from cleanside.gateway.spool.state import last_position
from cleanside.gateway.timing.clock import Anchor, Clock
from cleanside.gateway.timing.placement import Placement
from cleanside.gateway.wire import NotAnInstant, instant_text, parse_instant

PERSON: Final = "person"
USUAL_WITHIN_S: Final = 120.0  # chosen: a telephone read and typed in beside a machine, and its own error
#: chosen: no person reads and types better than the first; beyond the second a date is not known
WITHIN_S: Final = (5.0, 86_400.0)


def read_time(text: str) -> tuple[int, str]:
    """The instant that a person typed [us since 1970], and as it is in UTC. Raises CalledWrongly."""
    try:
        utc_us = parse_instant(text).us
    except NotAnInstant as error:
        raise CalledWrongly("told_not_an_instant", why=error) from None
    return utc_us, instant_text(utc_us)


def tell_time(path: Path, clock: Clock, *, utc_us: int, within_s: float = USUAL_WITHIN_S) -> int:
    """
    Place the running boot by what a person says the time is now.

    utc_us : [us since 1970]. within_s : how far that may be off [s], within WITHIN_S.
    Returns how many boots are placed by it. Raises CalledWrongly, and the spool's errors.
    """
    said = Anchor(
        kind=PERSON, since_boot_us=clock.since_boot_us(), utc_us=utc_us, uncertainty_us=round(within_s * 1e6)
    )
    _check(said, within_s, clock)
    if not path.exists():
        raise CalledWrongly("no_spool_yet", path=path)
    with translated(path):
        connection = open_beside(path)
        try:
            connection.execute("BEGIN IMMEDIATE")
            number = connection.execute("SELECT number FROM boots WHERE boot = ?", (clock.boot_id(),)).get
            if number is None:
                raise CalledWrongly("boot_not_in_spool", path=path)
            before = load_placements(connection)
            next_position = last_position(connection) + 1
            if read_question(connection, int(number)) is not None:  # the server contradicts itself
                for correction in settle(connection, int(number), said, next_position=next_position):
                    add_correction(connection, correction)
            else:
                _check_placed(said, int(number), before)
                _check_earlier(connection, said, int(number), before)
                add_anchor(connection, int(number), said, next_position=next_position)
            placed = len(load_placements(connection)) - len(before)
            connection.execute("COMMIT")
            return placed
        finally:
            connection.close()


def _check(said: Anchor, within_s: float, clock: Clock) -> None:
    """Raise CalledWrongly for what cannot be, or what a disciplined clock contradicts or says better."""
    low, high = WITHIN_S
    if not low <= within_s <= high:
        raise CalledWrongly("told_within_beyond", within_s=within_s, low=low, high=high)
    if said.utc_us + said.uncertainty_us < FLOOR_US or not said.is_possible:
        raise CalledWrongly("told_before_built", told=instant_text(said.utc_us), built=instant_text(FLOOR_US))
    if (known := clock.evidence()) is not None:
        raise CalledWrongly("told_known_better", kind=known.kind, known=instant_text(known.utc_us))


def _check_placed(said: Anchor, boot: int, placements: dict[int, list[tuple[int, Placement]]]) -> None:
    """Raise CalledWrongly where the boot has its place: times that were stated do not change."""
    if boot not in placements:
        return
    placed = placements[boot][-1][1]
    known = instant_text(placed.at_us(said.since_boot_us))
    raise CalledWrongly("told_known_better", kind=placed.kind, known=known)


def _check_earlier(
    connection: apsw.Connection,
    said: Anchor,
    boot: int,
    placements: dict[int, list[tuple[int, Placement]]],
) -> None:
    """Raise CalledWrongly where this boot began before an earlier one ended that no person placed."""
    latest_us = said.utc_us - said.since_boot_us + said.uncertainty_us
    rows = connection.execute("SELECT number, ended_us FROM boots WHERE number < ?", (boot,)).fetchall()
    for number, ended_us in cast(list[tuple[int, int | None]], rows):
        placed = placements[number][-1][1] if number in placements else None
        if placed is None or placed.kind in (PERSON, "bracketed"):
            continue
        end_us = placed.at_us(ended_us or 0)
        if end_us - placed.half_width_us(ended_us or 0) > latest_us:
            raise CalledWrongly("told_before_boot", kind=placed.kind, ended=instant_text(end_us))
