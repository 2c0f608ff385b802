"""
The placement of a boot in time: by its anchors, and without one by its neighbours. Pure functions.

Promises: readings of a boot keep their order and spacing. The stated half width covers the true time as long
as the anchors are right and the boot's clock stays within `GROWTH_PPB`. A wall clock without a source never
places a boot.
Leaves to others: which anchors are believed (`gateway.timing.clock`, `gateway.uplink.loop`), storing
placements.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from cleanside.gateway.timing.clock import Anchor

# 100 ppm. Common practice without a source: plain crystals are sold at 20 to 50 ppm at room temperature and
# drift further over a machine's; chosen on the wide side, so that a stated interval is right.
GROWTH_PPB = 100_000
# The error left when the rate is known: it moves with temperature. Common practice without a source; chosen
# wide.
WANDER_PPB = 50_000
_ROOM_WITHOUT_FLOOR_US = 365 * 86_400 * 10**6  # chosen: every reader notices a year
ROUND_US = 1000  # times are whole milliseconds from the boot's zero, as the wire's steps


@dataclass(frozen=True, kw_only=True, slots=True)
class Placement:
    """A boot's place in UTC. The uncertainty is smallest at `anchor_us` and grows away from it."""

    #: UTC of the boot's beginning [us since 1970]
    zero_us: int
    #: UTC gained on the boot's clock [1e-9]
    rate_ppb: int = 0
    #: since boot, where the uncertainty is smallest [us]
    anchor_us: int
    uncertainty_us: int
    growth_ppb: int = GROWTH_PPB
    kind: str

    def at_us(self, since_boot_us: int) -> int:
        """UTC of an instant of this boot [us since 1970]."""
        gained = since_boot_us * self.rate_ppb // 10**9
        return self.zero_us + since_boot_us + (gained // ROUND_US) * ROUND_US

    def half_width_us(self, since_boot_us: int) -> int:
        """Half width of what `at_us` may be off there [us]."""
        return self.uncertainty_us + abs(since_boot_us - self.anchor_us) * self.growth_ppb // 10**9

    def uncertainty_s(self, since_boot_us: int) -> float:
        """The half width rounded up to 1, 2, 5 times a power of ten [s]: coarse, so neighbours share it."""
        return coarse_s(self.half_width_us(since_boot_us))


def coarse_s(half_width_us: int) -> float:
    """The least of 1, 2, 5 times a power of ten, from 1 ms up, that is not below `half_width_us`. [s]"""
    step_us = 1000
    while True:
        for factor in (1, 2, 5):
            if half_width_us <= factor * step_us:
                return factor * step_us / 1e6
        step_us *= 10


@dataclass(frozen=True, kw_only=True, slots=True)
class Boot:
    """The facts about one boot for placing it."""

    number: int
    #: last sign of life since the boot began [us]; None: it may still run
    ended_us: int | None
    anchors: Sequence[Anchor] = ()
    #: its earlier placement, which stays
    placement: Placement | None = None
    #: since when it is sure that the boots before it had ended [us since this boot began]; 0: since it began,
    #: as on one machine. A copied spool may come to a machine that has been on for long.
    alone_us: int = 0


def by_anchor(anchors: Iterable[Anchor]) -> Placement | None:
    """Place a boot by the best of its anchors. None where there is none."""
    best = min(anchors, key=lambda anchor: anchor.uncertainty_us, default=None)
    if best is None:
        return None
    return Placement(
        zero_us=_whole_ms(best.utc_us - best.since_boot_us),
        anchor_us=best.since_boot_us,
        uncertainty_us=best.uncertainty_us + ROUND_US,
        kind=best.kind,
    )


def by_two_anchors(first: Anchor, second: Anchor) -> Placement | None:
    """
    Place a boot by the later of two anchors, with the rate that both give. For readings after it.

    None where they are too close together to improve the rate, or give a rate that no crystal has: then one
    of them is wrong.
    """
    span_us = second.since_boot_us - first.since_boot_us
    if span_us <= 0:
        return None
    rate_ppb = (second.utc_us - first.utc_us - span_us) * 10**9 // span_us
    doubt_ppb = (first.uncertainty_us + second.uncertainty_us) * 10**9 // span_us
    if doubt_ppb > GROWTH_PPB // 4 or abs(rate_ppb) > GROWTH_PPB + doubt_ppb:
        return None
    gained_us = second.since_boot_us * rate_ppb // 10**9 // ROUND_US * ROUND_US
    return Placement(
        zero_us=_whole_ms(second.utc_us - second.since_boot_us - gained_us),
        rate_ppb=rate_ppb,
        anchor_us=second.since_boot_us,
        uncertainty_us=second.uncertainty_us + 2 * ROUND_US,
        growth_ppb=doubt_ppb + WANDER_PPB,
        kind=second.kind,
    )


def _whole_ms(instant_us: int) -> int:
    # Boots share one grid, so that readings of two boots fit one batch whose steps are whole milliseconds.
    return instant_us // ROUND_US * ROUND_US


def place(boots: Sequence[Boot], *, floor_us: int) -> Mapping[int, Placement]:
    """
    Place every boot that can be placed now and was not before.

    boots : in order of time. floor_us : no boot began before this [us since 1970].
    A boot with an anchor is placed by it. Boots that ended without one are bracketed as a block between the
    placed boots around them; while no later boot is placed they wait.
    Returns boot number -> placement, for the newly placed only.
    """
    placements = {boot.number: boot.placement or by_anchor(boot.anchors) for boot in boots}
    placed = {number: placement for number, placement in placements.items() if placement is not None}
    before: tuple[int, int] = (floor_us, 0)  # end of the previous placed boot, and its half width
    block: list[Boot] = []
    for boot in boots:
        placement = placed.get(boot.number)
        if placement is None:
            block.append(boot)
            continue
        after = placement.at_us(boot.alone_us), placement.half_width_us(boot.alone_us)
        placed |= _bracket(block, before, after)
        block = []
        ended_us = boot.ended_us or 0
        before = (placement.at_us(ended_us), placement.half_width_us(ended_us))
    return {
        boot.number: placed[boot.number] for boot in boots if boot.number in placed and not boot.placement
    }


def _bracket(block: Sequence[Boot], before: tuple[int, int], after: tuple[int, int]) -> dict[int, Placement]:
    """
    Place boots without anchors, back to back, in the middle of the room between their neighbours.

    Each began after the previous one ended, and ended before the next one began, or before it was certainly
    alone. So all of them share one slack; half of it is the half width.
    """
    spans_us = [boot.ended_us or 0 for boot in block]
    latest_us = after[0] + after[1] - sum(spans_us)
    earliest_us = before[0] - before[1]
    if not before[1] and earliest_us > latest_us:  # an anchor below the floor: the floor is wrong
        earliest_us = latest_us - _ROOM_WITHOUT_FLOOR_US
    # A negative slack: anchors and spans contradict each other. Then only the neighbours' uncertainty counts.
    half_us = max((latest_us - earliest_us) // 2, before[1] + after[1])
    begins_us = (earliest_us + latest_us) // 2
    placed: dict[int, Placement] = {}
    for boot, span_us in zip(block, spans_us, strict=True):
        placed[boot.number] = Placement(
            zero_us=_whole_ms(begins_us), anchor_us=0, uncertainty_us=half_us + ROUND_US, kind="bracketed"
        )
        begins_us += span_us
    return placed
