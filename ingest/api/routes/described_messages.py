"""
How answers about messages to people look, for the OpenAPI description.

Times are RFC 3339 in UTC; null: not known, or not yet.
Leaves to others: what the values are (the routes of the same nouns).
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from cleanside.ingest.api.routes.described import Described, PlannedShown, SaidShown
from cleanside.ingest.api.routes.described_kinds import (
    DigestPeriod,
    Language,
    MatterKind,
    MessageFailureCode,
    MessageKind,
    MessageState,
    ReasonValues,
)
from cleanside.ingest.api.routes.described_shop import (
    CarryShown,
    DoneShown,
    JobShown,
    LaterJobShown,
    PartLineShown,
)

MORE = "how many more there are than are listed"


class MatterShown(Described):
    """Something that cannot wait, from when it opened until it is settled."""

    matter: int
    kind: MatterKind
    subject: str = Field(description="what it is about", examples=["machines/grader-07/housings/main"])
    site: str | None
    machine: str | None
    display_name: str | None
    device: str | None
    severity: int = Field(description="the worst it was; more is worse, and what it counts depends on kind")
    opened_at: str = Field(description="when it was first seen, UTC")
    changed_at: str = Field(description="when it opened or became worse, UTC")
    answered_at: str | None = Field(description="when a person said that they see to it; null: not yet")
    answered_by: str | None = Field(description="who sees to it; null: no person said so")
    escalated_at: str | None = Field(description="when it was escalated; null: it was not")


class MattersAnswer(Described):
    """What cannot wait."""

    matters: list[MatterShown] = Field(description="open matters, oldest first")


class AskedShown(Described):
    """What a person is asked about a housing: one of said, found_at and planned."""

    machine: str
    display_name: str | None
    housing: str
    site: str | None
    gauge_unit: str | None
    said: SaidShown | None = Field(
        description="an entry or a lay-up that the readings contradict, as code and values"
    )
    found_at: str | None = Field(description="when restriction fell like a change that no entry says, UTC")
    planned: PlannedShown | None = Field(
        description="a planned change whose day passed without one, or that a change known since questions"
    )


class DigestSite(Described):
    """What is due at one site."""

    site: str | None
    display_name: str | None = Field(description="what people call the site; null: its name")
    jobs: list[JobShown] = Field(description="to change, by day and urgency; without options")
    jobs_more: int = Field(description=MORE)
    later: list[LaterJobShown] = Field(
        description="what should be changed within these days and stands on a later day, or whose machine is "
        "laid up; by name"
    )
    later_more: int = Field(description=MORE)
    questions: list[AskedShown] = Field(description="what a person is asked")
    questions_more: int = Field(description=MORE)
    done: list[DoneShown] = Field(description="entered lately, newest first")
    done_more: int = Field(description=MORE)


class DigestCarry(CarryShown):
    """Pieces of a part that somebody brings to a site, with what people call both sites."""

    site_display_name: str | None = Field(description="null: its name")
    from_site_display_name: str | None = Field(description="null: its name")


class DigestAnswer(Described):
    """What is due, by site."""

    now: str
    zone: str
    day: str
    before: str = Field(description="the first day that is no longer looked at")
    jobs_count: int = Field(description="elements to change, over all sites")
    questions_count: int = Field(description="open questions, over all sites")
    sites: list[DigestSite]
    carries: list[DigestCarry] = Field(description="what to bring from site to site, by day")
    orders: list[PartLineShown] = Field(description="parts that are to be ordered")
    matters: list[MatterShown] = Field(description="what cannot wait, oldest first")


class MessageFailureShown(Described):
    """Why the last try of a message failed."""

    code: MessageFailureCode
    values: ReasonValues


class MyMessagesAnswer(Described):
    """Which messages a person chose, and what became of the newest message to them."""

    address_to_confirm: str | None = Field(
        description="takes its place once its person confirmed it by the link that was sent there; null: none"
    )
    confirm_until: str | None = Field(description="until when that link is good, UTC; null: none waits")
    address: str = Field(description='of e-mail; "": nothing is sent')
    alerts: list[MatterKind] = Field(description="kinds of matters that are sent at once")
    alerts_there_are: list[MatterKind] = Field(description="kinds that the role may know of")
    digest: DigestPeriod = Field(description="how often what is due is summed up")
    digest_at: str = Field(description="when the digest is written, in their zone")
    digest_next_at: str | None = Field(
        description="when the next is due, UTC; it comes if there is something to say; null: none is"
    )
    zone: str = Field(description="where the person is (IANA)")
    quiet_from: str | None = Field(description="nothing is sent from then on; null: no such hours")
    quiet_until: str | None = Field(description="until then; null: no such hours")
    mail_is_set_up: bool = Field(description="false: the server has no mail server, so nothing is sent")
    newest_state: MessageState | None = Field(description="of the newest message; null: there was none")
    newest_at: str | None = Field(description="when it was settled, or written, UTC; null: there was none")
    newest_reason: str | None = Field(description="why its last try failed; null: it did not")
    newest_failure: MessageFailureShown | None = Field(
        description="the same as code and values; null: it did not, or an earlier release wrote the reason"
    )


class TrialMessageAnswer(Described):
    """A message on its way to who asked for it."""

    name: str = Field(description="begins the Message-ID")


class MessageShown(Described):
    """A message to a person, without what it says."""

    message: int
    person: str | None = Field(description="to whom")
    kind: MessageKind
    subject: str | None = Field(description="machine or device that it is about; null: none")
    written_at: str = Field(description="when it was written, UTC")
    state: MessageState
    tries: int
    next_try_at: str | None = Field(description="not before, UTC; null: it waits no more")
    settled_at: str | None
    reason: str | None = Field(description="why the last try failed; null: it did not")
    failure: MessageFailureShown | None = Field(
        description="the same as code and values; null: it did not, or an earlier release wrote the reason"
    )


class MessagesAnswer(Described):
    """Messages, newest first, a page at a time."""

    messages: list[MessageShown] = Field(description="messages, newest first")
    next: str | None = Field(description="`cursor` of the next page; null: this is the last")


class MessageAgain(Described):
    """A message that is sent again."""

    message: int
    waiting_again: bool = Field(description="true: it waits to be sent")


class MessageRulesAnswer(Described):
    """What holds for all messages of an owner."""

    person: str | None = Field(description="who hears of what no person answered; null: it is not escalated")
    escalate_after_h: int = Field(description="how long an answer may take before it is escalated [h]")


class CalendarShown(Described):
    """A calendar for a program that cannot sign in."""

    calendar: int
    site: str | None = Field(description="the one site it shows; null: all that the person sees")
    zone: str
    language: Language = Field(description="of the events")
    created_at: str


class CalendarMade(CalendarShown):
    """A calendar with its address; this is the only time it is shown."""

    link: str = Field(description="whoever has it reads the calendar; give it to your calendar program alone")


class CalendarsAnswer(Described):
    """One's calendars, oldest first."""

    calendars: list[CalendarShown] = Field(description="calendars in use, oldest first")


class CalendarEnded(Described):
    """A calendar whose address answers no more."""

    calendar: int
    ended: Literal[True] = Field(description="true: its address answers no more")
