"""
How answers about what the shop knows look, for the OpenAPI description.

Hours are hours of the meter or operating hours, as it says; days are ISO 8601; null: not known, or none.
Leaves to others: what the values are (the routes of the same nouns).
"""

from __future__ import annotations

from pydantic import Field

from cleanside.ingest.api.routes.described import (
    CautionShown,
    Dates,
    Described,
    LaidUpShown,
    PlannedShown,
    RestingEntryShown,
    SafetyElementShown,
    SaidShown,
    ServiceShown,
)
from cleanside.ingest.api.routes.described_fleet import GaugeShown, PartTakenShown
from cleanside.ingest.api.routes.described_kinds import (
    DatesRestOn,
    ElementWork,
    EntryVerdict,
    JobReason,
    LaterReason,
    NamedNoun,
    PieceFrom,
    ReasonValues,
    ServiceFit,
    SheetKind,
    State,
    StateForm,
    UnsureReason,
)


class SiteShown(Described):
    """A place where machines work, and where parts are kept."""

    site: str
    display_name: str | None = Field(description="what people call it; null: its name")


class CrewShown(Described):
    """People who look after machines together."""

    crew: str
    display_name: str | None = Field(description="what people call it; null: its name")


class StockShown(Described):
    """How many pieces of a part are at a site."""

    site: str
    pieces: int


class PartShown(Described):
    """A part as it is ordered."""

    part: str
    description: str
    lead_time_days: int | None = Field(description="from order to delivery; null: not known")
    stock: list[StockShown]


class ShopAnswer(Described):
    """What the shop knows beside its machines."""

    sites: list[SiteShown]
    crews: list[CrewShown]
    parts: list[PartShown]


class HousingPapersShown(Described):
    """What the shop knows of a housing."""

    housing: str
    primary_part: str | None
    safety_part: str | None
    calendar_limit_days: int | None = Field(description="an element is changed after this, however clean")
    most_cleanings: int | None


class PapersAnswer(Described):
    """What the shop knows of a machine."""

    machine: str
    site: str | None
    crew: str | None
    next_service: ServiceShown | None
    laid_up: LaidUpShown | None
    housings: list[HousingPapersShown]


class MeterShown(Described):
    """The hour meter as a person read it."""

    entry_id: str
    at: str
    entered_at: str
    who: str
    meter_hours: float
    offset_hours: float = Field(description="what the machine had worked before this meter was fitted [h]")


class MetersAnswer(Described):
    """What was read of a machine's hour meter, in time order."""

    machine: str
    meter_readings: list[MeterShown]
    meter_hours_now: float | None = Field(
        description="what it likely shows now, by the machine's usual hours; null: it was never read"
    )


class GaugesAnswer(Described):
    """What was read of a housing's gauges, in time order."""

    machine: str
    housing: str
    gauge_readings: list[GaugeShown]


class PlannedAnswer(Described):
    """The planned change of a housing."""

    machine: str
    housing: str
    planned: PlannedShown | None


class OptionShown(Described):
    """What a day means for a change."""

    day: str
    chance_at_limit_before: float | None = Field(description="0 to 1, by the early, likely and late dates")
    hours_lost: float | None = Field(
        description="operating hours the element would likely have lasted longer"
    )


class DayWaitedShown(Described):
    """What waiting costs a day of usual work, low and high end."""

    extra_fuel_l: tuple[float, float] | None = Field(description="null: no fuel consumption is entered")
    extra_fuel_cost: tuple[float, float] | None = Field(description="in money; null: no prices [currency]")
    currency: str | None
    extra_fuel_percent: tuple[float, float] = Field(description="fuel burnt beyond a clean element's [%]")


class PieceShown(Described):
    """The piece of its part that a change gets. Pieces go to the most urgent first, over all sites."""

    where: PieceFrom = Field(description="where it comes from")
    from_site: str | None = Field(description="where it lies in stock; null: it is not there")
    comes_on: str | None = Field(
        description="of one that is not there: when it comes at the earliest, if it is ordered today where "
        "it is not ordered, ISO 8601; null: it is there, or no lead time is entered"
    )
    is_late: bool = Field(
        description="it is not there on the day of the change, so `to_take` leaves it out; false where no "
        "stock of its part is kept"
    )


