"""
The element lives of a housing, and rows that are too low to be an element.

Promises: rows that are too low to be an element are left out, and the series is cut again without them.
Looks at indicator or gauge multiply all levels by one factor, after the steps were explained: it moves none.
Leaves to others: falls and lives (`elements`), hours in doubt (`measured_hours`), the verdict (`study`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.denied import DeniedFall, denied_falls, in_doubt
from cleanside.ingest.restriction.elements.entries import (
    CLEAN_ALREADY,
    SHIFT_ROWS,
    TOO_LOW,
    Expected,
    WeighedEntry,
    weigh_entries,
)
from cleanside.ingest.restriction.elements.explain import FollowedHistories
from cleanside.ingest.restriction.elements.lives import (
    Life,
    LifeClean,
    LifeEdge,
    clean_level_pa,
    find_edges,
    split_lives,
    usual_clean_pa,
)
from cleanside.ingest.restriction.elements.noted_clean import noted_clean
from cleanside.ingest.restriction.elements.openings import Expectation, Openings, find_openings
from cleanside.ingest.restriction.measure.calibration import prior_of
from cleanside.ingest.restriction.measure.flow_response import response_of
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.measure.steady import smoothed
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, Summaries
from cleanside.ingest.restriction.measure.tuning import Tuning
from cleanside.ingest.restriction.measure.zero import learn_zero
from cleanside.ingest.restriction.verdict.housing_facts import HousingFacts
from cleanside.ingest.restriction.verdict.looked import Looked, SeenLook, compare, looked_at, times
from cleanside.ingest.restriction.verdict.measured_hours import MeasuredHours
from cleanside.ingest.restriction.verdict.statement import say
from cleanside.ingest.restriction.verdict.status import LEVEL_ROWS
from cleanside.ingest.restriction.verdict.suspect import (
    Suspicion,
    flow_of,
    may_be_in_another_unit,
    terminal_doubt,
)

TUNINGS_KEPT = 8  # chosen: fleets that are looked at in turns


class LevelInDoubt(NamedTuple):
    """A level that no figure is taken from: a tap is plugged, a tube off, an element missing."""

    restriction_pa: float  # at the reference flow
    at_s: float  # newest reading of its hour, seconds since 1970-01-01 UTC


@dataclass(frozen=True)
class ElementHistory:
    """The series cut into lives, and the rows of the running life that are too low to be an element."""

    cuts: list[tuple[LifeEdge | None, Life]]
    entries: list[WeighedEntry]
    running: BoolArray  # rows of the running life
    judged_hour_s: float | None  # of its newest row with a sound element that is believed; None: none is
    clean: list[LifeClean]  # of each life
    openings: Openings
    below: list[Suspicion]
    looked: Looked
    denied: list[Suspicion]

    @cached_property
    def level_pa(self) -> FloatArray:
        """The newest smoothed levels of the running life, up to LEVEL_ROWS. [Pa]"""
        return smoothed(self.life.restriction_pa[-LEVEL_ROWS:])

    @property
    def clean_pa(self) -> float | None:
        """Of the running life."""
        return self.clean[-1].pa

    @property
    def life(self) -> Life:
        """The running one."""
        return self.cuts[-1][1]

    @property
    def lives(self) -> list[Life]:
        """All, the running one last."""
        return [life for _, life in self.cuts]

    @property
    def is_in_question(self) -> bool:
        """There may be no sound element in the stream now: a person is asked to look, and not warned."""
        return not self.below and (self.openings.in_question or self._began_too_low)

    @property
    def _began_too_low(self) -> bool:
        """
        The newest element that a person entered reads too little for one. No person has looked since.

        Until it reads as one can: what stands in the stream has loaded then.
        """
        work = [one for one in self.entries if one.begins_life or one.entry.what == "inspected"]
        newest = max(work, key=lambda one: one.entry.at_s, default=None)
        if newest is None or newest.verdict != TOO_LOW or newest.entry.confirmed:
            return False
        level_pa = self.level_pa[-SHIFT_ROWS:]
        return newest.least_pa is None or len(level_pa) == 0 or bool(np.any(level_pa < newest.least_pa))

    @property
    def cleanings(self) -> int:
        """How often the running element was cleaned, as entered or as is likely."""
        began = [edge.likely for edge, _ in self.cuts if edge is not None]
        return len(began) - max((i + 1 for i, how in enumerate(began) if how == "change"), default=0)

    @property
    def changes_found_s(self) -> tuple[float, ...]:
        """Falls that most likely are changes, without an entry: ask a person."""
        return tuple(edge.at_s for edge in self._found)

    @property
    def changes_sure_s(self) -> tuple[float, ...]:
        """Those of them that surely are."""
        return tuple(edge.at_s for edge in self._found if edge.sure == "high")

    @property
    def _found(self) -> list[LifeEdge]:
        return [edge for edge, _ in self.cuts if edge is not None and not edge.entered]

    def judged_s(self, table: Summaries) -> float | None:
        """The newest reading of the newest hour that is believed; None: there is none."""
        if self.judged_hour_s is None:
            return None
        row = int(np.searchsorted(table.hours["hour_s"], self.judged_hour_s))
        return float(table.hours["last_s"][row])

    def newest_in_doubt(self, table: Summaries, series: HourlyRestriction) -> LevelInDoubt | None:
        """
        The newest level where it is not believed; None: the newest is believed.

        series : as measured. Above the usual zero, as the monitor shows it: a plugged tap moves the zero too.
        """
        if not len(series.hour_s) or series.hour_s[-1] <= (self.judged_hour_s or -np.inf):
            return None
        row = int(np.searchsorted(table.hours["hour_s"], series.hour_s[-1]))
        zero = learn_zero(table)
        moved_pa = float((zero.by_hour_pa - zero.usual_by_hour_pa(len(table)))[row])
        return LevelInDoubt(float(series.restriction_pa[-1]) + moved_pa, float(table.hours["last_s"][row]))

    def terminal_doubt(self, facts: HousingFacts) -> list[Suspicion]:
        """What the levels and the entry say against the terminal value."""
        level_pa = float(self.level_pa[-1]) if len(self.level_pa) else None
        began = [life.early_pa for life in self.lives if life.early_pa is not None]
        return terminal_doubt(
            facts.terminal_pa,
            entered=facts.terminal_entered,
            clean_pa=self.clean_pa,
            level_pa=level_pa,
            began_pa=min(began, default=None),
        )


def tell_history(measured: MeasuredHours, facts: HousingFacts) -> ElementHistory:
    """
    Explain the steps of the level, cut the series at changes, and leave out rows without an element.

    Levels are those of `measured`, corrected by what people saw (`looked`).
    """
    openings = _openings(measured, facts)
    looked = _looked(measured, openings, facts)
    return _cut(measured, times(openings, looked.calibration.factor), facts, looked)


def _openings(measured: MeasuredHours, facts: HousingFacts) -> Openings:
    series, believed = measured.series, measured.believed()
    tuning, expected = _as_learned(facts), _as_met(expectation_of(facts), measured.reference.raised)
    if facts.clean_noted_pa is not None:
        expected = replace(expected, noted=noted_clean(facts.clean_noted_pa, measured.reference, tuning))
    return find_openings(
        series,
        believed,
        facts.entries,
        expected,
        flow=flow_of(series, by_speed=measured.reference.by_speed),
        full_flow_known=measured.reference.full_flow_known,
        response=response_of(measured.table, series.hour_s[believed]),
        tuning=tuning,
        followed=measured.table.handed_on("histories", FollowedHistories),
    )


def _as_learned(facts: HousingFacts) -> Tuning:
    """The constants of the model with what the fleet shows of clean elements."""
    return _with_element_spread(facts.tuning, facts.fleet.clean_spread.with_prior(facts.tuning))


@lru_cache(maxsize=TUNINGS_KEPT)  # one for all machines of a fleet: it has more than a hundred fields
def _with_element_spread(tuning: Tuning, element_spread: float) -> Tuning:
    return replace(tuning, element_spread=element_spread)


def _looked(measured: MeasuredHours, openings: Openings, facts: HousingFacts) -> Looked:
    """What people saw, beside levels that no look has corrected."""
    alone = measured.reference.level_spread
    prior = prior_of(
        facts.fleet.looks,
        alone * facts.tuning.lasting_share**0.5,
        facts.tuning,
        machine=facts.machine,
        kind=facts.kind,
        flow=measured.reference.flow_kind,
    )
    seen: list[SeenLook] = []
    limit_pa = expectation_of(facts).terminal_pa
    if facts.looks:
        levels = replace(measured.series, restriction_pa=openings.level_pa)
        edges, believed = _edges(levels, measured, openings, facts)[1], measured.believed()
        sound = believed & ~openings.low
        seen = compare(facts.looks, measured, openings.level_pa, sound, edges, limit_pa, facts.tuning)
    return looked_at(seen, limit_pa, prior, alone, facts.tuning)


def _edges(
    series: HourlyRestriction, measured: MeasuredHours, openings: Openings, facts: HousingFacts
) -> tuple[list[WeighedEntry], list[LifeEdge]]:
    """What people entered, as weighed, and where lives begin. series : with the levels of `openings`."""
    believed = measured.believed()
    entries = _weighed(series, believed, openings, facts)
    return entries, find_edges(series, believed, openings.falls, entered=entries, low=openings.low)


def _cut(measured: MeasuredHours, openings: Openings, facts: HousingFacts, looked: Looked) -> ElementHistory:
    believed = measured.believed()
    series = replace(measured.series, restriction_pa=openings.level_pa)
    entries, edges = _edges(series, measured, openings, facts)
    denied = denied_falls(series.hour_s, series.restriction_pa, believed, entries)
    doubt = in_doubt(denied, len(believed))
    below = [] if measured.reference.of_idle_only else below_clean(openings)
    sound = _trusted(believed & ~openings.low & ~doubt, openings, below)
    cuts = split_lives(
        series,
        edges=edges,
        terminal_pa=facts.terminal_pa or np.inf,
        machine=facts.machine,
        kind=facts.kind,
        believed=sound,
    )
    running = np.arange(len(believed)) >= (cuts[-1][0].row if cuts[-1][0] is not None else 0)
    mine = series.hour_s[running & sound]
    return ElementHistory(
        cuts=cuts,
        entries=entries,
        running=running,
        judged_hour_s=float(mine[-1]) if len(mine) else None,
        clean=_clean_levels(cuts, expectation_of(facts), _as_learned(facts)),
        openings=openings,
        below=below,
        looked=looked,
        denied=_denied_now(denied, running, len(believed)),
    )


def _trusted(sound: BoolArray, openings: Openings, below: Sequence[Suspicion]) -> BoolArray:
    """Rows that figures are taken from: those of a suspected fault only where nothing else is left."""
    found = sound & ~openings.doubted
    return found if below and np.any(found) else sound


def expectation_of(facts: HousingFacts) -> Expectation:
    """What is known of a clean element; a limit that looks like one in another unit says nothing."""
    limit = facts.terminal_pa, facts.terminal_entered
    if terminal_doubt(limit[0], entered=limit[1]) or may_be_in_another_unit(*limit):
        return Expectation(terminal_pa=None, kind_clean_pa=None)
    return Expectation(
        terminal_pa=facts.terminal_pa, kind_clean_pa=facts.kind_clean_pa, by_fleet=facts.clean_by_fleet
    )


def _as_met(expected: Expectation, raised: float) -> Expectation:
    """
    The limit by which people change elements, in the same levels as the series.

    Their indicator shows what the machine meets. Where levels are raised to full flow, it latches higher.
    """
    limit_pa = expected.terminal_pa
    return replace(expected, terminal_pa=None if limit_pa is None else raised * limit_pa)


def _weighed(
    series: HourlyRestriction, believed: BoolArray, openings: Openings, facts: HousingFacts
) -> list[WeighedEntry]:
    """What people entered, weighed against the readings."""
    expected = Expected(
        kind_clean_pa=facts.kind_clean_pa,
        terminal_pa=facts.terminal_pa,
        low_share=facts.tuning.low_share,
    )
    return weigh_entries(
        facts.entries, series, believed, openings.falls, expected, unwatched_from_s=facts.unwatched_from_s
    )


def below_clean(openings: Openings) -> list[Suspicion]:
    """The suspicion that the newest hours were worked without a sound element."""
    if not openings.warned or openings.now_pa is None or openings.clean_pa is None:
        return []
    evidence = say("below_clean", now_pa=openings.now_pa, clean_pa=openings.clean_pa)
    return [Suspicion(cause="below_clean", evidence=evidence)]


def _denied_now(falls: Sequence[DeniedFall], running: BoolArray, rows: int) -> list[Suspicion]:
    """The suspicion that the newest hours contradict a person who says that nothing was changed."""
    return [
        Suspicion(
            cause="fell_denied",
            evidence=say("fell_denied", at_s=f.at_s, before_pa=f.before_pa, after_pa=f.after_pa),
        )
        for f in falls[-1:]
        if f.first < f.last == rows and running[f.first]
    ]


def _clean_levels(
    cuts: Sequence[tuple[LifeEdge | None, Life]], expected: Expectation, tuning: Tuning
) -> list[LifeClean]:
    """
    Clean level of each life, from its first hours, the machine's earlier elements and its kind.

    An element in use when first seen was cleaner once: where neither is known, as the limit lets expect.
    """
    earlier: list[Life] = []
    found: list[LifeClean] = []
    clean_pa: float | None = None
    for edge, life in cuts:
        whole = edge is not None and edge.likely == "change"
        usual_pa = usual_clean_pa(earlier, expected.kind_clean_pa)
        spread = None if usual_pa is None else tuning.element_spread if earlier else tuning.kind_spread
        if usual_pa is None and edge is None and expected.terminal_pa is not None:
            usual_pa = _unless_clean(life, tuning.clean_share * expected.terminal_pa)
            spread = tuning.clean_spread
        if edge is not None and edge.likely == "cleaned":  # the same element: as clean as it was when new
            usual_pa = min((pa for pa in (usual_pa, clean_pa) if pa is not None), default=None)
        clean_pa = clean_level_pa(life, usual_pa, whole=whole)
        if clean_pa is None:
            clean_pa = usual_pa
        if whole:
            earlier.append(life)
        found.append(LifeClean(clean_pa, spread))
    return found


def _unless_clean(life: Life, usual_pa: float) -> float | None:
    """What a clean element is expected to read; None where the first level seen may be of a clean one."""
    is_clean = life.early_pa is None or life.early_pa <= CLEAN_ALREADY * usual_pa
    return None if is_clean else usual_pa
