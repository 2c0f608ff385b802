"""
Every enumeration of the API and every free-form object, each with its name in the OpenAPI description.

A generator makes one type of each, wherever it stands; without a name it would make another at every place.
Leaves to others: when a value is given (the routes, and what they ask).
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field
from typing_extensions import TypeAliasType

# ---------------------------------------------------------------- readings, quarantine

OtherReadingIs = TypeAliasType(
    "OtherReadingIs",
    Annotated[
        Literal["stored", "quarantined", "discarded"],
        Field(description="where the reading is that has the number or instant already"),
    ],
)
EntryState = TypeAliasType(
    "EntryState",
    Annotated[
        Literal["held", "released", "discarded"],
        Field(description="held: in quarantine; released: stored; discarded: given up by a person"),
    ],
)
OtherReadingState = TypeAliasType(
    "OtherReadingState",
    Annotated[
        Literal["stored", "held", "released", "discarded"],
        Field(description="where the first reading of a number is: stored, or in which state of quarantine"),
    ],
)
AmendmentKind = TypeAliasType(
    "AmendmentKind",
    Annotated[
        Literal[
            "amend",
            "discard",
            "set_aside",
            "replace",
            "time_right",
            "both_right",
            "second_kept",
            "misnumbered",
        ],
        Field(
            description=(
                "amend: changed and checked again; discard: given up; set_aside: stored readings put back "
                "into quarantine; replace: a corrected reading took the place of its own; time_right: the "
                "time was confirmed; both_right: both readings under one number were kept; second_kept: the "
                "second took the place of the first; misnumbered: readings with mistyped numbers left the "
                "numbering of their stream"
            )
        ),
    ],
)
ReadingsFormat = TypeAliasType(
    "ReadingsFormat",
    Annotated[
        Literal["json", "csv", "parquet"],
        Field(description="json: a page at a time; csv (RFC 4180) and parquet: the whole span in one file"),
    ],
)

# ---------------------------------------------------------------- housings, elements, acceptance

StateForm = TypeAliasType(
    "StateForm",
    Annotated[
        Literal[
            "running-in",
            "serving",
            "plan",
            "due",
            "over",
            "suspect",
            "silent",
            "look",
            "no_limit",
            "age_unknown",
            "cleaned",
        ],
        Field(
            description=(
                "what a person reads for the state: as the state, or look: is the element in; no_limit: no "
                "change limit is entered; age_unknown: the element was in use when first seen; cleaned: it "
                "was cleaned, and is not new"
            )
        ),
    ],
)
State = TypeAliasType(
    "State",
    Annotated[
        Literal["running-in", "serving", "plan", "due", "over", "suspect", "silent"],
        Field(
            description=(
                "running-in: too early to judge; serving: in service; plan: plan the change; "
                "due: change due; over: over the limit; "
                "suspect: the figures contradict each other, check first; silent: no data"
            )
        ),
    ],
)
PlanBy = TypeAliasType(
    "PlanBy",
    Annotated[
        Literal["full_flow", "indicator"],
        Field(
            description=(
                "the dates to plan by, the earlier of both: full_flow: due_at; indicator: latch_at; null: "
                "there are not both"
            )
        ),
    ],
)
DatesRestOn = TypeAliasType(
    "DatesRestOn",
    Annotated[
        Literal["element", "fleet", "general"],
        Field(
            description=(
                "element: its own readings too; fleet: it is too early to judge, so other elements of the "
                "fleet alone; general: that too, and the fleet has taught nothing yet"
            )
        ),
    ],
)
OrderDone = TypeAliasType(
    "OrderDone",
    Annotated[
        Literal["ordered", "came", "dropped", "reopened", "not_ordered"],
        Field(
            description="ordered: it is on its way; came: it is in stock; dropped: it is not needed any "
            "more; reopened: it did not come, or is needed after all; not_ordered: it is still to be ordered"
        ),
    ],
)
OrderEnd = TypeAliasType(
    "OrderEnd",
    Annotated[
        Literal["came", "dropped"],
        Field(description="came: its pieces are in stock; dropped: it is not needed any more"),
    ],
)
EntryVerdict = TypeAliasType(
    "EntryVerdict",
    Annotated[
        Literal[
            "fits",
            "fits_at_fall",
            "too_low",
            "part_of_the_way",
            "not_seen_yet",
            "not_watched",
            "no_level_before",
            "clean_before",
            "did_not_fall",
            "before_first_reading",
            "double",
            "again",
            "entered_before",
            "noted",
            "denied",
        ],
        Field(
            description=(
                "what the readings say of an entry: fits, fits_at_fall (a fall close by), too_low, "
                "part_of_the_way, did_not_fall, clean_before, before_first_reading, double (the same work, "
                "within a shift); again (the same work, within a shift by operating hours and not by the "
                "clock: a person says whether it was done twice); entered_before (the same work, within two "
                "weeks, and a second does not show: as again); not_seen_yet and "
                "no_level_before: not enough readings; not_watched: no monitor sits there any more, so no "
                "reading can check it; noted: nothing to check; denied: no change"
            )
        ),
    ],
)
ElementWork = TypeAliasType(
    "ElementWork",
    Annotated[
        Literal["new", "cleaned", "inspected", "safety_element", "nothing"],
        Field(
            description=(
                "new: another element went in; cleaned: the same one, cleaned; inspected: the same one as it "
                "was; safety_element: that one was replaced; nothing: a change that was found is denied"
            )
        ),
    ],
)
LifeBegan = TypeAliasType(
    "LifeBegan",
    Annotated[
        Literal["first seen", "change", "cleaned"],
        Field(
            description=(
                "first seen: in use before the first reading; change: with another element; cleaned: likely, "
                "never certain"
            )
        ),
    ],
)
ChangeSource = TypeAliasType(
    "ChangeSource",
    Annotated[
        Literal["entered", "found"],
        Field(description="entered: by a person; found: seen in the readings only"),
    ],
)
LifeEnded = TypeAliasType(
    "LifeEnded",
    Annotated[
        Literal["running", "at terminal", "before terminal"],
        Field(
            description=(
                "running: not ended; at terminal: at the change limit; before terminal: below the change "
                "limit"
            )
        ),
    ],
)
Certainty = TypeAliasType(
    "Certainty", Annotated[Literal["high", "medium", "low"], Field(description="how sure it is")]
)
FlowQuantity = TypeAliasType(
    "FlowQuantity",
    Annotated[
        Literal["engine_speed", "air_mass_flow"],
        Field(description="the measure of flow at which a limit is stated"),
    ],
)
CheckVerdict = TypeAliasType(
    "CheckVerdict",
    Annotated[
        Literal["passed", "failed", "not yet seen", "not measured"],
        Field(description="passed; failed; not yet seen: open; not measured: the device lacks the quantity"),
    ],
)
AcceptanceResult = TypeAliasType(
    "AcceptanceResult",
    Annotated[
        Literal["passed", "failed", "not yet seen"],
        Field(description="passed: every check; failed: at least one; not yet seen: at least one is open"),
    ],
)
SheetFormat = TypeAliasType(
    "SheetFormat",
    Annotated[
        Literal["json", "text"],
        Field(description="json; text: a report to keep with the papers of the machine"),
    ],
)
HandSubject = TypeAliasType(
    "HandSubject",
    Annotated[
        Literal["ambient_pressure", "clock", "supply_voltage", "key_off", "zero", "answer", "clean_element"],
        Field(
            description="what was compared by hand; clean_element: restriction at full flow with a new "
            "element in that was looked at, by which the analysis knows what clean ones read there"
        ),
    ],
)

CameHow = TypeAliasType(
    "CameHow",
    Annotated[
        Literal["live", "late", "bundle", "missing", "quarantined"],
        Field(
            description=(
                "live: as it was measured; late: sent after a while; bundle: brought as a file; missing: not "
                "there; quarantined: there, and not believed"
            )
        ),
    ],
)

# ---------------------------------------------------------------- what the shop knows, and its work

PlanState = TypeAliasType(
    "PlanState",
    Annotated[
        Literal["open", "missed", "done", "overtaken"],
        Field(
            description=(
                "open: its day is to come; missed: the day passed without a fall in restriction or an entry; "
                "done: it was changed; overtaken: a change made before it was planned became known after, "
                "so it counts for nothing until a person keeps it or takes it back"
            )
        ),
    ],
)
PieceFrom = TypeAliasType(
    "PieceFrom",
    Annotated[
        Literal["own_site", "other_site", "on_order", "not_ordered"],
        Field(
            description=(
                "own_site: from the stock of its site; other_site: brought from another; on_order: not "
                "there, ordered; not_ordered: not there, and not ordered either"
            )
        ),
    ],
)
JobReason = TypeAliasType(
    "JobReason",
    Annotated[
        Literal[
            "over_limit",
            "change_due",
            "check_first",
            "plan_missed",
            "planned",
            "service",
            "early_date",
            "calendar",
        ],
        Field(
            description=(
                "over_limit, change_due, check_first: by its state, or it is asked whether the element is "
                "in; plan_missed, planned: a person chose the "
                "day; service: with the next service; early_date: one in ten is at the limit by then; "
                "calendar: the calendar limit"
            )
        ),
    ],
)
ServiceFit = TypeAliasType(
    "ServiceFit",
    Annotated[
        Literal["with_service", "will_not_last", "too_early"],
        Field(
            description="with_service: the service is on the day of the change; will_not_last: it comes "
            "soon, but after the last day within the chance that the shop allows; too_early: it comes before "
            "the day, and too much of the element's life would be given away; null: none of them"
        ),
    ],
)
UnsureReason = TypeAliasType(
    "UnsureReason",
    Annotated[
        Literal[
            "other_elements",
            "not_read",
            "earlier_level",
            "outlier",
            "hours_assumed",
            "no_lives",
            "little_used",
        ],
        Field(
            description="other_elements: its dates come from other elements; not_read: it may have worked "
            "since the last reading; earlier_level: readings since are in doubt; outlier: it loads at "
            "another pace than those learned from; hours_assumed: its working hours are not known; no_lives: "
            "there are no earlier elements to learn from; little_used: its readings do not say yet how it "
            "goes on"
        ),
    ],
)
LaterReason = TypeAliasType(
    "LaterReason",
    Annotated[
        Literal["planned", "service", "laid_up"],
        Field(
            description="planned: a person planned a later day; service: it goes with a service that comes "
            "later, within the chance that the shop allows; laid_up: its machine stands still"
        ),
    ],
)
WaitsFor = TypeAliasType(
    "WaitsFor",
    Annotated[
        Literal["part", "people"],
        Field(description="part: it cannot be there earlier; people: they are busy on the days in time"),
    ],
)
VisitReason = TypeAliasType(
    "VisitReason",
    Annotated[
        Literal[
            "fixed",
            "look_first",
            "late",
            "at_once",
            "with_service",
            "together",
            "last_day",
            "as_planned",
            "cheapest_day",
            "no_room",
        ],
        Field(
            description=(
                "fixed: chosen by hand; look_first: its figures contradict each other, or it is asked "
                "whether the element is in; late: people or parts "
                "do not suffice for a day in time; at_once: no day is within the allowed chance any more; "
                "with_service: its machine has a service then; together: others at its site are visited "
                "then; last_day: the last day in time; as_planned: a person planned it for then; "
                "cheapest_day: cheapest by itself; no_room: cheaper days are full, or its part is not there"
            )
        ),
    ],
)
NotPlannedReason = TypeAliasType(
    "NotPlannedReason",
    Annotated[
        Literal["no_dates", "laid_up"],
        Field(description="no_dates: nothing is known of when it is due; laid_up: through the whole plan"),
    ],
)
GaugeSource = TypeAliasType(
    "GaugeSource",
    Annotated[
        Literal["hand_gauge", "own_indicator"],
        Field(description="hand_gauge: at the tap; own_indicator: the one that came with the machine"),
    ],
)
NamedNoun = TypeAliasType(
    "NamedNoun",
    Annotated[
        Literal["machine", "housing", "site", "crew", "part"],
        Field(description="what a name of a file is of"),
    ],
)
SheetSeparator = TypeAliasType(
    "SheetSeparator",
    Annotated[
        Literal["comma", "semicolon"],
        Field(description="between the cells; semicolon: with decimal commas"),
    ],
)
DeviceEntryOutcome = TypeAliasType(
    "DeviceEntryOutcome",
    Annotated[
        Literal[
            "taken",
            "same_entry",
            "no_housing",
            "not_valid",
            "differs",
            "kind_unknown",
            "taken_back",
            "no_entry",
            "gone",
            "stands",
        ],
        Field(
            description=(
                "taken: it is an element change, and a question until it is confirmed, or it took one back; "
                "same_entry: the same id was entered before; no_housing: the device sat nowhere then, tried "
                "again when it is seated; not_valid: it says nothing that can be entered; differs: another "
                "entry has its id; kind_unknown: this release does not know its `what`, one that does tries "
                "it again; taken_back: it was taken back at the machine. Of one that takes back: no_entry: "
                "the entry that it names did not come yet, and counts for nothing when it does; gone: that "
                "was taken back before; stands: a person at the shop entered or confirmed that since, and "
                "it is taken back there"
            )
        ),
    ],
)
MachineOutcome = TypeAliasType(
    "MachineOutcome",
    Annotated[
        Literal["made", "changed", "unchanged"],
        Field(
            description="made: there was no machine of that name; changed: there was one, and `changed` says "
            "what of it; unchanged: all was so already"
        ),
    ],
)

EntryOutcome = TypeAliasType(
    "EntryOutcome",
    Annotated[
        Literal["taken", "same_as_before"],
        Field(description="taken: it was carried out; same_as_before: it was carried out earlier"),
    ],
)

# ---------------------------------------------------------------- messages

MatterKind = TypeAliasType(
    "MatterKind",
    Annotated[
        Literal["over_limit", "check_first", "out_of_balance", "loss_declared", "backup_failed"],
        Field(
            description=(
                "over_limit: a housing is over its change limit; check_first: its figures contradict each "
                "other; out_of_balance: an acknowledged number is in no state; loss_declared: a gateway "
                "declared a loss or damage; backup_failed: the last backup was not made"
            )
        ),
    ],
)

MessageKind = TypeAliasType(
    "MessageKind",
    Annotated[
        Literal[
            "over_limit",
            "check_first",
            "out_of_balance",
            "loss_declared",
            "backup_failed",
            "digest",
            "test",
            "address",
        ],
        Field(
            description="the kind of matter that it is about; digest: what is due; test: to see it arrive; "
            "address: to confirm a new address"
        ),
    ],
)
MessageState = TypeAliasType(
    "MessageState",
    Annotated[
        Literal["waiting", "sent", "given_up"],
        Field(description="waiting: to be sent; sent: the mail server took it; given_up: it did not"),
    ],
)
DigestPeriod = TypeAliasType(
    "DigestPeriod",
    Annotated[
        Literal["none", "daily", "weekly"],
        Field(description="daily: where there is something to say; weekly: on Mondays"),
    ],
)

# ---------------------------------------------------------------- who and what

PersonRole = TypeAliasType(
    "PersonRole",
    Annotated[
        Literal["viewer", "technician", "planner", "operator", "admin"],
        Field(
            description=(
                "what a person may do: viewer looks; technician enters work at machines; planner plans; "
                "operator settles; admin may do all"
            )
        ),
    ],
)
PersonState = TypeAliasType(
    "PersonState",
    Annotated[
        Literal["invited", "valid", "suspended", "revoked"],
        Field(
            description=(
                "invited: the link is not used yet; valid: may sign in; suspended: waits to be confirmed "
                "after a restore; revoked: ended for ever"
            )
        ),
    ],
)
Language = TypeAliasType(
    "Language", Annotated[Literal["de", "en"], Field(description="language of the pages, BCP 47")]
)

Role = TypeAliasType(
    "Role",
    Annotated[
        Literal["device", "integrator", "planner", "operator", "admin"],
        Field(
            description=(
                "what a key may do: device and integrator post for their devices; planner reads; operator "
                "settles; admin may do all"
            )
        ),
    ],
)
KeyState = TypeAliasType(
    "KeyState",
    Annotated[
        Literal["valid", "expired", "revoked"],
        Field(description="valid: it is taken; expired: its end has come; revoked: ended for ever"),
    ],
)
CodeState = TypeAliasType(
    "CodeState",
    Annotated[
        Literal["open", "used", "expired", "cancelled"],
        Field(description="open: it can be used; used; expired; cancelled: taken back"),
    ],
)
TransferState = TypeAliasType(
    "TransferState",
    Annotated[
        Literal["open", "accepted", "expired", "cancelled"],
        Field(description="open: it can be accepted; accepted; expired; cancelled: taken back"),
    ],
)
TransferDirection = TypeAliasType(
    "TransferDirection",
    Annotated[
        Literal["given", "taken"],
        Field(description="given: by this owner to another; taken: from another owner"),
    ],
)
ReportedKind = TypeAliasType(
    "ReportedKind",
    Annotated[
        Literal["boot", "event"],
        Field(description="boot: of the machine; event: whatever else the gateway reported"),
    ],
)
AttentionGroup = TypeAliasType(
    "AttentionGroup",
    Annotated[
        Literal[
            "without_key",
            "silent",
            "unseated",
            "behind",
            "in_conflict",
            "in_quarantine",
            "clock_stepped",
            "declared",
            "versions",
        ],
        Field(
            description=(
                "without_key: refused, its key has ended; silent: nothing arrives; unseated: "
                "it sends and sits on no machine; behind: gaps and backlog; "
                "in_conflict: two readings under one number; in_quarantine; clock_stepped: the times of a "
                "stream step back while its numbers run on; declared: losses and damage; "
                "versions: old programs"
            )
        ),
    ],
)
KeyEnd = TypeAliasType(
    "KeyEnd",
    Annotated[
        Literal["key_revoked", "key_expired", "key_suspended"],
        Field(
            description=(
                "key_revoked: somebody ended it; key_expired: its end came; key_suspended: it waits to be "
                "confirmed at the server after a restore"
            )
        ),
    ],
)
SheetKind = TypeAliasType(
    "SheetKind",
    Annotated[Literal["machines", "parts"], Field(description="what the rows of a spreadsheet are")],
)
PauseCode = TypeAliasType(
    "PauseCode",
    Annotated[
        Literal["key_missing", "key_unreadable", "altered"],
        Field(
            description=(
                "key_missing: the key file is gone; key_unreadable: it cannot be read; altered: what was "
                "encrypted was changed"
            )
        ),
    ],
)
DeliveryState = TypeAliasType(
    "DeliveryState",
    Annotated[
        Literal["waiting", "delivered", "dead"],
        Field(description="waiting: to be sent; delivered: taken; dead: given up, can be sent again"),
    ],
)
DeliveryFailureCode = TypeAliasType(
    "DeliveryFailureCode",
    Annotated[
        Literal[
            "no_answer",
            "status",
            "name_not_found",
            "no_connection",
            "certificate",
            "broken_off",
            "address_not_public",
            "address_refused",
            "not_sent",
            "webhook_ended",
        ],
        Field(
            description="no_answer: not in time; status: an answer other than 2xx; name_not_found: its name "
            "has no address; no_connection: none was made; certificate: not accepted; broken_off: the "
            "connection ended first; address_not_public, address_refused: it may not be sent to; not_sent: "
            "anything else; webhook_ended: it was ended before"
        ),
    ],
)
MessageFailureCode = TypeAliasType(
    "MessageFailureCode",
    Annotated[
        Literal[
            "no_address",
            "no_link",
            "not_written",
            "no_answer",
            "password_refused",
            "answered",
            "name_not_found",
            "no_connection",
            "certificate",
            "broken_off",
            "not_sent",
        ],
        Field(
            description="no_address: the person has none, or may not sign in; no_link: its link could not be "
            "made; not_written: its text could not; no_answer: the mail server was not in time; "
            "password_refused: user and password; answered: any other refusal of the mail server; "
            "name_not_found: its name has no address; no_connection: none was made; certificate: not "
            "accepted; broken_off: the connection ended first; not_sent: anything else"
        ),
    ],
)

# ---------------------------------------------------------------- free-form objects

Counts = TypeAliasType("Counts", Annotated[dict[str, int], Field(description="how many, by name")])
CountsByState = TypeAliasType(
    "CountsByState", Annotated[dict[State, int], Field(description="how many, by state")]
)
SaidValues = TypeAliasType(
    "SaidValues",
    Annotated[
        dict[str, Any],
        Field(description="values of a sentence, by name, the unit in the name; SI if it has one"),
    ],
)
DeviceEntryContent = TypeAliasType(
    "DeviceEntryContent",
    Annotated[
        dict[str, Any],
        Field(
            description="`what` (new, cleaned, inspected, safety_element), `by` (a name), perhaps `note`; or "
            "`what` takes_back, with `of`, the entry_id of the entry to take back"
        ),
    ],
)
PasskeyDocument = TypeAliasType(
    "PasskeyDocument",
    Annotated[
        dict[str, Any],
        Field(description="of W3C Web Authentication level 3, in its JSON form"),
    ],
)
EntryContent = TypeAliasType(
    "EntryContent",
    Annotated[dict[str, Any], Field(description="the body that the route of the entry's kind takes")],
)

ReadingAsSent = TypeAliasType(
    "ReadingAsSent",
    Annotated[dict[str, Any], Field(description="a reading as it was sent, whatever is wrong with it")],
)
ReasonValues = TypeAliasType(
    "ReasonValues",
    Annotated[dict[str, Any], Field(description="the figures and names that a sentence is about, by name")],
)
SuggestedRepair = TypeAliasType(
    "SuggestedRepair",
    Annotated[dict[str, Any], Field(description="what would make a reading right: `at`, or `units`")],
)
AmendmentAsked = TypeAliasType(
    "AmendmentAsked", Annotated[dict[str, Any], Field(description="the request as it was made")]
)
EventData = TypeAliasType(
    "EventData", Annotated[dict[str, Any], Field(description="`data` of an event; by type, see `webhooks`")]
)
DeclaredContent = TypeAliasType(
    "DeclaredContent",
    Annotated[
        dict[str, Any],
        Field(description="an event that a gateway declares: `event` with its name, and what belongs to it"),
    ],
)
