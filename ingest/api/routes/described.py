"""
How answers look, for the OpenAPI description and for the framework, which holds the answers to it.

Restriction in Pa, hours are operating hours, times RFC 3339 in UTC. null: not known.
Leaves to others: what the values are (`ingest.api.routes.restriction`, `ingest.api.routes.account`,
`gateway.wire`).
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, WithJsonSchema

from cleanside.ingest.api.routes.described_kinds import (
    AcceptanceResult,
    AttentionGroup,
    CameHow,
    CheckVerdict,
    Counts,
    CountsByState,
    DatesRestOn,
    ElementWork,
    EntryVerdict,
    KeyEnd,
    OtherReadingIs,
    PlanBy,
    PlanState,
    SaidValues,
    State,
    StateForm,
)
from cleanside.ingest.api.routes.named_schema import opened
from cleanside.ingest.restriction import USUAL_CHANGES

#: a list of two, not a tuple: clients in TypeScript read it as the one and type it as the other
Range = Annotated[
    tuple[int, int],
    WithJsonSchema(
        {
            "type": "array",
            "items": {"type": "integer"},
            "minItems": 2,
            "maxItems": 2,
            "description": "first and last number of a range",
        }
    ),
]


class Described(BaseModel):
    """An answer, or a part of one. A member that is not described is our mistake, and shows in tests."""

    model_config = ConfigDict(extra="forbid")


# ---------------------------------------------------------------- readings and streams


class Quarantined(Described):
    """Readings that are quarantined, and why: by number, or by index where the batch had no numbers."""

    seq: int | None = None
    last_seq: int | None = Field(None, description="last number, where a range shares the reason")
    index: int | None = None
    last_index: int | None = None
    code: str = Field(examples=["out_of_range"], description="why, as a code; stable, decide by this")
    detail: str
    other_is: OtherReadingIs | None = Field(
        None, description="of a number_conflict: where the reading is that has the number or instant already"
    )


class BatchAnswer(Described):
    """What became of a batch, once it is durable."""

    stream: str | None = None
    acknowledged_through: int | None = Field(
        None, description="every number up to it is stored, quarantined or declared shed; null: no numbers"
    )
    stored: int
    duplicates: int
    gaps: list[Range] | None = Field(
        None, description="missing numbers below the highest one received, as first and last of each range"
    )
    gaps_more: int | None = Field(None, description="gaps beyond those listed")
    quarantined: list[Quarantined]
    quarantined_more: int | None = Field(None, description="entries beyond those listed")
    server_time: str


class StreamAnswer(Described):
    """What the server holds of a stream."""

    stream: str
    device: str
    acknowledged_through: int
    highest: int
    gaps: list[Range]
    gaps_more: int | None = None
    server_time: str


class MarkLine(Described):
    """How far a stream is stored."""

    stream: str
    acknowledged_through: int
    highest: int


class MarksAnswer(Described):
    """The marks of the streams that were asked about."""

    streams: list[MarkLine]
    unknown: list[str] = Field(description="streams that this device has none of here")
    server_time: str


class ConfirmedAnswer(Described):
    """The events are durable."""

    confirmed: int = Field(description="how many events are durable: all that were sent")
    server_time: str


class ShedShown(Described):
    """Numbers that a gateway deleted unsent."""

    first: int
    last: int
    reason: str


class SendsAgain(Described):
    """What a gateway was asked to send again and has not sent yet."""

    next: int = Field(description="the number that comes next")
    last: int = Field(description="the mark when it was asked; with it the gateway is done")


class StreamLine(Described):
    """One stream of a list."""

    stream: str = Field(description='a UUID, or "unnumbered" and the device')
    device: str
    acknowledged_through: int
    highest: int
    appended_through: int | None = Field(
        description="as the gateway says, or a person put it right; null: it never said"
    )
    last_heard_at: str
    newest_at: str | None = Field(
        description="when the newest among its last numbers was measured; null: no reading of it is stored"
    )
    pending: int = Field(description="numbers that the gateway has and that did not come yet")
    gap: int = Field(description="numbers below the highest that are missing")
    gaps: list[Range] = Field(description="which those are, first and last of each range; the first eight")
    shed: list[ShedShown] = Field(description="what the gateway deleted unsent, and why")
    drains_per_s: float | None = Field(
        description="readings that come while something is pending; null: none come [1/s]"
    )
    has_gateway: bool = Field(
        description="a gateway sends it, and can be asked to send again; false: a program posts by itself"
    )
    sends_again: SendsAgain | None = Field(description="null: it was not asked to, or it is done")


class StreamsAnswer(Described):
    """Streams, a page at a time."""

    streams: list[StreamLine]
    next: str | None = Field(description="`cursor` of the next page; null: this is the last")


# ---------------------------------------------------------------- account


class DeclaredShown(Described):
    """What the gateway of a stream declared under one name; first and last by time of receipt."""

    device: str
    stream: str
    event: str = Field(description="name of the event; stable, decide by this", examples=["readings_lost"])
    times: int
    readings: int = Field(description="readings lost or damaged, as these events say; 0: they say none")
    first_at: str
    last_at: str


class StreamAccount(Described):
    """Where each number 1..through of a stream is; duplicates and conflicts are counted apart."""

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
    gaps: list[Range]
    gaps_more: int | None = None
    lost: int = Field(description="numbers that were acknowledged and are not here: a restore lost them")
    faults: list[str]
    declared: list[DeclaredShown] = Field(
        description="losses and damage that the gateway declared: readings that never had a number, "
        "a replaced spool, a budget that was nearly full"
    )


class AccountAnswer(Described):
    """The account of every stream of an owner."""

    balances: bool
    streams: list[StreamAccount]


class ConcernShown(Described):
    """One line of what may need a person."""

    device: str | None = Field(description="name of the device; null: of several")
    machine: str | None
    code: str = Field(description="what it is about; stable, decide by this", examples=["out_of_coverage"])
    count: int = Field(description="readings, numbers, times or devices, as the group has it")
    value: str | int | None = Field(
        description=(
            "of a version: which; of a loss: how many readings; of a clock that stepped: stream, number and "
            "both times; null: nothing more to say"
        )
    )
    since: str | None = Field(description="since when, or when last, UTC; null: not known")
    age_s: int | None
    needs_person: bool
    next_step: str


class ConcernGroupShown(Described):
    """Lines of one kind, those that need a person first."""

    group: AttentionGroup
    count: int = Field(description="how many lines; each says how many readings, numbers or devices it has")
    needs_person: int = Field(description="how many of its lines need a person")
    entries: list[ConcernShown]
    entries_more: int | None = Field(None, description="lines beyond those listed")


class AttentionAnswer(Described):
    """All that may need a person."""

    now: str
    needs_person: int = Field(description="lines that need a person; 0: nothing does")
    groups: list[ConcernGroupShown] = Field(description="every group, empty ones too")


# ---------------------------------------------------------------- restriction


class CautionShown(Described):
    """What to mind at the machine. The maker's manual and local rules come first."""

    code: str = Field(examples=["plug_tap"], description="which caution; stable")
    caution: str


