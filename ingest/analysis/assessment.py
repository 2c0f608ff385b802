"""
The present view of a housing: the assessment of its summaries, limits, changes and silence.

Promises: the same result as from the same readings in order; late readings change their own hour only.
A study stays in memory until its input changes; dates and silence follow the clock.
Leaves to others: the judgement (`ingest.restriction`), what the fleet teaches (`ingest.analysis.knowledge`),
who may see it (`ingest.api.routes`).
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TypeVar

import sqlalchemy as sa

from cleanside.gateway.units import own_name, to_si
from cleanside.ingest.analysis.concerns import SILENT_BY_EVENT
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.analysis.working_out import WorkingOut
from cleanside.ingest.restriction import (
    Assessment,
    Entry,
    FleetKnowledge,
    GaugeLook,
    HousingFacts,
    Study,
    Summaries,
    assess,
    study_failed,
    study_housing,
    without_names,
)
from cleanside.ingest.restriction.measure.devices import carry_on
from cleanside.ingest.restriction.measure.mirrored import righted
from cleanside.ingest.restriction.measure.reference import HourlyRestriction, at_reference_flow, corrected
from cleanside.ingest.restriction.measure.summary import DAY_S
from cleanside.ingest.restriction.verdict.gauge_doubt import in_unit_of_limit
from cleanside.ingest.restriction.verdict.lay_up import LayUp
from cleanside.ingest.restriction.verdict.plain_forms import STATE_FORMS, state_form
from cleanside.ingest.store import keyless, reports
from cleanside.ingest.store.acceptance import CleanNote
from cleanside.ingest.store.element_changes import EnteredChange
from cleanside.ingest.store.fleet import HousingRow, TerminalRow
from cleanside.ingest.store.keyless import Keyless
from cleanside.ingest.store.papers import GaugeReading, MachinePapers, Papers
from cleanside.ingest.store.surroundings import (
    HousingSurroundings,
    LastMonitor,
    Newest,
    of_housings,
)
from cleanside.ingest.writer.resources import Resources

log = logging.getLogger("cleanside.ingest")

T = TypeVar("T")
MICRO = 1_000_000  # arithmetic
HOUR_US = 3_600 * MICRO  # arithmetic
#: quantity by which a reference flow is entered -> kind of flow proxy
REFERENCE_KINDS = {"engine_speed": "engine_speed", "air_mass_flow": "air_mass_flow"}


@dataclass(frozen=True)
class SnapshotInUse:
    """A fleet snapshot in use."""

    number: int  # 0: nothing was ever learned
    knowledge: FleetKnowledge
    #: when it was learned [us]; None: nothing was ever learned
    learned_us: int | None = None
    #: when learning last failed in this process [us]; None: the last learning succeeded
    failed_us: int | None = None


@dataclass(frozen=True, kw_only=True)
class View:
    """A housing as seen at one instant."""

    housing: HousingRow
    assessment: Assessment
    terminal: TerminalRow | None
    #: when the newest reading with any quantity was measured, seconds since 1970; None: none is summarised
    last_reading_s: float | None
    #: when its devices were last received [us]; None: never
    heard_us: int | None
    #: readings that gateways of its devices have not sent yet, as they reported
    readings_waiting: int
    #: hours that changed and are not summarised yet; 0: the view is current
    hours_behind: int
    #: readings received and measured before this instant are in the view [us]; None: nothing is summarised
    #: yet
    analysed_through_us: int | None
    #: the fleet snapshot that was used
    snapshot: SnapshotInUse
    #: what the shop knows of the housing and its machine
    papers: Papers
    #: what people entered of its elements
    changes: Sequence[EnteredChange]
    #: monitors that sit there now
    monitors: int
    #: who sat there last, where none sits now; None: one does, or none ever did
    last_monitor: LastMonitor | None
    #: monitors that sit there and have no valid key
    keyless: tuple[Keyless, ...] = ()

    @property
    def state_text(self) -> str:
        """What a person reads for the state."""
        return STATE_FORMS[self.state_form]

    @property
    def state_form(self) -> str:
        """The code of what a person reads for the state."""
        study = self.assessment.study
        return state_form(
            self.assessment.state,
            has_limit=study.terminal_pa is not None,
            cleaned=study.cleanings > 0,
            age_known=study.age_known,
            look=self.assessment.asks_to_look,
        )


def terminal_at(terminals: Sequence[TerminalRow], at_us: int) -> TerminalRow | None:
    """The terminal restriction at an instant; None if none is entered for it."""
    valid = [terminal for terminal in terminals if terminal.valid_from_us <= at_us]
    return valid[-1] if valid else None


def gauge_unit(terminal: TerminalRow | None) -> str | None:
    """The unit of the gauge: the unit of the entered limit; None where none is entered."""
    return None if terminal is None else own_name(terminal.unit, "restriction")


def reference_of(housing: HousingRow) -> tuple[float | None, str | None]:
    """Reference flow of a housing in SI and the kind of proxy it is a value of; None, None: learned."""
    if housing.reference_quantity is None or housing.reference_value is None:
        return None, None
    value = to_si(housing.reference_value, housing.reference_unit or "", housing.reference_quantity)
    return value, REFERENCE_KINDS[housing.reference_quantity]


def facts_of(
    housing: HousingRow,
    terminal: TerminalRow | None,
    changes: Sequence[EnteredChange],
    gauges: Sequence[GaugeReading],
    fleet: FleetKnowledge,
    notes: Sequence[CleanNote] = (),
) -> HousingFacts:
    """
    Entries about a housing, and its owner's fleet snapshot, in the form of the analysis.

    notes : of what new elements read there, in time order; the newest counts.
    """
    reference_flow, reference_kind = reference_of(housing)
    return HousingFacts(
        terminal_pa=None if terminal is None else terminal.restriction_pa,
        terminal_entered=None if terminal is None else (terminal.value, terminal.unit),
        entries=tuple(_entry(change) for change in changes),
        looks=tuple(_look(gauge, gauge_unit(terminal)) for gauge in gauges),
        clean_noted_pa=notes[-1].restriction_pa if notes else None,
        fleet=fleet,
        machine=housing.machine,
        kind=housing.kind,
        reference_flow=reference_flow,
        reference_kind=reference_kind,
    )


def _entry(change: EnteredChange) -> Entry:
    return Entry(
        at_s=change.changed_us / MICRO,
        what=change.what,
        confirmed=bool(change.confirmed_because),
        by_code=change.at_device is not None,
        name=change.entry_id,
        known_s=change.known_us / MICRO,
    )


def _look(gauge: GaugeReading, limit_unit: str | None) -> GaugeLook:
    as_limit_pa = None
    if gauge.value is not None and gauge.restriction_pa is not None:
        as_limit_pa = in_unit_of_limit(gauge.value, gauge.restriction_pa, limit_unit)
    return GaugeLook(
        at_s=gauge.at_us / MICRO,
        own_indicator=gauge.source == "own_indicator",
        latched=None if gauge.latched is None else bool(gauge.latched),  # plain SQL: 0 or 1
        shown_pa=gauge.restriction_pa,
        as_limit_pa=as_limit_pa,
        name=gauge.entry_id,
    )


def _laid_up(papers: MachinePapers) -> LayUp | None:
    """When a machine is laid up as entered, by days in UTC; None: it is not."""
    if papers.laid_up_from is None:
        return None
    until = papers.laid_up_until
    return LayUp(_midnight_s(papers.laid_up_from), math.inf if until is None else _midnight_s(until) + DAY_S)


def _as_the_readings_say(papers: Papers, seen: Assessment) -> Papers:
    """The papers of a housing; a lay-up in which the machine works holds no longer."""
    if seen.worked_laid_up is None:
        return papers
    return papers._replace(lay_up_holds=False)


def _midnight_s(day: str) -> float:
    return datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp()


def named(housing: HousingRow) -> dict[str, str]:
    """What a line of the log says of a housing."""
    return {"machine": housing.machine, "housing": housing.name}


def studied(housing: HousingRow, summaries: Summaries, facts: HousingFacts) -> Study:
    """The study of a housing; where it breaks, one that says so, with the reason in the log."""
    try:
        return study_housing(summaries, facts).study
    except Exception:
        log.exception("ingest.study_failed", extra=named(housing))
        return study_failed(len(summaries), facts)


class Judge:
    """Assesses housings at one instant, over one connection."""

    def __init__(
        self,
        connection: sa.Connection,
        resources: Resources,
        memory: Memory,
        known: SnapshotInUse,
        *,
        now_us: int | None = None,
        may_name: Callable[[str], bool] | None = None,
        working_out: WorkingOut | None = None,
    ) -> None:
        """
        known : the snapshot of the owner of these housings.
        now_us : the instant; None: now.
        may_name : whether who reads may learn of a machine, by name; None: of any.
        working_out : of the request that waits; None: of its own.
        """
        self._may_name = may_name
        self._working_out = WorkingOut() if working_out is None else working_out
        self._connection = connection
        self._memory = memory
        self._known = known
        self._horizon_days = float(resources.settings.planning_horizon_days)
        self.now_us = resources.clock() if now_us is None else now_us

    def view(self, housing: HousingRow) -> View:
        """Assess one housing now."""
        [seen] = self.views([housing], whole_owner=False)
        return seen

    def views(self, housings: Sequence[HousingRow], *, whole_owner: bool) -> list[View]:
        """
        Assess housings now, in the order given.

        Raises TryAgain (`fleet_being_worked_out`) where their studies take too long; those that were made
        stay in memory.
        """
        return list(map(self.looking_at(housings, whole_owner=whole_owner), housings))

    def looking_at(
        self, housings: Sequence[HousingRow], *, whole_owner: bool
    ) -> Callable[[HousingRow], View]:
        """What assesses any of these housings, one at a time; what lies beside them is read now, together."""
        around = of_housings(self._connection, housings, self.now_us, whole_owner=whole_owner)
        owners = {housing.owner_id for housing in housings}
        refused = [keyless.keyless_devices(self._connection, owner_id, self.now_us) for owner_id in owners]
        by_device = {device_id: one for of_owner in refused for device_id, one in of_owner.items()}
        return lambda housing: self._view(housing, around[housing.id], by_device)

    def series(self, seen: View) -> HourlyRestriction:
        """Restriction at the reference flow, one row an operating hour, as people's looks correct it."""
        return corrected(self.series_alone(seen), seen.assessment.study.reference)

    def beside(self, seen: View, key: Hashable, make: Callable[[], T]) -> T:
        """What follows from a study and its series, and a key, alone: made once for each study."""
        return self._memory.beside(seen.housing.id, seen.assessment.study, key, make)

    def series_alone(self, seen: View) -> HourlyRestriction:
        """The same by the readings alone: what a look is compared with."""
        summaries = self._memory.summaries(self._connection, seen.housing)
        return at_reference_flow(righted(carry_on(summaries).table).table, seen.assessment.study.reference)

    def _view(self, housing: HousingRow, around: HousingSurroundings, refused: Mapping[int, Keyless]) -> View:
        terminal = terminal_at(around.terminals, self.now_us)
        study = self._study(housing, terminal, around)
        heard_us = around.newest.last_heard_us if around.newest is not None else None
        seen = assess(
            study,
            now_s=self.now_us / MICRO,
            # Quiet since the last reading was measured, not since it was received: a backlog may arrive days
            # later.
            # As long as nothing is summarised, the time of receipt is all that is known.
            last_heard_s=heard_us / MICRO if heard_us is not None and study.last_s is None else None,
            received_s=_seconds(heard_us),
            quiet_because=self._silence(around.newest, around.device_ids),
            waiting=around.newest.waiting if around.newest is not None else 0,
            learned_s=_seconds(self._known.learned_us),
            learning_failed_s=_seconds(self._known.failed_us),
            laid_up=_laid_up(around.papers.machine),
        )
        return View(
            housing=housing,
            assessment=seen if self._may_name is None else without_names(seen, self._may_name),
            terminal=terminal,
            last_reading_s=study.measured_s,
            heard_us=heard_us,
            readings_waiting=around.newest.waiting if around.newest is not None else 0,
            hours_behind=around.hours_behind,
            analysed_through_us=_analysed_through_us(study, around),
            snapshot=self._known,
            papers=_as_the_readings_say(around.papers, seen),
            changes=around.changes,
            monitors=len(around.device_ids),
            last_monitor=self._named(around.last_monitor),
            keyless=tuple(refused[one] for one in around.device_ids if one in refused),
        )

    def _named(self, last: LastMonitor | None) -> LastMonitor | None:
        """The same without the name of a machine that who reads may not learn of."""
        if last is None or last.machine is None or self._may_name is None or self._may_name(last.machine):
            return last
        return replace(last, machine=None, housing=None)

    def _study(self, housing: HousingRow, terminal: TerminalRow | None, around: HousingSurroundings) -> Study:
        changes = around.changes
        left_s = _seconds(None if around.last_monitor is None else around.last_monitor.until_us)
        if left_s is None and not around.device_ids:  # none ever sat there
            left_s = 0.0
        entered = (tuple(changes), tuple(around.gauges), tuple(around.notes))
        basis = (housing, terminal, entered, left_s, self._known.number, self._horizon_days)

        def make() -> Study:
            self._working_out.begin_one()
            summaries = self._memory.summaries(self._connection, housing)
            knowledge = self._known.knowledge
            facts = facts_of(housing, terminal, changes, around.gauges, knowledge, around.notes)
            facts = replace(facts, planning_horizon_days=self._horizon_days, unwatched_from_s=left_s)
            return studied(housing, summaries, facts)

        return self._memory.study(housing.id, basis, make)

    def _silence(self, newest: Newest | None, device_ids: list[int]) -> str | None:
        """
        Why the devices send nothing, as their gateways reported; None: they did not report.

        out_of_coverage: a gateway of its devices has unsent readings, on any stream.
        keyed_off: the last event was the key.
        """
        if newest is None:
            return None
        if newest.waiting:
            return "out_of_coverage"

        def ask() -> str | None:
            event = reports.last_event(self._connection, device_ids)
            return SILENT_BY_EVENT.get(event[0]) if event else None

        return self._memory.because(newest.stream_id, newest.last_heard_us, ask)


def _seconds(at_us: int | None) -> float | None:
    return None if at_us is None else at_us / MICRO


def _analysed_through_us(study: Study, around: HousingSurroundings) -> int | None:
    if around.behind_from_hour is not None:
        return around.behind_from_hour * HOUR_US
    return None if study.last_s is None else int(study.last_s * MICRO)
