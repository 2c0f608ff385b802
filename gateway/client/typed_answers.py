"""
What the server answers, as typed dictionaries: the JSON as it comes, with names a type checker knows.

Promises: a test holds each of them equal to the schema of the server's OpenAPI description.
Restriction in Pa, hours are operating hours, times RFC 3339 in UTC; None: not known, or open.
"""

from __future__ import annotations

from typing import Any, Literal, NotRequired, TypedDict

State = Literal["running-in", "serving", "plan", "due", "over", "suspect", "silent"]
#: what a state is called: that, or why it cannot be judged
StateForm = Literal[State, "look", "no_limit", "age_unknown", "cleaned"]


class Terminal(TypedDict):
    """A terminal restriction as it was read, and in Pa."""

    value: float
    unit: str
    restriction_pa: float
    valid_from: str | None


#: a device on a housing
Seated = TypedDict("Seated", {"device": str, "from": str | None, "until": str | None})
#: where a device sits or sat
Seat = TypedDict("Seat", {"machine": str, "housing": str, "from": str | None, "until": str | None})


class ReferenceFlow(TypedDict):
    """The flow at which the terminal restriction is stated, as entered."""

    quantity: str
    value: float
    unit: str


class Housing(TypedDict):
    """One housing with its limits and devices."""

    housing: str
    terminal_restrictions: list[Terminal]
    reference_flow: ReferenceFlow | None
    devices: list[Seated]
    primary_part: str | None
    safety_part: str | None
    calendar_limit_days: int | None
    most_cleanings: int | None


class NextService(TypedDict):
    """The next scheduled service, by the hour meter or by day."""

    service: str | None
    meter_hours: float | None
    on: str | None


#: from and until which days a machine is laid up, both included; until None: no end is set
LaidUp = TypedDict("LaidUp", {"from": str, "until": str | None})


class Planned(TypedDict):
    """The day on which a person means to change an element."""

    on: str
    by: str
    planned_at: str
    note: str
    state: Literal["open", "missed", "done", "overtaken"]
    in_lay_up: bool
    overtaken_by: str | None
    kept_after: str | None
    chance_at_limit_before: float | None


class DeclaredEvents(TypedDict):
    """What the gateway of a stream declared under one name: losses, damage, a new numbering."""

    device: str
    stream: str
    event: str
    times: int
    readings: int
    first_at: str
    last_at: str


class Machine(TypedDict):
    """A machine with its housings."""

    machine: str
    display_name: str | None
    kind: str | None
    retired_at: str | None
    site: str | None
    crew: str | None
    next_service: NextService | None
    laid_up: LaidUp | None
    housings: list[Housing]
    declared: list[DeclaredEvents]


class Reported(TypedDict):
    """How often a gateway reported a boot, or one kind of event."""

    kind: str
    event: str | None
    times: int
    whole: int
    first_at: str
    last_at: str


class StreamOfDevice(TypedDict):
    """One stream of a device."""

    stream: str
    acknowledged_through: int
    highest: int
    appended_through: int | None
    last_heard_at: str
    gateway_version: str | None
    reported: list[Reported]


class KeyEnded(TypedDict):
    """That no valid key posts for a monitor: its gateway is refused, and keeps its readings."""

    since: str
    because: Literal["key_revoked", "key_expired", "key_suspended"]


class WithoutKey(KeyEnded):
    """A monitor whose every key has ended."""

    device: str


class Device(TypedDict):
    """A device, where it sits and sat, and its streams."""

    device: str
    registered_at: str | None
    in_service_at: str | None
    history_from: str | None
    retired_at: str | None
    assignments: list[Seat]
    streams: list[StreamOfDevice]
    key_ended: KeyEnded | None


class Said(TypedDict):
    """A sentence as its code and values, for whoever writes it in another language."""

    code: str
    values: dict[str, Any]


class SuspectCause(TypedDict):
    """A likely cause, and the data it rests on."""

    cause: str
    cause_text: str
    evidence: str
    said: Said


class SameWork(TypedDict):
    """An entry of the same work close by another, and who made it."""

    entry_id: str
    changed_at: str
    entered_at: str
    who: str
    by_name: str | None