class SaidShown(Described):
    """A sentence as its code and values, for whoever writes it in another language."""

    code: str = Field(description="which sentence; stable", examples=["duty_seen"])
    values: SaidValues


class SuspicionShown(Described):
    """A likely cause, and the data it rests on."""

    cause: str = Field(description="the cause, as a code; stable, decide by this", examples=["below_clean"])
    cause_text: str = Field(
        description="the cause in plain words", examples=["element missing or torn, or tube off"]
    )
    evidence: str
    said: SaidShown


class SameWork(Described):
    """An entry of the same work close by another, and who made it."""

    entry_id: str = Field(description="id of that entry")
    changed_at: str = Field(description="when its work was done, as entered, UTC")
    entered_at: str = Field(description="when it was made, UTC")
    who: str = Field(description="handle of the key or person it was entered with")
    by_name: str | None = Field(description="the name that was written at the machine; null: not made there")


class QuestionShown(Described):
    """An entry that the readings contradict. It changes no figure until a person has settled it."""

    changed_at: str
    entry_id: str
    verdict: EntryVerdict
    says: str
    said: SaidShown
    same_work: SameWork | None = Field(description="an entry of the same work close by; null: none")


class TerminalShown(Described):
    """A terminal restriction as it was read, and in Pa."""

    value: float
    unit: str = Field(description="unit of value, as it was read", json_schema_extra=opened("PressureUnit"))
    restriction_pa: float
    valid_from: str | None


