"""
How answers about webhooks look, for the OpenAPI description.

Leaves to others: what the values are (`ingest.api.routes.webhooks`).
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from cleanside.ingest.api.routes.described import Described
from cleanside.ingest.api.routes.described_kinds import (
    DeliveryFailureCode,
    DeliveryState,
    EventData,
    PauseCode,
    ReasonValues,
)

Next = Field(description="`cursor` of the next page; null: this is the last")


class Paused(Described):
    """Why nothing is sent to a webhook."""

    code: PauseCode
    detail: str = Field(description="the reason and the next step")


class DeliveryFailure(Described):
    """Why the last try of a delivery failed."""

    code: DeliveryFailureCode
    values: ReasonValues


class WebhookFailing(Described):
    """That the oldest waiting event was tried and not taken; later ones wait behind it."""

    event: int
    since: str = Field(description="when it was tried first, UTC")
    tries: int
    next_try_at: str | None = Field(description="when it is tried next, UTC; null: now")
    reason: str | None = Field(description="why the last try failed")
    failure: DeliveryFailure | None = Field(
        description="the same as code and values; null: an earlier release wrote the reason"
    )


class TrialShown(Described):
    """What came back of a trial event."""

    event: int
    at: str = Field(description="when it was sent, UTC")
    taken: bool = Field(description="true: the receiver answered 2xx")
    status: int | None = Field(description="what it answered, where it took it; null: it did not")
    reason: str | None = Field(description="why it was not taken; null: it was")
    failure: DeliveryFailure | None = Field(description="the same as code and values")


class WebhookShown(Described):
    """A webhook, without its secret."""

    webhook: int
    url: str = Field(description="beginning of the address; while paused, only scheme, host and port")
    paused: Paused | None = Field(
        description="why nothing is sent to it: its secret cannot be decrypted; null: it is sent to"
    )
    types: list[str]
    note: str
    created_at: str
    who: str = Field(description="handle of the key it was made with")
    waiting: int = Field(description="deliveries that wait")
    delivered: int
    dead: int = Field(description="deliveries that were given up; they can be sent again")
    failing: WebhookFailing | None = Field(
        description="why what waits does not get there; null: it was not refused"
    )
    last_trial: TrialShown | None = Field(description="the last trial event; null: there was none")


class WebhookMade(WebhookShown):
    """A new webhook; this is the only time its secret is shown."""

    secret: str = Field(description="base64; key of HMAC-SHA256 in RFC 9421 signatures")
    key_id: str = Field(description="keyid of the signatures")


class WebhooksAnswer(Described):
    """Webhooks, a page at a time."""

    webhooks: list[WebhookShown]
    next: str | None = Next


class WebhookEnded(Described):
    """A webhook that is not sent to any more."""

    webhook: int
    ended: Literal[True]


class DeliveryShown(Described):
    """One event on its way to one webhook."""

    event: int
    type: str
    subject: str
    at: str
    data: EventData
    state: DeliveryState
    tries: int
    next_try_at: str | None
    settled_at: str | None
    reason: str | None = Field(description="why the last try failed")
    failure: DeliveryFailure | None = Field(
        description="the same as code and values; null: it did not, or an earlier release wrote the reason"
    )


class DeliveriesAnswer(Described):
    """Deliveries of a webhook in order, a page at a time."""

    deliveries: list[DeliveryShown]
    next: str | None = Next


class TrialAnswer(TrialShown):
    """What came back of the trial event that was just sent."""

    webhook: int


class ReplayAnswer(Described):
    """What is sent again."""

    webhook: int
    waiting_again: int
