"""
Two times of the server that contradict each other within one boot: which one is right. Pure.

Promises: one answer of the server never moves a boot by more than `STEP_US`. Where an answer contradicts the
boot's place, a question is open, until answers of one side alone span `APART_US`; then that side is right,
the old one or the new one. A source other than the server, or a person, settles it at once.
Leaves to others: the question on disk, and the widths while it is open (`gateway.spool.contradictions`).

Dropped: to wait for agreement with the machine's wall clock. Without a battery it shows any time.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from cleanside.gateway.timing.clock import Anchor
from cleanside.gateway.timing.placement import GROWTH_PPB, Placement

#: Beyond both widths, two answers of one server differ by this only where its clock was set; chosen. A
#: crystal that drifts by more than is allowed for stays below it, and is corrected as before.
STEP_US: Final = 60_000_000
#: how long answers of one side alone have to span; chosen, as long as a wrong anchor was kept before
APART_US: Final = 3_600_000_000
#: two answers of one side differ by no more than this beyond their widths; chosen
_ALIKE_US: Final = 1_000_000


class Next(Enum):
    """What an answer of the server changes about a boot that has its place."""

    #: it is no matter of this file: the answer agrees, or it is not the server against the server or a person
    NONE = "none"
    #: it contradicts the boot's place: ask
    ASK = "ask"
    #: a question is open, and this answer contradicts those before it: begin to count from it
    BEGIN = "begin"
    #: a question is open, and it is too early to settle it
    WAIT = "wait"
    #: a question is open, and this answer settles it: place by it
    SETTLE = "settle"


@dataclass(frozen=True, kw_only=True, slots=True)
class Question:
    """A boot whose time is in question."""

    #: half width of the boot's place when it was contradicted [us]
    doubt_us: int
    #: the first of the newest answers that agree with each other
    answer: Anchor


def off_us(placement: Placement, anchor: Anchor) -> int:
    """How far an anchor is after what the placement says; below 0: before it. [us]"""
    return anchor.utc_us - placement.at_us(anchor.since_boot_us)


def next_of(placement: Placement, anchor: Anchor, question: Question | None) -> Next:
    """What `anchor` changes about a boot at `placement`. question : the open one; None: there is none."""
    if anchor.kind != "server" or placement.kind not in ("server", "person"):
        return Next.NONE
    if question is None:
        doubt_us = placement.half_width_us(anchor.since_boot_us) + anchor.uncertainty_us
        return Next.ASK if abs(off_us(placement, anchor)) > doubt_us + STEP_US else Next.NONE
    if not _are_alike(question.answer, anchor):
        return Next.BEGIN
    is_apart = anchor.since_boot_us - question.answer.since_boot_us >= APART_US
    return Next.SETTLE if is_apart else Next.WAIT


def covers_both(placement: Placement, anchor: Anchor) -> int:
    """The half width of the placement at the anchor that covers both times [us]."""
    doubt_us = placement.half_width_us(anchor.since_boot_us)
    return max(doubt_us, abs(off_us(placement, anchor)) + anchor.uncertainty_us)


def _are_alike(first: Anchor, second: Anchor) -> bool:
    span_us = second.since_boot_us - first.since_boot_us
    differ_us = abs(second.utc_us - first.utc_us - span_us)
    drift_us = abs(span_us) * GROWTH_PPB // 10**9
    return differ_us <= first.uncertainty_us + second.uncertainty_us + drift_us + _ALIKE_US