class Points(Described):
    """10, 50 and 90 % points of the operating hours left."""

    p10: float
    p50: float
    p90: float


class Dates(Described):
    """10, 50 and 90 % points of the due date; null beyond what a calendar can honestly say."""

    p10: str | None
    p50: str | None
    p90: str | None


# ---------------------------------------------------------------- what the shop knows of a machine


class LaidUpShown(Described):
    """From and until which days a machine is laid up, both included."""

    from_: str = Field(alias="from")
    until: str | None = Field(description="null: no end is set")


class ServiceShown(Described):
    """The next scheduled service."""

    service: str | None
    meter_hours: float | None = Field(description="the hour meter at which it is due [h]")
    on: str | None = Field(description="the day on which it is due")


class PlannedShown(Described):
    """The day on which a person means to change an element."""

    on: str
    by: str
    planned_at: str
    note: str
    state: PlanState
    chance_at_limit_before: float | None = Field(
        description="that the limit is reached before that day, 0 to 1; null: there are no dates"
    )
    in_lay_up: bool = Field(description="its machine is laid up on that day: move it, or take it back")
    overtaken_by: str | None = Field(
        description="when the change was made that became known after this day was planned, UTC; null: none "
        "did. Plan the same day again to keep it, or take it back"
    )
    kept_after: str | None = Field(
        description="the change after which a person kept this day, UTC; null: no change questioned it"
    )


class TrendShown(Described):
    """The last ninety days in steps."""

    start_at: str
    step_s: int = Field(description="length of a step [s]")
    restriction_pa: list[float | None] = Field(description="median of each step; null: nothing was read [Pa]")
    changes_at: list[str] = Field(description="where an element life began meanwhile")


class LevelInDoubtShown(Described):
    """The newest level where it is not believed."""

    restriction_pa: float = Field(description="restriction at the reference flow [Pa]")
    at: str = Field(description="when it was measured, UTC")


class MovedToShown(Described):
    """The housing to which a monitor was moved."""

    machine: str
    housing: str


class NoMonitorShown(Described):
    """A housing on which no monitor sits."""

    since: str | None = Field(description="when the last one left, UTC; null: none ever sat there")
    device: str | None = Field(description="the one that sat there last; null: none did")
    moved_to: MovedToShown | None = Field(description="null: it was taken off, or went where you see nothing")
    by: str | None = Field(description="handle of whoever moved it or took it off; null: not known")


class KeyEndedShown(Described):
    """That no valid key posts for a monitor: its gateway is refused, and keeps its readings."""

    since: str = Field(description="when its last key ended, UTC")
    because: KeyEnd = Field(description="how it ended, as a code; stable")


class WithoutKeyShown(KeyEndedShown):
    """A monitor without a valid key."""

    device: str = Field(description="its name")


class OtherwiseShown(Described):
    """What holds of a housing where an entry does not."""

    state: State
    share_used_percent: float | None
    due_at: Dates | None


