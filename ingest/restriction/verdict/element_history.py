"""
The element lives of a housing, and rows that are too low to be an element.

Promises: rows that are too low to be an element are left out, and the series is cut again without them.
Leaves to others: falls and lives (`elements`), hours in doubt (`measured_hours`), the verdict (`study`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from cleanside.ingest.restriction.elements.changes import Change
from cleanside.ingest.restriction.elements.entries import (
    SAFELY_CLEAN_SHARE,
    Expected,
    WeighedEntry,
    weigh_entries,
)
from cleanside.ingest.restriction.elements.lives import (
    LIKELY_CLEAN_SHARE,
    Life,
    LifeEdge,
    clean_level_pa,
    find_edges,
    find_falls,
    split_lives,
    usual_clean_pa,
)
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.measure.steady import smoothed
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, Summaries
from cleanside.ingest.restriction.verdict.housing_facts import HousingFacts
from cleanside.ingest.restriction.verdict.measured_hours import MeasuredHours
from cleanside.ingest.restriction.verdict.status import LEVEL_ROWS
from cleanside.ingest.restriction.verdict.suspect import (
    BELOW,
    Suspicion,
    below_clean,
    flow_of,
    terminal_doubt,
)

OWN_LIVES = 2  # earlier ones from new: with fewer the machine's own clean level is not yet known


@dataclass(frozen=True)
class ElementHistory:
    """The series cut into lives, and the rows of the running life that are too low to be an element."""

    cuts: list[tuple[LifeEdge | None, Life]]
    entries: list[WeighedEntry]
    running: BoolArray  # rows of the running life
    judged_hour_s: float | None  # of its newest row that is believed; None: there is none
    clean_pa: float | None  # of the running life
    below: list[Suspicion]

    @cached_property
    def level_pa(self) -> FloatArray:
        """The newest smoothed levels of the running life, up to LEVEL_ROWS. [Pa]"""
        return smoothed(self.life.restriction_pa[-LEVEL_ROWS:])

    @property
    def life(self) -> Life:
        """The running one."""
        return self.cuts[-1][1]

    @property
    def lives(self) -> list[Life]:
        """All, the running one last."""
        return [life for _, life in self.cuts]

    @property
    def cleanings(self) -> int:
        """How often the running element was cleaned, as entered or as is likely."""
        began = [edge.likely for edge, _ in self.cuts if edge is not None]
        return len(began) - max((i + 1 for i, how in enumerate(began) if how == "change"), default=0)

    @property
    def changes_found_s(self) -> tuple[float, ...]:
        """Falls that are surely changes, without an entry: ask a person."""
        edges = [edge for edge, _ in self.cuts if edge is not None and not edge.entered]
        return tuple(edge.at_s for edge in edges if edge.sure == "high")

    def judged_s(self, table: Summaries) -> float | None:
        """The newest reading of the newest hour that is believed; None: there is none."""
        if self.judged_hour_s is None:
            return None
        row = int(np.searchsorted(table.hours["hour_s"], self.judged_hour_s))
        return float(table.hours["last_s"][row])

    def terminal_doubt(self, facts: HousingFacts) -> list[Suspicion]:
        """What the levels and the entry say against the terminal value."""
        level_pa = float(self.level_pa[-1]) if len(self.level_pa) else None
        return terminal_doubt(
            facts.terminal_pa, entered=facts.terminal_entered, clean_pa=self.clean_pa, level_pa=level_pa
        )


def tell_history(measured: MeasuredHours, facts: HousingFacts) -> ElementHistory:
    """Cut the series; rows too low to be an element are then left out, and it is cut again without them."""
    believed = measured.believed()
    falls = find_falls(measured.series, believed)
    entries = _weighed(measured, believed, falls, facts)
    below: list[Suspicion] = []
    for _ in range(2):
        cuts, judged = _cut(measured, believed, falls, entries, facts), believed
        low, clean_pa, said = _too_low(measured, believed, cuts, facts.kind_clean_pa)
        below = said or below
        if not np.any(low & believed):
            break
        believed = believed & ~low
        falls = find_falls(measured.series, believed)
    running = np.arange(len(believed)) >= (cuts[-1][0].row if cuts[-1][0] is not None else 0)
    mine = measured.series.hour_s[running & judged]
    return ElementHistory(cuts, entries, running, float(mine[-1]) if len(mine) else None, clean_pa, below)


def _weighed(
    measured: MeasuredHours, believed: BoolArray, falls: Sequence[Change], facts: HousingFacts
) -> list[WeighedEntry]:
    """What people entered, weighed against the readings before any row is left out as too low."""
    series, by_speed = measured.series, measured.reference.by_speed
    expected = Expected(
        kind_clean_pa=facts.kind_clean_pa,
        terminal_pa=facts.terminal_pa,
        low_share=BELOW[flow_of(series, by_speed=by_speed)][0],
    )
    return weigh_entries(facts.entries, series, believed, falls, expected)


def _cut(
    measured: MeasuredHours,
    believed: BoolArray,
    falls: Sequence[Change],
    entries: Sequence[WeighedEntry],
    facts: HousingFacts,
) -> list[tuple[LifeEdge | None, Life]]:
    edges = find_edges(
        measured.series,
        believed,
        falls,
        entered=entries,
        terminal_pa=facts.terminal_pa,
        usual_clean_pa=facts.kind_clean_pa,
        by_speed=measured.reference.by_speed,
    )
    return split_lives(
        measured.series,
        edges=edges,
        terminal_pa=facts.terminal_pa or np.inf,
        machine=facts.machine,
        kind=facts.kind,
        believed=believed,
    )


def _too_low(
    measured: MeasuredHours,
    believed: BoolArray,
    cuts: Sequence[tuple[LifeEdge | None, Life]],
    kind_clean_pa: float | None,
) -> tuple[BoolArray, float | None, list[Suspicion]]:
    """Rows below what an element has, in any life; clean level and suspicion of the running one."""
    series, by_speed = measured.series, measured.reference.by_speed
    rows = [edge.row if edge is not None else 0 for edge, _ in cuts]
    low = np.zeros(len(series.hour_s), dtype=bool)
    earlier: list[Life] = []
    clean_pa: float | None = None
    said: list[Suspicion] = []
    least_share = BELOW[flow_of(series, by_speed=by_speed)][0]
    for (edge, life), first, last in zip(cuts, rows, [*rows[1:], len(low)], strict=True):
        whole = edge is not None and edge.likely == "change"
        usual_pa = usual_clean_pa(earlier, kind_clean_pa)
        if edge is not None and edge.likely == "cleaned":  # the same element: as clean as it was when new
            usual_pa = min((pa for pa in (usual_pa, clean_pa) if pa is not None), default=None)
        clean_pa = clean_level_pa(life, usual_pa, whole=whole)
        mine = HourlyRestriction(
            **{name: getattr(series, name)[first:last] for name in HourlyRestriction.__dataclass_fields__}
        )
        bound_pa = clean_pa
        if len(earlier) < OWN_LIVES:
            clean_is_known = bool(earlier) or whole or kind_clean_pa is not None
            bound_pa = _safely_clean_pa(clean_pa, life.terminal_pa, told=clean_is_known)
        expected_pa = _expected_pa(usual_pa, life.terminal_pa, own_lives=len(earlier))
        entered = whole or (edge is not None and edge.entered)
        if entered and life.early_pa is not None and life.early_pa < least_share * expected_pa:
            # No element reads that little: its first hours give no clean level for the others.
            clean_pa, bound_pa = usual_pa, expected_pa
        low[first:last], said = below_clean(mine, believed[first:last], bound_pa, by_speed=by_speed)
        if whole:
            earlier.append(life)
    return low, clean_pa, said


def _expected_pa(usual_pa: float | None, terminal_pa: float, *, own_lives: int) -> float:
    """The least that a clean element reads, by earlier elements and by its kind. [Pa]"""
    if usual_pa is None:
        return SAFELY_CLEAN_SHARE * terminal_pa if np.isfinite(terminal_pa) else 0.0
    return min(usual_pa, LIKELY_CLEAN_SHARE * terminal_pa) if own_lives < OWN_LIVES else usual_pa


def _safely_clean_pa(clean_pa: float | None, terminal_pa: float, *, told: bool) -> float | None:
    """
    A clean level that is not too high, of a machine that has shown no two elements from new. [Pa]

    An element that looked new may have been cleaned, and one in use when first seen may read twice a clean
    one.
    told : a life from new, or the kind, gives a clean level.
    """
    if clean_pa is None or not np.isfinite(terminal_pa):
        return clean_pa if told else None
    return min(clean_pa, (LIKELY_CLEAN_SHARE if told else SAFELY_CLEAN_SHARE) * terminal_pa)