class JobShown(Described):
    """A change on a day."""

    day: str
    machine: str
    display_name: str | None
    housing: str
    kind: str | None
    site: str | None
    crew: str | None
    state: State
    state_form: StateForm
    reason: JobReason = Field(description="why it stands on this day")
    unsure_because: list[UnsureReason] = Field(
        description="why its early date is unsure, where its element has used little; empty: it has not"
    )
    share_used_percent: float | None
    limit_in_doubt: bool
    element_in_doubt: bool
    due_at: Dates | None
    latch_at: Dates | None
    indicator_days: int | None
    indicator_latched: bool
    dates_rest_on: DatesRestOn | None
    has_question: bool = Field(
        description="an entry or a lay-up is contradicted, or a found change not entered: ask first"
    )
    causes: list[str] = Field(description="what to look at first, by code; empty: nothing")
    planned: PlannedShown | None
    moved_times: int
    service: ServiceShown | None
    service_on: str | None = Field(description="when the next service likely falls")
    service_fit: ServiceFit | None
    chance_at_service: float | None
    hours_given_with_service: float | None
    calendar_limit_on: str | None
    last_cleaning: bool = Field(description="it was cleaned as often as it may be: put a new one in")
    primary_part: str | None
    safety_part: str | None
    safety_element: SafetyElementShown = Field(description="what was worked since it was changed last")
    part_elsewhere: list[StockShown] = Field(
        description="where its part is in stock, while its own site has none; empty: it has, or none is kept"
    )
    piece: PieceShown | None = Field(
        description="the piece that it gets; null: it is only looked at, or no part is entered"
    )
    chance_at_limit_before: float | None = Field(description="before its day, 0 to 1")
    hours_lost: float | None
    element_value_lost: float | None = Field(description="of the element's price; null: no price entered")
    waiting: DayWaitedShown | None = Field(description="null: it cannot be said")
    options: list[OptionShown] = Field(
        description="each working day of the list and of two weeks beyond its end, and its own day"
    )
    meter_hours_now: float | None
    gauge_unit: str | None


class LaterJobShown(Described):
    """A change that is asked for before the end of the list, and does not stand on it."""

    machine: str
    display_name: str | None
    housing: str
    site: str | None
    state: State
    state_form: StateForm
    causes: list[str] = Field(description="what to look at first, by code; empty: nothing")
    limit_in_doubt: bool
    element_in_doubt: bool
    due_at: Dates | None
    latch_at: Dates | None
    indicator_days: int | None
    indicator_latched: bool
    reason: LaterReason
    day: str | None = Field(description="on which it stands, ISO 8601; null: it is laid up")
    planned: PlannedShown | None
    moved_times: int
    service: ServiceShown | None
    laid_up: LaidUpShown | None
    chance_at_limit_before: float | None = Field(description="before that day, 0 to 1")


class RestingShown(Described):
    """A change or an order that falls away by an entry that no reading could confirm yet."""

    machine: str
    display_name: str | None
    housing: str
    site: str | None
    rests_on_entry: RestingEntryShown
    day: str | None = Field(
        description="where the change stands if the entry does not hold, ISO 8601; null: not on this list"
    )
    part: str | None = Field(description="number of its next element; null: not entered")
    order_by: str | None = Field(
        description="by when one more is to be ordered if the entry does not hold; null: none"
    )


class TakeShown(Described):
    """How many pieces to take to a site."""

    site: str | None
    pieces: int


class PartLineShown(Described):
    """One part: what to take and what to order."""

    part: str
    description: str
    to_take: list[TakeShown]
    in_stock: int
    stock: list[StockShown]
    on_order: int
    to_order: int
    order_by: str | None = Field(description="null: nothing is to be ordered, as far as can be seen")
    late_days: int = Field(description="so many days too late it comes, if it is ordered today; 0: in time")
    lead_time_days: int | None
    chance_of_running_out: float | None = Field(
        description="before an order of today comes, 0 to 1; null: no lead time is entered"
    )


class CarryShown(Described):
    """Pieces of a part that somebody brings to a site for the work of a day."""

    day: str
    site: str
    part: str
    pieces: int
    from_site: str = Field(description="where they are, and no machine takes them within the list")


class DoneShown(Described):
    """A change that was entered for these days, with what the readings say of it."""

    machine: str
    display_name: str | None
    housing: str
    site: str | None
    entry_id: str
    changed_at: str
    what: ElementWork
    verdict: EntryVerdict
    is_question: bool
    said: SaidShown = Field(description="the verdict with its figures, as code and values")
    part_taken: PartTakenShown | None
    gauge_unit: str | None


class AskedPlanShown(Described):
    """A planned day that a change questions, because it became known after the day was planned."""

    machine: str
    display_name: str | None
    housing: str
    site: str | None
    planned: PlannedShown


class WorkAnswer(Described):
    """The work list, by day, site and urgency."""

    now: str
    zone: str
    today: str
    before: str = Field(description="the first day that is no longer on the list")
    jobs: list[JobShown]
    later: list[LaterJobShown] = Field(
        description="what should be changed before the end of the list and stands on a later day, or whose "
        "machine is laid up; by name"
    )
    resting: list[RestingShown] = Field(
        description="what would stand on this list, or be ordered, if an entry does not hold that too few "
        "working hours could confirm yet; by name"
    )
    asked: list[AskedPlanShown] = Field(
        description="planned days that count for nothing until a person keeps or takes them back, by name"
    )
    done: list[DoneShown] = Field(description="entered for the last three days, newest first")
    without_part: list[str] = Field(description="machines on the list whose part number is not entered")
    parts: list[PartLineShown]
    carries: list[CarryShown] = Field(
        description="what to bring from site to site, by day; a list of one site has what leaves it too"
    )
    cautions: list[CautionShown] = Field(description="common practice; the engine maker's manual comes first")