class RestingEntryShown(Described):
    """An entry that counts, though too few working hours have passed to confirm it."""

    entry_id: str = Field(description="id of the entry")
    what: ElementWork
    changed_at: str
    look_by: str | None = Field(description="by when the readings likely say whether it holds, UTC")
    otherwise: OtherwiseShown = Field(description="what stood before, and holds if the entry does not")


class HousingAnswer(Described):
    """What is known of one housing now. A state is advice: the engine maker's manual comes first."""

    machine: str
    display_name: str | None = Field(description="what people call the machine; null: its name")
    housing: str
    kind: str | None
    now: str
    state: State = Field(description="the state, as a code; stable, decide by this", examples=["plan"])
    state_form: StateForm
    state_text: str = Field(description="the state in plain words", examples=["plan change"])
    advice: str
    advice_code: str = Field(description="the advice, as a code; stable", examples=["advice_plan"])
    suspicions: list[SuspicionShown]
    cautions: list[CautionShown] = Field(description="what to mind before starting again")
    questions: list[QuestionShown] = Field(
        description="entries that the readings contradict; such housings come first"
    )
    restriction_pa: float | None = Field(
        description="restriction at the reference flow, at restriction_at; null: not known [Pa]"
    )
    restriction_at: str | None = Field(
        description="when the newest reading that is believed was measured, UTC; null: none"
    )
    hours_in_doubt: float = Field(
        description="operating hours since restriction_at whose readings are in doubt; 0: none [h]"
    )
    newest_in_doubt: LevelInDoubtShown | None = Field(
        description="the newest level, which no figure is taken from; null: the newest is restriction_pa"
    )
    clean_restriction_pa: float | None
    terminal_restriction: TerminalShown | None
    share_used_percent: float | None
    limit_in_doubt: bool
    element_in_doubt: bool
    life_hours: float | None
    cleanings: int = Field(description="how often the running element was cleaned, entered or likely")
    age_known: bool
    hours_left: Points | None
    due_at: Dates | None
    latch_hours_left: Points | None = Field(
        description=(
            "operating hours until the indicator on the housing is expected to latch: early, likely, late; "
            "null: not known [h]"
        )
    )
    latch_at: Dates | None
    plan_by: PlanBy | None = Field(
        description="the dates to plan by, of due_at and latch_at the earlier; null: there are not both. "
        "Every list goes by due_at, and says where latch_at is days apart"
    )
    dates_rest_on: DatesRestOn | None
    rests_on_entry: RestingEntryShown | None
    duty_hours_per_day: float
    last_reading_at: str | None
    last_heard_at: str | None
    no_monitor: NoMonitorShown | None = Field(description="null: a monitor sits there")
    without_key: list[WithoutKeyShown] = Field(
        description="monitors there whose every key has ended: their gateways are refused, and keep readings"
    )
    quiet_s: float | None
    quiet_because: str | None = Field(
        description=(
            "why nothing newer is known: keyed_off, off_or_out_of_coverage, out_of_coverage, device_fault, "
            "backlog_arrives (old readings came within a day) or unknown; null: newer readings arrive"
        )
    )
    may_have_worked_hours: float = Field(
        description="usual operating hours that passed without a reading, while nothing arrived [h]"
    )
    readings_waiting: int = Field(description="readings that its gateways are known to have unsent")
    evidence: list[str]
    evidence_said: list[SaidShown] = Field(description="the same, as codes and values")
    basis: str = Field(description="flow, envelope or none: what restriction at reference flow rests on")
    flow_exponent: float | None
    lives_learned_from: int
    snapshot: int = Field(description="number of the fleet snapshot that was used")
    learned_at: str | None = Field(description="when the fleet was learned from last, UTC; null: not yet")
    learning_failed_at: str | None = Field(
        description="when learning last failed, in this process, UTC; null: the last learning succeeded"
    )
    hours_behind: int = Field(description="hours of data that changed and are not summarised yet; 0: current")
    analysed_through: str | None = Field(
        description="what was received before this is in the answer, UTC; null: nothing is summarised yet"
    )
    changes_found: list[str] = Field(
        description="falls like a new or cleaned element without an entry; enter what was done"
    )
    site: str | None
    crew: str | None
    primary_part: str | None = Field(description="part number of the element")
    safety_part: str | None = Field(description="part number of the safety element")
    laid_up: LaidUpShown | None
    worked_laid_up: SaidShown | None = Field(
        description="it worked although it is laid up, as code and values: end the lay-up, or let it begin "
        "later; until then it moves no date; null: it did not work"
    )
    planned: PlannedShown | None = Field(
        description="a change that a person means to make; missed ones first"
    )
    trend: TrendShown | None = Field(None, description="left out: the request did not ask `with_trend`")
    readings_quarantined: int | None = Field(
        None,
        description="measured on it; of a monitor that sat elsewhere too, those whose time is in doubt count "
        "for no housing, see /v1/attention; in lists of housings",
    )


