"""
How answers about machines, devices and keys look, for the OpenAPI description.

Times are RFC 3339 in UTC; null: not known, or open.
Leaves to others: what the values are (the routes of the same nouns).
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from cleanside.ingest.api.routes.described import (
    CautionShown,
    DeclaredShown,
    Described,
    KeyEndedShown,
    LaidUpShown,
    SaidShown,
    SameWork,
    ServiceShown,
    TerminalShown,
)
from cleanside.ingest.api.routes.described_held import Reason
from cleanside.ingest.api.routes.described_kinds import (
    ElementWork,
    EntryContent,
    EntryOutcome,
    EntryVerdict,
    FlowQuantity,
    GaugeSource,
    KeyState,
    MachineOutcome,
    ReportedKind,
    Role,
)
from cleanside.ingest.api.routes.named_schema import opened

Next = Field(description="`cursor` of the next page; null: this is the last")


# ---------------------------------------------------------------- machines


class SeatedDevice(Described):
    """A device on a housing, from ... until; null is open."""

    device: str
    from_: str | None = Field(alias="from")
    until: str | None


class ReferenceShown(Described):
    """The flow at which terminal restriction is stated, as entered."""

    quantity: FlowQuantity
    value: float
    unit: str = Field(description="unit of value", json_schema_extra=opened("SpeedUnit", "MassFlowUnit"))


class HousingShown(Described):
    """One housing with its limits and devices."""

    housing: str
    terminal_restrictions: list[TerminalShown]
    reference_flow: ReferenceShown | None = Field(
        description="the flow at which the limit is stated; null: learned from the readings"
    )
    devices: list[SeatedDevice]
    primary_part: str | None = Field(description="part number of the element")
    safety_part: str | None = Field(description="part number of the safety element")
    calendar_limit_days: int | None = Field(description="an element is changed after this, however clean")
    most_cleanings: int | None


class MachineAnswer(Described):
    """A machine with its housings."""

    machine: str
    display_name: str | None
    kind: str | None
    retired_at: str | None
    site: str | None
    crew: str | None
    next_service: ServiceShown | None
    laid_up: LaidUpShown | None
    housings: list[HousingShown]
    declared: list[DeclaredShown] = Field(
        description="losses and damage that the gateways on it declared; empty: none"
    )


class RegisteredMachine(MachineAnswer):
    """A machine as it is registered now, and what this request did."""

    outcome: MachineOutcome
    changed: list[str] = Field(
        description="what differs from before: `kind`, `display_name`, or a housing with its member, such as "
        "`main/terminal_restrictions`; a housing alone is new; empty unless `outcome` is changed"
    )


class MachinesAnswer(Described):
    """Machines, a page at a time."""

    machines: list[MachineAnswer]
    next: str | None = Next


class TerminalAnswer(Described):
    """The limit that was set."""

    machine: str
    housing: str
    terminal_restriction: TerminalShown


class GaugeShown(Described):
    """Restriction as a person read it, beside what cleanside says for that instant."""

    entry_id: str
    at: str
    entered_at: str
    who: str
    source: GaugeSource
    value: float | None
    unit: str | None
    restriction_pa: float | None = Field(description="the value in Pa; null: it shows no number [Pa]")
    latched: bool | None = Field(description="the machine's own indicator stood at its red mark")
    cleanside_pa: float | None = Field(
        description="restriction at the reference flow in the last operating hour that had ended by then, "
        "up to a day before; null: there is none [Pa]"
    )
    cleanside_hour: str | None = Field(description="the hour of `cleanside_pa`")
    difference_pa: float | None = Field(description="the gauge less cleanside [Pa]")
    is_doubtful: bool = Field(
        description="far above the limit or what cleanside says; or far below that, while the number in the "
        "unit of the limit would fit: look at it again; false once a second look within a day shows the same"
    )
    meant_unit: str | None = Field(
        description="the unit that would fit a doubtful one: of the limit, else the commonest; null: none"
    )
    limit_pa: float | None = Field(description="the change limit at that instant [Pa]")


class PartTakenShown(Described):
    """What an entry took from the stock of the site where its machine was."""

    part: str = Field(description="part number of what went in")
    site: str
    pieces: int = Field(description="1; 0: the stock there showed none, so nothing was taken")


class AskedBackShown(Described):
    """Somebody at the machine took an entry back that a person at the shop stands by: it stands."""

    by_name: str = Field(description="the name that was written there, which nothing proves")
    at: str
    note: str


class EntryCorrectionShown(Described):
    """What an entry said before a person corrected it."""

    at: str = Field(description="when it was corrected, UTC")
    who: str = Field(description="handle of whoever corrected it")
    because: str = Field(description="why it was corrected, in words")
    machine: str | None = Field(description="where it stood; null: the key does not see that machine")
    housing: str
    changed_at: str


class GoneChange(Described):
    """An entry that does not stand here any more."""

    entry_id: str
    what: ElementWork
    changed_at: str
    entered_at: str
    entered_by: str
    note: str
    at: str = Field(description="when it was taken back, or corrected to another place, UTC")
    who: str = Field(description="handle of whoever did that")
    by_name: str | None = Field(description="name written at the machine; null: it was done at the shop")
    because: str | None = Field(description="why; null: it was taken back at the shop")
    to_machine: str | None = Field(description="where it stands; null: nowhere, or the key does not see it")
    to_housing: str | None = Field(description="null: it was taken back")


class ChangeShown(Described):
    """An element change as entered by a person."""

    changed_at: str
    entered_at: str
    who: str = Field(description="handle of the key it was entered with")
    note: str
    entry_id: str
    what: ElementWork
    confirmed_because: str | None
    is_question: bool = Field(
        description="true: the readings contradict it, or it was made at the machine by code and no clear "
        "drop shows it: it changes no figure until it is confirmed, corrected or taken back"
    )
    at_device: str | None = Field(
        description="entered at that device, by the code on its label; null: at the shop"
    )
    by_name: str | None = Field(description="the name that was written there, which nothing proves")
    part: str | None = Field(description="part number of what went in; null: not entered")
    part_taken: PartTakenShown | None
    corrections: list[EntryCorrectionShown] = Field(
        description="oldest first; empty: it stands as it was made"
    )
    asked_back: AskedBackShown | None = Field(description="null: it was not taken back at the machine")
    verdict: EntryVerdict
    says: str = Field(description="the verdict with its figures, in English")
    said: SaidShown = Field(description="the same as code and values")
    used_from: str | None = Field(description="from when it counts, UTC; null: it changes no figure")
    level_before_pa: float | None
    level_after_pa: float | None
    clean_restriction_pa: float | None = Field(
        description="what a clean element was expected to read; null: not known [Pa]"
    )
    look_by: str | None = Field(description="by when enough is seen to check it, UTC; null: it is checked")
    same_work: SameWork | None = Field(description="an entry of the same work close by; null: none")
    meter_hours: float | None
    gauge: GaugeShown | None


class ChangesAnswer(Described):
    """What was entered of a housing's elements, in time order, with what the readings say of it."""

    machine: str
    housing: str
    element_changes: list[ChangeShown]
    gone: list[GoneChange] = Field(description="taken back, or corrected to another place")
    cleanings: int = Field(description="how often the running element was cleaned, entered or likely")
    cautions: list[CautionShown] = Field(description="common practice; the engine maker's manual comes first")