class SheetFaultShown(Described):
    """One thing wrong with a file."""

    row: int | None = Field(description="as a spreadsheet counts, the head is 1; null: the whole file")
    column: str | None
    value: str
    code: str = Field(examples=["number_ambiguous"], description="what is wrong, as a code; stable")
    values: ReasonValues
    rule: str
    next_step: str


#: of a spreadsheet; null: an empty cell
CellValue = str | int | float | bool | None


class SheetValueShown(Described):
    """One cell that changes something."""

    column: str
    before: CellValue = Field(description="as the shop knows it; null: not known")
    after: CellValue = Field(description="as the file has it; null: it is taken away")


class SheetChangeShown(Described):
    """What a row changes."""

    row: int
    name: str = Field(description="machine or part")
    housing: str | None
    is_new: bool
    columns: list[str]
    values: list[SheetValueShown] = Field(description="the same columns, each with its old and new value")


class NearestGroup(Described):
    """A new site or crew that may be one there is, mistyped."""

    name: str = Field(description="as the file has it")
    existing: str = Field(description="the site or crew that it resembles")


class OddLimitShown(Described):
    """A change limit of the file that is far from those of its kind."""

    row: int
    machine: str
    housing: str
    kind: str
    limit: float = Field(description="as the file has it, in `limit_unit`")
    limit_unit: str = Field(description="of limit and others")
    others: float = Field(description="the middle of the others of the kind, in the same unit")


class NearNameShown(Described):
    """A new name of a file that is another but for the case of its letters."""

    row: int = Field(description="of the file, as a spreadsheet counts")
    noun: NamedNoun = Field(description="what the name is of")
    machine: str | None = Field(description="of a housing; null: the name is none of a housing")
    name: str = Field(description="as the file has it")
    existing: str = Field(description="the name that is there, or stands in an earlier row")


class SheetAnswer(Described):
    """What an import did, or, as a preview, would do."""

    preview: bool
    sheet: int | None = Field(
        description="number of the spreadsheet, to take it back by; null: a preview, or nothing changed"
    )
    rows: int
    unchanged: int
    changes: list[SheetChangeShown] = Field(description="the first of them")
    changes_more: int = Field(description="changes beyond those listed")
    new_sites: list[str]
    new_crews: list[str]
    nearest: list[NearestGroup] = Field(description="of new sites and crews that resemble one there is")
    unknown_parts: list[str] = Field(
        description="part numbers that no part is entered under: stock and lead time are not known"
    )
    new_machines: list[str] = Field(description="not there yet; a slip in a name makes one")
    near_kinds: list[NearestGroup] = Field(
        description="new kinds that differ from another by large and small letters alone"
    )
    near_names: list[NearNameShown] = Field(
        description="new names that are there already, or in an earlier row, but for their capital letters: "
        "the file is taken with `confirmed_because` alone"
    )
    odd_limits: list[OddLimitShown] = Field(
        description="change limits more than twice, or less than half, those of other machines of the kind"
    )
    faults: list[SheetFaultShown] = Field(description="of a preview; while there are any, nothing is taken")
    faults_more: int


class StayingRowShown(Described):
    """A row that is not taken back, because it was changed since."""

    row: int
    name: str = Field(description="name of the machine, or the part")
    housing: str | None
    columns: list[str] = Field(
        description="what is another value by now; monitor: one sits there; other_housing: the row of "
        "another housing of its machine stays"
    )


class SheetShown(Described):
    """A spreadsheet that was taken in."""

    sheet: int
    kind: SheetKind
    at: str = Field(description="when it was taken in, UTC")
    who: str = Field(description="handle of whoever took it in")
    changed: int = Field(description="rows that changed something")
    taken_back_at: str | None = Field(description="when it was taken back, UTC; null: it stands")
    taken_back_by: str | None = Field(description="handle of whoever took it back; null: it stands")


class SheetsAnswer(Described):
    """Spreadsheets, a page at a time."""

    sheets: list[SheetShown] = Field(description="spreadsheets, newest first")
    next: str | None = Field(description="`cursor` of the next page; null: this is the last")


class SheetUndoAnswer(SheetShown):
    """What taking a spreadsheet back did, or, as a preview, would do."""

    preview: bool
    back: list[SheetChangeShown] = Field(
        description="rows that go back, the first of them; values as they came"
    )
    back_more: int = Field(description="rows that go back beyond those listed")
    stays: list[StayingRowShown] = Field(description="rows changed since, which stay; the first of them")
    stays_more: int = Field(description="rows that stay beyond those listed")