class SeriesPoint(Described):
    """Restriction at the reference flow in one operating hour."""

    hour: str
    restriction_pa: float | None
    operating_s: float
    operating_hours: float = Field(
        description="as element lives count it: in an hourly series, which does not show how long the engine "
        "ran, each row counts as one [h]"
    )


class CameShown(Described):
    """A span of time in which readings came in one way."""

    from_: str = Field(alias="from")
    until: str
    came: CameHow
    readings: int


class DateMovedShown(Described):
    """A likely date that learning moved, beyond the early and late date that were stated."""

    since: str = Field(description="by what the fleet had taught until then, UTC")
    likely_before_at: str | None = Field(
        description="likely date by that, from the same readings, UTC; null: beyond 2100"
    )
    likely_at: str | None = Field(description="likely date now, UTC; null: beyond 2100")
    more_lives: int = Field(description="lives learned from since; below 1: other ones, or more of the same")


class RestrictionAnswer(HousingAnswer):
    """One housing with its series."""

    date_moved: DateMovedShown | None = Field(
        None, description="what learning moved of its likely date in the last days; null: nothing to speak of"
    )

    series: list[SeriesPoint]
    coverage: list[CameShown] | None = Field(
        None, description="how readings came; null: the request did not ask `with_coverage`"
    )


class FleetAnswer(Described):
    """Housings, most urgent first."""

    now: str
    count: int = Field(description="housings that the filters leave, on all pages")
    by_state: CountsByState = Field(description="of those; a state that none has is left out")
    with_questions: int = Field(description="of those, how many wait for an answer of a person")
    with_day: int = Field(description="of those in the state `plan`, how many have a planned day that stands")
    late_day_by_state: CountsByState = Field(
        description="of those that are not at their limit and need no look first: by state, how many have a "
        "planned day that stands and before which the limit is reached with more than `chance_allowed`"
    )
    chance_allowed: float = Field(description="that the shop allows, 0 to 1, by its terms of the visit plan")
    by_kind: Counts = Field(description="of all that the key may see, whatever the filters say")
    by_site: Counts = Field(description="the same")
    by_crew: Counts = Field(description="the same")
    housings: list[HousingAnswer]
    next: str | None = Field(description="`cursor` of the next page; null: this is the last")


# ---------------------------------------------------------------- acceptance


class CheckShown(Described):
    """One check of an installation."""

    check: str = Field(
        description="which check, as a code; stable, decide by this", examples=["terminal restriction"]
    )
    check_text: str = Field(description="the check in plain words", examples=["change limit"])
    verdict: CheckVerdict
    verdict_text: str = Field(description="the verdict in plain words", examples=["open"])
    seen: str = Field(description="what the verdict rests on")
    next_step: str | None