class PlatePhotoShown(Described):
    """A photo of the plate from which a limit was read."""

    made_at: str
    who: str
    jpeg: str = Field(description="the photo, in base64")


class PlatePhotoAnswer(Described):
    """The newest photo of a housing's plate."""

    machine: str
    housing: str
    photo: PlatePhotoShown | None = Field(description="null: there is none")


# ---------------------------------------------------------------- newest values


class NewestValueShown(Described):
    """The newest value of a quantity, in SI."""

    quantity: str
    value: float
    unit: str
    at: str


class SignalShown(Described):
    """The signal strength at an instant."""

    at: str
    signal_dbm: float


class QuarantinedNewest(Described):
    """A reading that arrived and is not believed."""

    received_at: str
    reasons: list[Reason]


class NewestAnswer(Described):
    """What the devices on a housing last said."""

    machine: str
    housing: str
    devices: list[str]
    now: str
    received_at: str | None = Field(description="of the newest stored reading; null: none is stored")
    quarantined: QuarantinedNewest | None = Field(
        description="the quarantined reading that arrived after every stored one; null: there is none"
    )
    readings_waiting: int = Field(description="readings that its gateway is known to hold")
    values: list[NewestValueShown]
    signal: list[SignalShown] = Field(description="of the last ten minutes, oldest first")


# ---------------------------------------------------------------- entries made without a link


class TakenEntryShown(Described):
    """An entry that was carried out."""

    entry_id: str
    kind: str
    machine: str
    made_at: str = Field(description="by the server's clock")
    taken_at: str
    who: str
    content: EntryContent | None = Field(
        description="as it was entered, without photos; null: an entry of an earlier release"
    )


