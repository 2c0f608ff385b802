"""
The truth about a made fleet: what its machines did, what people did to them, and what the monitors sent.

One format for every generator, so that whatever looks at readings can be scored on all of them.
An instant is in seconds since 1970, UTC, and ends in `_s`. Hours that end in `_h` are operating hours since
the record began. "Never" is `inf`, "does not apply" is NaN.
Leaves to others: the physics (one file a generator), what people do (`upkeep`), what fails (`incidents`), the
score (`score`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

DAY_S = 86_400.0
HOUR_S = 3_600.0
#: when the fleet is looked at each day; with night work this is in the middle of a shift
LOOK_AT_S = 20 * HOUR_S
HOUSING = "main"


class Proxy(StrEnum):
    """What a machine sends that follows its air flow."""

    MASS_FLOW = "mass flow"
    BOOST = "boost"
    SPEED_AND_LOAD = "speed and load"
    SPEED = "speed"
    NOTHING = "nothing"


class Work(StrEnum):
    """What people did at a housing."""

    NEW = "new"
    CLEANED = "cleaned"
    PUT_BACK = "put back"
    TORN = "torn"
    MISSING = "missing"
    SENSOR_EXCHANGED = "sensor exchanged"


class Cause(StrEnum):
    """What is wrong."""

    MISSING = "missing after service"
    TORN = "torn"
    TUBE_OFF = "tube off"
    PLUGGED_TAP = "plugged tap"
    ZERO_LARGE = "zero moved, large"
    ZERO_SMALL = "zero moved, small"
    SWAPPED = "monitors swapped"
    PORTS_SWAPPED = "ports swapped"
    LIMIT_UNIT = "unit of the limit"


#: while one of these lasts, no reading shows the element that people believe to be in the housing
HIDING = frozenset(
    {Cause.MISSING, Cause.TORN, Cause.TUBE_OFF, Cause.PLUGGED_TAP, Cause.SWAPPED, Cause.PORTS_SWAPPED}
)


class EntryIs(StrEnum):
    """How what a person entered relates to what was done."""

    RIGHT = "right"
    LATE = "late"
    DOUBLED = "doubled"
    WRONG_MACHINE = "wrong machine"


@dataclass(frozen=True, kw_only=True)
class Change:
    """Work at a housing. It happens with the engine off: no reading lies at the very instant."""

    at_s: float
    work: Work
    #: dry restriction at full flow before and after [Pa]
    before_pa: float
    after_pa: float
    #: share of the rise above clean that is gone; 1: another element, 0: put back as it was
    recovered: float
    #: share used before the work [%]
    share_before: float
    #: True: a person entered it at this machine, on time or late
    is_entered: bool = False


@dataclass(frozen=True, kw_only=True)
class Life:
    """One element between two changes, and when it would be at the limit if it had stayed in."""

    start_s: float
    #: inf: it is in use at the end of the record
    end_s: float
    #: the dry restriction of this element at full flow when it was new [Pa]
    clean_pa: float
    #: the dry restriction at full flow reaches the limit; inf: not within the record and the time after it
    limit_s: float
    limit_h: float
    #: an indicator on the housing latches: it stays at the highest restriction that the machine actually met
    latch_s: float
    latch_h: float
    #: an element that is torn or missing has no due date
    is_sound: bool = True


@dataclass(frozen=True, kw_only=True)
class Fault:
    """Something wrong, from its beginning until its repair."""

    cause: Cause
    begin_s: float
    #: inf: not repaired within the record
    repaired_s: float
    #: True: it began with work at the machine
    at_service: bool
    #: False: the readings cannot show it, by the rule that stands where the fault is made
    is_tellable: bool = True
    #: step of zero [Pa], or the factor of a wrong limit, or the share of a torn element that still resists
    size: float = float("nan")


@dataclass(frozen=True, kw_only=True)
class Entry:
    """An element change as a person entered it, at this machine."""

    entered_s: float
    changed_s: float
    #: "new" or "cleaned", as the API has them
    what: str
    entry_id: str
    kind: EntryIs


@dataclass(frozen=True, kw_only=True)
class LimitEntry:
    """A limit as a person entered it."""

    entered_s: float
    value: float
    unit: str


@dataclass(frozen=True, kw_only=True)
class IndicatorLook:
    """A person looked at the indicator on the housing, and entered whether it stood at its red mark."""

    entered_s: float
    at_s: float
    is_latched: bool
    entry_id: str


class NoteIs(StrEnum):
    """What a note of a new element is of."""

    RIGHT = "right"
    IN_USE = "an element in use"
    WRONG_MACHINE = "another machine"
    NOT_FULL_FLOW = "not at full flow"


@dataclass(frozen=True, kw_only=True)
class CleanNote:
    """What a hand gauge showed at full flow with a new element in, as entered at registration."""

    value_pa: float
    kind: NoteIs


@dataclass(frozen=True, kw_only=True)
class ReferenceFlow:
    """The flow at which the limit is stated, by the papers of the machine."""

    quantity: str
    value: float
    unit: str


@dataclass(frozen=True, kw_only=True)
class Readings:
    """What one monitor sent: one row a reading, shape (n,), in time order; numbers are 1, 2, 3 ..."""

    device: str
    #: a UUID, version 7
    stream: str
    at_s: Floats
    #: when the row reaches the server; later than `at_s` by a coverage gap, never before the row ahead of it
    received_s: Floats
    #: quantity -> values in the unit of `units`; NaN: not in this reading
    values: Mapping[str, Floats]
    units: Mapping[str, str]
    #: number of the reading, "key_on" or "key_off"
    events: tuple[tuple[int, str], ...]

    def between(self, after_s: float, until_s: float) -> slice:
        """The rows that arrive after one instant and by another."""
        first, end = np.searchsorted(self.received_s, (after_s, until_s), side="right")
        return slice(int(first), int(end))


@dataclass(frozen=True, kw_only=True)
class Evenings:
    """The truth on each evening of the record, shape (days,)."""

    at_s: Floats
    #: operating hours worked by then
    worked_h: Floats
    #: operating hours of which the readings have arrived by then
    seen_h: Floats
    #: when the newest reading that has arrived was measured; NaN: none has
    seen_s: Floats
    #: restriction that full flow would show that evening, passing moisture included [Pa]
    full_flow_pa: Floats
    #: the same once the element is dry
    dry_pa: Floats
    #: (full_flow - clean) / (limit - clean) [%]
    share_percent: Floats
    #: operating hours and days until the dry level at full flow is at the limit; 0: it is; inf: not known
    hours_left: Floats
    days_left: Floats
    #: the same until the indicator on the housing latches
    latch_hours_left: Floats
    latch_days_left: Floats


@dataclass(frozen=True, kw_only=True)
class Machine:
    """One machine with one housing: what is known of it at registration, what it sent, and the truth."""

    name: str
    kind: str
    housing: str = HOUSING
    proxy: Proxy
    is_constant_speed: bool
    #: the limit as it is, at full flow on the machine's site [Pa]
    limit_pa: float
    #: as people entered it; the first at registration
    limits: tuple[LimitEntry, ...]
    readings: tuple[Readings, ...]
    changes: tuple[Change, ...]
    lives: tuple[Life, ...]
    faults: tuple[Fault, ...]
    entries: tuple[Entry, ...]
    #: entered at registration; None: the papers do not have it, or no person looked
    reference: ReferenceFlow | None
    looks: tuple[IndicatorLook, ...]
    #: None: nothing was noted
    clean_note: CleanNote | None = None
    evenings: Evenings
    #: what the generator says of it, for whoever looks into a miss
    notes: Mapping[str, float | str] = field(default_factory=dict)

    def faults_at(self, at_s: float) -> list[Fault]:
        """What is wrong at an instant."""
        return [fault for fault in self.faults if fault.begin_s <= at_s < fault.repaired_s]

    def hours_at(self, at_s: float) -> float:
        """Operating hours worked by an instant, between evenings in a straight line."""
        evenings = self.evenings
        before_s = evenings.at_s[0] - DAY_S
        return float(np.interp(at_s, np.r_[before_s, evenings.at_s], np.r_[0.0, evenings.worked_h]))


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """A made fleet. The same arguments make the same fleet."""

    generator: str
    seed: int
    start_s: float
    days: int
    interval_s: float
    machines: tuple[Machine, ...]

    @property
    def machine_years(self) -> float:
        """Years that its machines were watched together."""
        return len(self.machines) * self.days / 365.25