class AcceptanceAnswer(Described):
    """What the first readings of an installation say."""

    machine: str
    housing: str
    devices: list[str] = Field(description="the monitor that was checked: the one fitted last; empty: none")
    beside: list[str] = Field(
        description="monitors that sit on the housing besides; no check goes by what they sent"
    )
    since: str | None = Field(description="from when readings were looked at, UTC; null: there are none")
    until: str | None
    looked_at: str | None
    readings: int
    terminal_restriction: TerminalShown | None
    result: AcceptanceResult
    result_text: str = Field(
        description="the result in plain words", examples=["not complete, 1 of 9 checks open"]
    )
    checks: list[CheckShown]
    cautions: list[str]


class ConfirmationAnswer(Described):
    """The terminal restriction, read twice."""

    machine: str
    housing: str
    terminal_restriction: TerminalShown | None
    confirmed_at: str
    confirmed_by: str


# ---------------------------------------------------------------- what waiting costs


class PricesShown(Described):
    """What fuel and an element cost, as entered."""

    currency: str
    fuel_l_per_h: float
    fuel_price_per_l: float
    element_price: float
    entered_at: str
    entered_by: str


class PricesAnswer(PricesShown):
    """The prices of a housing."""

    machine: str
    housing: str


class SpanShown(Described):
    """Low and high end of a range."""

    low: float
    high: float


class DateSpanShown(Described):
    """First and last date of a range; null beyond what a calendar can honestly say."""

    low: str | None
    high: str | None


class WaitingShown(Described):
    """What restriction costs, as ranges; null where no prices are entered, or no hours are left until due."""

    extra_fuel_percent_now: SpanShown
    power_loss_percent_now: SpanShown
    extra_fuel_l_per_hour_now: SpanShown | None
    extra_fuel_cost_per_hour_now: SpanShown | None
    extra_fuel_percent_until_due: SpanShown
    extra_fuel_l_until_due: SpanShown | None
    extra_fuel_cost_until_due: SpanShown | None
    cheapest_in_hours: SpanShown | None = Field(
        description=(
            "when a change costs least, in operating hours from now; never beyond the limit; null: "
            "not known [h]"
        )
    )
    cheapest_at: DateSpanShown | None
    terminal_first: bool | None = Field(description="terminal restriction comes before the cheapest hour")


class WaitingAnswer(Described):
    """What it costs to wait with the change."""

    machine: str
    housing: str
    now: str
    state: State = Field(description="the state, as a code; stable, decide by this", examples=["plan"])
    state_text: str = Field(description="the state in plain words", examples=["plan change"])
    prices: PricesShown | None
    waiting: WaitingShown | None = Field(
        description="what waiting costs; null: too little known, or the figures contradict each other"
    )
    missing: str | None = Field(description="what is missing for saying more, and what to do; null: nothing")
    source: str
    note: str


# ---------------------------------------------------------------- health


class HealthAnswer(Described):
    """The process is alive."""

    status: Literal["alive"]


class ReadyAnswer(Described):
    """The server takes readings."""

    status: Literal["ready"]
    waiting: int = Field(description="how many requests wait for the disk")
    hours_behind: int = Field(description="hours that changed and are not summarised yet")
    keys_revocable: bool = Field(
        description="false: the file of revoked keys cannot be written, and no key or person can be revoked"
    )


# ---------------------------------------------------------------- the safety element


class SafetyElementShown(Described):
    """
    What was worked since a safety element was entered last; nothing is measured of it.

    Its maker's manual says when it is changed.
    """

    part: str | None = Field(description="part number, by the papers of the housing; null: not entered")
    changed_at: str | None = Field(
        description="when it was changed last, as entered, UTC; null: never entered, counted from the first "
        "reading"
    )
    main_changes_since: int = Field(
        description="elements of the housing that went in new since, entered and found, without the one of "
        "the same service"
    )
    hours_since: float = Field(description="operating hours since, as far as they were seen [h]")
    is_usual_now: bool = Field(
        description="common practice, without a source, changes it with the next change of the main element: "
        f"that is number {USUAL_CHANGES} since, or a later one"
    )