class Question(TypedDict):
    """An entry that the readings contradict. It changes no figure until a person has settled it."""

    changed_at: str
    entry_id: str
    verdict: str
    says: str
    said: Said
    same_work: SameWork | None


class Points(TypedDict):
    """10, 50 and 90 % points of the operating hours left."""

    p10: float
    p50: float
    p90: float


class Dates(TypedDict):
    """10, 50 and 90 % points of the due date."""

    p10: str | None
    p50: str | None
    p90: str | None


class TrendLevels(TypedDict):
    """The last ninety days in steps."""

    start_at: str
    step_s: int
    restriction_pa: list[float | None]
    changes_at: list[str]


#: a span of time in which readings came in one way
Came = TypedDict(
    "Came",
    {
        "from": str,
        "until": str,
        "came": Literal["live", "late", "bundle", "missing", "quarantined"],
        "readings": int,
    },
)


class MovedTo(TypedDict):
    """Where a monitor went."""

    machine: str
    housing: str


class NoMonitor(TypedDict):
    """A housing on which no monitor sits."""

    since: str | None
    device: str | None
    moved_to: MovedTo | None
    by: str | None


class LevelInDoubt(TypedDict):
    """The newest level where it is not believed."""

    restriction_pa: float
    at: str


class Otherwise(TypedDict):
    """What holds of a housing where an entry does not."""

    state: State
    share_used_percent: float | None
    due_at: Dates | None


class RestingEntry(TypedDict):
    """An entry that counts, though too few working hours have passed to confirm it."""

    entry_id: str
    what: str
    changed_at: str
    look_by: str | None
    otherwise: Otherwise


class HousingState(TypedDict):
    """What is known of one housing now. A state is advice: the engine maker's manual comes first."""

    machine: str
    display_name: str | None
    housing: str
    kind: str | None
    now: str
    state: State
    state_form: StateForm
    state_text: str
    advice: str
    advice_code: str
    cautions: list[dict[str, str]]
    suspicions: list[SuspectCause]
    questions: list[Question]
    restriction_pa: float | None
    restriction_at: str | None
    hours_in_doubt: float
    newest_in_doubt: LevelInDoubt | None
    clean_restriction_pa: float | None
    terminal_restriction: Terminal | None
    share_used_percent: float | None
    limit_in_doubt: bool
    element_in_doubt: bool
    life_hours: float | None
    cleanings: int
    age_known: bool
    hours_left: Points | None
    due_at: Dates | None
    latch_hours_left: Points | None
    latch_at: Dates | None
    plan_by: Literal["full_flow", "indicator"] | None
    dates_rest_on: Literal["element", "fleet", "general"] | None
    rests_on_entry: RestingEntry | None
    duty_hours_per_day: float
    last_reading_at: str | None
    last_heard_at: str | None
    no_monitor: NoMonitor | None
    without_key: list[WithoutKey]
    quiet_s: float | None
    quiet_because: str | None
    may_have_worked_hours: float
    readings_waiting: int
    evidence: list[str]
    evidence_said: list[Said]
    basis: str
    flow_exponent: float | None
    lives_learned_from: int
    snapshot: int
    learned_at: str | None
    learning_failed_at: str | None
    hours_behind: int
    analysed_through: str | None
    changes_found: list[str]
    trend: NotRequired[TrendLevels | None]
    readings_quarantined: NotRequired[int | None]
    site: str | None
    crew: str | None
    primary_part: str | None
    safety_part: str | None
    laid_up: LaidUp | None
    worked_laid_up: Said | None
    planned: Planned | None


class SeriesPoint(TypedDict):
    """Restriction at the reference flow in one operating hour."""

    hour: str
    restriction_pa: float | None
    operating_s: float
    operating_hours: float


class MovedDate(TypedDict):
    """A likely date that learning moved, beyond the early and late date that were stated."""

    since: str
    likely_before_at: str | None
    likely_at: str | None
    more_lives: int


