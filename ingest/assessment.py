"""
What the server says of a housing now: its summaries, limits, changes and silence, put to the assessment.

Promises: equal to what the same readings in order would give; late ones have changed their own hour only.
Leaves to others: the judgement (`ingest.restriction.assess_housing`), who may see it (`ingest.routes`).
"""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass

import sqlalchemy as sa

from ingest.resources import Resources
from ingest.restriction import (
    Assessment,
    FleetKnowledge,
    HourSummary,
    Life,
    assess_housing,
    housing_lives,
    learn_fleet,
)
from ingest.restriction.reference import HourlyRestriction, at_reference_flow
from ingest.store import fleet, hours, streams
from ingest.store.fleet import Housing, Terminal

MICRO = 1_000_000
MINUTE_US = 60 * MICRO
MAX_VIEWS = 1_000  # some 300 kB each for a machine-year; chosen
LEARN_AGAIN_US = (
    300 * MICRO
)  # the fleet's lives change by the day; chosen so that a new fleet sees its first soon


@dataclass(frozen=True, kw_only=True)
class View:
    """A housing as seen at one instant."""

    housing: Housing
    assessment: Assessment
    #: restriction at the reference flow, one row an operating hour
    series: HourlyRestriction
    terminal: Terminal | None
    #: when the newest reading was taken, seconds since 1970; None: none is summarised yet
    last_reading_s: float | None
    #: when anything last came from its devices [us]; None: never
    heard_us: int | None
    #: hours that changed and are not summarised yet; 0: the view is current
    hours_behind: int
    #: number of the fleet snapshot that was used
    snapshot: int


class Views:
    """
    What was seen of each housing a moment ago, so that a page looked at twice is worked out once.

    Everything a view rests on is part of its key; time counts by the minute, because dates move with it.
    """

    def __init__(self) -> None:
        self._seen: OrderedDict[int, tuple[Hashable, View]] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, housing_id: int, key: Hashable) -> View | None:
        """The view of a housing, if all it rests on is as it was."""
        with self._lock:
            found = self._seen.get(housing_id)
            return found[1] if found is not None and found[0] == key else None

    def put(self, housing_id: int, key: Hashable, seen: View) -> None:
        """Remember a view; the one put longest ago is forgotten where there are too many."""
        with self._lock:
            self._seen[housing_id] = (key, seen)
            self._seen.move_to_end(housing_id)
            if len(self._seen) > MAX_VIEWS:
                self._seen.popitem(last=False)


class Snapshots:
    """What each owner's fleet teaches, learned on a schedule; one owner's lives never teach another's."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[int, int, FleetKnowledge]] = {}
        self._lock = threading.Lock()

    def of(self, connection: sa.Connection, owner_id: int, now_us: int) -> tuple[int, FleetKnowledge]:
        """Number and content of the snapshot that holds now."""
        with self._lock:
            number, learned_us, knowledge = self._known.get(owner_id, (0, 0, FleetKnowledge()))
            if not number or now_us - learned_us > LEARN_AGAIN_US:
                number, knowledge = number + 1, learn_fleet(_lives(connection, owner_id, now_us))
                self._known[owner_id] = (number, now_us, knowledge)
            return number, knowledge


def _lives(connection: sa.Connection, owner_id: int, now_us: int) -> list[Life]:
    """The ended lives of an owner's fleet; a running one teaches its own housing only."""
    found: list[Life] = []
    for housing in fleet.every_housing(connection, owner_id):
        terminal = terminal_at(fleet.terminals_of(connection, housing.id), now_us)
        if terminal is not None:
            found += housing_lives(
                summaries_of(connection, housing.id),
                terminal_pa=terminal.restriction_pa,
                changes=changes_s(connection, housing.id),
                machine=housing.machine,
                kind=housing.kind,
            )[:-1]
    return found


def summaries_of(connection: sa.Connection, housing_id: int) -> list[HourSummary]:
    """All summaries of a housing, in time order."""
    return [HourSummary.from_record(json.loads(t)) for t in hours.summaries_of(connection, housing_id)]


def changes_s(connection: sa.Connection, housing_id: int) -> list[float]:
    """Element changes that a person entered, in seconds since 1970."""
    return [change.changed_us / MICRO for change in fleet.changes_of(connection, housing_id)]


def terminal_at(terminals: list[Terminal], at_us: int) -> Terminal | None:
    """The terminal restriction that holds at an instant; None if none is entered for it."""
    valid = [terminal for terminal in terminals if terminal.valid_from_us <= at_us]
    return valid[-1] if valid else None


def view(
    connection: sa.Connection, housing: Housing, resources: Resources, snapshots: Snapshots, views: Views
) -> View:
    """Assess one housing now."""
    now_us = resources.clock()
    device_ids = devices_on(connection, housing.id, now_us)
    terminal = terminal_at(fleet.terminals_of(connection, housing.id), now_us)
    number, knowledge = snapshots.of(connection, housing.owner_id, now_us)
    changes = changes_s(connection, housing.id)
    heard_us, because = silence(connection, device_ids)
    behind = hours.count_behind(connection, device_ids)
    key = (housing, terminal, number, tuple(changes), heard_us, because, behind, now_us // MINUTE_US)
    if (seen := views.get(housing.id, key)) is not None:
        return seen
    summaries = summaries_of(connection, housing.id)
    assessment = assess_housing(
        summaries,
        terminal_pa=None if terminal is None else terminal.restriction_pa,
        changes=changes,
        fleet=knowledge,
        now_s=now_us / MICRO,
        machine=housing.machine,
        kind=housing.kind,
        planning_horizon_days=float(resources.settings.planning_horizon_days),
        # Quiet since the last reading was taken, not since it came: a backlog may come days later. Only
        # while nothing is summarised yet, that something came is all there is.
        last_heard_s=heard_us / MICRO if heard_us is not None and not summaries else None,
        quiet_because=because,
    )
    seen = View(
        housing=housing,
        assessment=assessment,
        series=at_reference_flow(summaries, assessment.reference),
        terminal=terminal,
        last_reading_s=max((summary.last_s for summary in summaries), default=None),
        heard_us=heard_us,
        hours_behind=behind,
        snapshot=number,
    )
    views.put(housing.id, key, seen)
    return seen


def devices_on(connection: sa.Connection, housing_id: int, now_us: int) -> list[int]:
    """Devices that sit on a housing now."""
    return [
        seat.device_id
        for seat in fleet.assignments_of_housing(connection, housing_id)
        if (seat.from_us is None or seat.from_us <= now_us)
        and (seat.until_us is None or now_us < seat.until_us)
    ]


def silence(connection: sa.Connection, device_ids: list[int]) -> tuple[int | None, str | None]:
    """
    When the devices were last heard [us], and why they are quiet as far as their gateways said.

    out_of_coverage: the gateway has more than it could send. keyed_off: the last event it saw was the key.
    None: it did not say; the readings themselves may.
    """
    of_devices = [s for device_id in device_ids for s in streams.of_device(connection, device_id)]
    if not of_devices:
        return None, None
    newest = max(of_devices, key=lambda s: (s.last_heard_us, s.id))
    if newest.appended_through is not None and newest.appended_through > newest.highest:
        return newest.last_heard_us, "out_of_coverage"
    event = streams.last_event(connection, device_ids)
    because = {"key_off": "keyed_off", "device_fault": "device_fault"}.get(event[0]) if event else None
    return newest.last_heard_us, because