class EntryAnswer(TakenEntryShown):
    """What became of an entry, once it is durable."""

    outcome: EntryOutcome
    server_time: str


class TakenEntriesAnswer(Described):
    """Entries of people, made without a link or at once, in the order in which they were carried out."""

    entries: list[TakenEntryShown]
    next: str | None = Next


# ---------------------------------------------------------------- devices


class SeatShown(Described):
    """Where a device sits or sat, from ... until; null is open."""

    machine: str
    housing: str
    from_: str | None = Field(alias="from")
    until: str | None


class TakenShown(SeatShown):
    """A housing that loses a device for a span; null is open."""

    hours_with_readings: int = Field(description="UTC hours of the span in which there are readings")


class SeatSpanShown(Described):
    """From when until when a device sits on a housing, and what moves with that; null is open."""

    from_: str | None = Field(alias="from")
    until: str | None
    taken_from: list[TakenShown] = Field(description="housings whose readings of a span move, or end there")


class AssignedShown(SeatSpanShown):
    """Where a device sits by the request, and what moves with that."""

    machine: str
    housing: str


class ReportedShown(Described):
    """How often a gateway reported a boot, or one kind of event; first and last by time of receipt."""

    kind: ReportedKind
    event: str | None = Field(
        description="name of the event; null: a boot, or it had no name; others: kinds beyond the bound"
    )
    times: int
    whole: int = Field(description="how many of them are kept whole; the rest is counted by day")
    first_at: str
    last_at: str


class StreamOfDevice(Described):
    """One stream of a device."""

    stream: str
    acknowledged_through: int
    highest: int
    appended_through: int | None = Field(
        description="the highest number given, as the gateway says; null: it never said"
    )
    last_heard_at: str
    gateway_version: str | None
    reported: list[ReportedShown]


class DeviceAnswer(Described):
    """A device, where it sits and sat, and its streams."""

    device: str
    registered_at: str | None
    in_service_at: str | None
    history_from: str | None
    retired_at: str | None
    assignments: list[SeatShown]
    streams: list[StreamOfDevice]
    key_ended: KeyEndedShown | None = Field(
        description="since when no valid key posts for it; null: one does, it never had one, or it is retired"
    )


class AssignedAnswer(DeviceAnswer):
    """A device, just assigned."""

    assigned: AssignedShown | None = Field(
        description="where the device sits by this, and what moved; null: the request named no machine"
    )
    cautions: list[CautionShown] = Field(
        description="what to mind at the machine; empty: the request named no machine"
    )


class DeviceEditedAnswer(DeviceAnswer):
    """A device, just retired or in use again."""

    valid_keys: list[str] = Field(description="handles of device keys that still post for it; revoke them")
    cautions: list[CautionShown] = Field(description="what to mind when it comes off; empty: it stays")


class RegisteredAnswer(AssignedAnswer):
    """A device, just registered."""

    claimed: int


class DevicesAnswer(Described):
    """Devices, a page at a time."""

    devices: list[DeviceAnswer]
    next: str | None = Next


# ---------------------------------------------------------------- keys


class KeyShown(Described):
    """A key, without its secret."""

    handle: str
    role: Role
    state: KeyState
    devices: list[str]
    note: str
    created_at: str
    last_used_at: str | None
    revoked_at: str | None
    expires_at: str | None
    expires_soon: bool = Field(description="true: it is time to replace it")
    replaced_by: str | None = Field(description="handle of its successor; null: it was not replaced")
    suspended_at: str | None = Field(
        description=(
            "a backup was restored then, UTC; the key does nothing until a person confirms it; null: it works"
        )
    )


class KeysAnswer(Described):
    """Keys, a page at a time."""

    keys: list[KeyShown]
    next: str | None = Next


class KeyMade(Described):
    """A new key; this is the only time it is shown."""

    key: str
    handle: str
    role: Role
    devices: list[str]
    expires_at: str | None


class KeyRotated(KeyMade):
    """The successor of a key; this is the only time it is shown."""

    replaces: str
    replaced_ends_at: str
    earlier_secret_made_at: str | None = Field(
        description=(
            "when this successor was made before, UTC: it was not used, and its earlier secret ended now; "
            "null: it is new"
        )
    )


class KeyRevoked(Described):
    """A key that no server takes any more."""

    handle: str
    revoked: Literal[True]
    replaced_by: str | None = Field(description="handle of its successor, which goes on; null: it has none")