class HousingSeries(HousingState):
    """One housing with its series."""

    date_moved: NotRequired[MovedDate | None]
    series: list[SeriesPoint]
    coverage: NotRequired[list[Came] | None]


class ElementLife(TypedDict):
    """One element life. Hours are operating hours; restriction is at the reference flow."""

    start_at: str
    start_by: str | None
    end_at: str | None
    began: Literal["first seen", "change", "cleaned"]
    began_by: Literal["entered", "found"] | None
    ended: Literal["running", "at terminal", "before terminal"]
    sure: Literal["high", "medium", "low"]
    hours: float
    level_before_pa: float | None
    level_start_pa: float | None
    level_end_pa: float | None


class ElementCleaning(TypedDict):
    """One cleaning of an element, and what it gave back; its maker's manual says whether it may be."""

    cleaned_at: str
    cleaned_by: str | None
    known_by: Literal["entered", "found"]
    sure: Literal["high", "medium", "low"]
    hours_before: float
    hours_after: float
    ended: Literal["running", "at terminal", "before terminal"]
    level_before_pa: float | None
    level_after_pa: float | None
    clean_restriction_pa: float | None
    given_back_percent: float | None
    given_back_low_percent: float | None
    given_back_high_percent: float | None


class ElementAccount(TypedDict):
    """One element, from going in to coming out, with its cleanings."""

    element: int
    start_at: str
    start_by: str | None
    end_at: str | None
    from_new: bool
    hours: float
    ended: Literal["running", "at terminal", "before terminal"]
    cleanings: list[ElementCleaning]


class StoredReading(TypedDict):
    """A stored reading, in SI unless another unit was asked for; what it does not have is left out."""

    stream: str
    seq: int
    at: str
    at_uncertainty_s: NotRequired[float | None]
    device: NotRequired[str | None]
    restriction: NotRequired[float | None]
    ambient_pressure: NotRequired[float | None]
    intake_pressure: NotRequired[float | None]
    boost_pressure: NotRequired[float | None]
    engine_speed: NotRequired[float | None]
    engine_load: NotRequired[float | None]
    air_mass_flow: NotRequired[float | None]
    air_temperature: NotRequired[float | None]
    intake_temperature: NotRequired[float | None]
    engine_hours: NotRequired[float | None]
    supply_voltage: NotRequired[float | None]
    latitude: NotRequired[float | None]
    longitude: NotRequired[float | None]
    altitude: NotRequired[float | None]
    signal_strength: NotRequired[float | None]
    position_fix: NotRequired[float | None]
    satellites: NotRequired[float | None]


class Reason(TypedDict):
    """Why a reading is not believed."""

    code: str
    detail: str
    values: NotRequired[dict[str, Any] | None]
    suggestion: NotRequired[dict[str, Any] | None]


class KeptAs(TypedDict):
    """Stream and number of the second of two readings under one number."""

    stream: str
    seq: int


class OtherReading(TypedDict):
    """The first reading of a number that another one has too."""

    state: Literal["stored", "held", "released", "discarded"]
    content: dict[str, Any] | None


class QuarantineEntry(TypedDict):
    """A reading in quarantine, whole, as sent."""

    entry: int
    device: str
    stream: str
    seq: int
    state: Literal["held", "released", "discarded"]
    code: str
    what_to_do: str | None
    reasons: list[Reason]
    beside_another: bool
    other_reading: OtherReading | None
    content: dict[str, Any]
    amended: dict[str, Any] | None
    kept_as: KeptAs | None
    received_at: str
    checked_again_at: str | None


class StreamAccount(TypedDict):
    """Where each number of a stream is."""

    stream: str
    device: str
    balances: bool
    through: int
    acknowledged_through: int
    highest: int
    stored: int
    quarantined: int
    discarded: int
    shed: int
    moved: int
    gap: int
    pending: int
    duplicates: int
    conflicts: int
    gaps: list[tuple[int, int]]
    gaps_more: NotRequired[int | None]
    lost: int
    faults: list[str]
    declared: list[DeclaredEvents]


class Account(TypedDict):
    """The account of every stream of an owner."""

    balances: bool
    streams: list[StreamAccount]
