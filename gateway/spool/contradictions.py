"""
A boot whose time is in question, on disk: the server's answers contradict each other.

Promises: while the question is open, new readings state a width that covers both times. Once it is settled,
readings of the boot that state a time too far off are corrected. Times that were sent never change here.
Leaves to others: which side is right (`gateway.timing.contradiction`), transactions.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

import apsw

from cleanside.gateway.spool.boots import (
    Correction,
    correction_of,
    keep_anchor,
    load_placements,
    replace_placement,
)
from cleanside.gateway.spool.file_notes import TIME_IN_QUESTION, drop_note, read_note, set_note
from cleanside.gateway.timing.clock import Anchor
from cleanside.gateway.timing.contradiction import STEP_US, Question, covers_both, off_us
from cleanside.gateway.timing.placement import by_anchor


def read_question(connection: apsw.Connection, boot: int) -> Question | None:
    """The open question about a boot; None: there is none."""
    note = _note_of(connection, boot)
    if note is None:
        return None
    return Question(doubt_us=note["doubt_us"], answer=Anchor(**note["answer"]))


def contradicted_by_us(connection: apsw.Connection, boot: int) -> int | None:
    """How far the first contradicting answer is after the time of a boot; None: nothing contradicts it."""
    note = _note_of(connection, boot)
    return None if note is None else int(note["off_us"])


def ask(
    connection: apsw.Connection, boot: int, anchor: Anchor, *, next_position: int
) -> Mapping[str, str | float]:
    """
    Open a question about a placed boot. Readings from `next_position` on state a width that covers both.

    Returns what to say of it.
    """
    first_position, placement = load_placements(connection)[boot][-1]
    apart_us = off_us(placement, anchor)
    about: dict[str, Any] = {"boot": boot, "doubt_us": placement.half_width_us(anchor.since_boot_us)}
    about |= {"first_position": first_position, "off_us": apart_us, "kind": placement.kind}
    set_note(connection, TIME_IN_QUESTION, about | {"answer": asdict(anchor)})
    wide = replace(
        placement,
        anchor_us=anchor.since_boot_us,
        uncertainty_us=covers_both(placement, anchor),
    )
    replace_placement(connection, boot, next_position, wide)
    name: str = connection.execute("SELECT boot FROM boots WHERE number = ?", (boot,)).get
    return {"boot": name, "kind": placement.kind, "off_s": round(apart_us / 1e6, 3)}


def begin_again(connection: apsw.Connection, anchor: Anchor) -> None:
    """Count from this answer on; the question stays open."""
    note = _note(connection)
    if note is not None:
        set_note(connection, TIME_IN_QUESTION, note | {"answer": asdict(anchor)})


def settle(connection: apsw.Connection, boot: int, anchor: Anchor, *, next_position: int) -> list[Correction]:
    """
    Place readings from `next_position` on by `anchor`, and close the question.

    Returns the corrections of readings that state another time, or a width that is far wider.
    """
    note = _note(connection)
    assert note is not None
    before = [(at, p) for at, p in load_placements(connection)[boot] if at >= note["first_position"]]
    ends = [at for at, _ in before[1:]] + [next_position]
    corrections = []
    for (first, placed), end in zip(before, ends, strict=True):
        doubt_us = placed.half_width_us(anchor.since_boot_us)
        is_right = abs(off_us(placed, anchor)) <= doubt_us + anchor.uncertainty_us + STEP_US
        if is_right and doubt_us <= max(STEP_US, 2 * anchor.uncertainty_us):
            continue  # only the width that was stated while the question was open is worth a correction
        said = correction_of(connection, boot, anchor, (first, placed), before_position=end)
        if said is not None:
            corrections.append(said)
    drop_note(connection, TIME_IN_QUESTION)
    keep_anchor(connection, boot, anchor)
    placement = by_anchor([anchor])
    assert placement is not None
    replace_placement(connection, boot, next_position, placement)
    return corrections


def _note_of(connection: apsw.Connection, boot: int) -> dict[str, Any] | None:
    note = _note(connection)
    return note if note is not None and note["boot"] == boot else None


def _note(connection: apsw.Connection) -> dict[str, Any] | None:
    text = read_note(connection, TIME_IN_QUESTION)
    return None if text is None else dict(json.loads(text))
