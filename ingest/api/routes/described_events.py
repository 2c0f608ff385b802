"""
How events arrive at a webhook, for the `webhooks` of the OpenAPI description: one entry for each type.

Promises: every type that is sent has its entry, with its envelope, its data and the headers that sign it.
Leaves to others: when an event is sent (`ingest.webhooks.announcing`), the bytes (`ingest.webhooks.signing`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field
from pydantic.json_schema import models_json_schema

from cleanside.ingest.api.routes.described import Described, Points
from cleanside.ingest.api.routes.described_kinds import MatterKind, State
from cleanside.ingest.api.routes.named_schema import ref
from cleanside.ingest.webhooks import announcing
from cleanside.ingest.webhooks.signing import EVENT_MEDIA_TYPE

ENTRIES = "one entry for each group; groups beyond the bound are counted in groups_more"


class Event(Described):
    """The envelope of an event (CloudEvents 1.0). Pass over members that you do not know."""

    specversion: Literal["1.0"] = Field(description="version of CloudEvents")
    id: str = Field(description="number of the event; it may come twice, so keep those you took")
    source: str = Field(description="address of what the event is about, without the host")
    subject: str = Field(description="what the event is about", examples=["machines/grader-07/housings/main"])
    time: str = Field(description="when it was noticed", json_schema_extra={"format": "date-time"})
    datacontenttype: Literal["application/json"] = Field(description="media type of data")
    sequence: str = Field(description="rises with every event of the server; 20 digits, sorts as text")


class WebhookRegisteredData(Described):
    """What a new webhook was registered for."""

    webhook: int
    types: list[str] = Field(description="types of events that it will get")


class WebhookTrialData(WebhookRegisteredData):
    """What a webhook that is tried is registered for."""


class HousingEventData(Described):
    """The housing that an event is about, as it is judged now."""

    machine: str
    housing: str
    state: State
    state_text: str
    advice: str
    share_used_percent: float | None
    hours_left: Points | None


class StateChangedData(HousingEventData):
    """A housing went from one state to another."""

    from_: State = Field(alias="from", description="the state before")
    to: State = Field(description="the state now")


class DeviceSilentData(HousingEventData):
    """Nothing is received of a housing any more."""

    quiet_because: str | None
    quiet_s: float | None


class ChangeFoundData(HousingEventData):
    """Restriction fell as with a new element, and no change was entered."""

    found_at: str = Field(description="when it fell")


class QuarantinedGroup(Described):
    """Readings of one device that were quarantined for one reason."""

    device: str
    code: str = Field(description="why they were quarantined; stable, decide by this")
    readings: int = Field(description="how many")


class ReadingsHeldData(Described):
    """Readings that were put into quarantine since the last such event."""

    readings: int = Field(description="how many in all")
    groups: list[QuarantinedGroup] = Field(description=ENTRIES)
    groups_more: int | None = Field(None, description="groups beyond those listed")


class DeclaredGroup(Described):
    """Losses or damage that the gateways of one device declared under one name."""

    device: str
    event: str
    times: int
    readings: int = Field(description="how many readings these events say; 0: they say none")


class LossDeclaredData(Described):
    """Losses and damage that were declared since the last such event."""

    readings: int = Field(description="how many readings in all, as the events say")
    groups: list[DeclaredGroup] = Field(description=ENTRIES)
    groups_more: int | None = Field(None, description="groups beyond those listed")


class OutOfBalanceData(Described):
    """What does not fit in the account."""

    faults: list[str]


class BalancesAgainData(Described):
    """Nothing: that the account balances is all there is to say."""


class MatterData(Described):
    """Something that cannot wait."""

    matter: int
    kind: MatterKind
    severity: int = Field(description="the worst it was; more is worse, and what it counts depends on kind")
    opened_at: str = Field(description="when it was first seen, UTC")
    site: str | None
    machine: str | None
    device: str | None


#: type -> its data
DATA: Mapping[str, type[Described]] = {
    announcing.REGISTERED: WebhookRegisteredData,
    announcing.TRIAL: WebhookTrialData,
    announcing.STATE_CHANGED: StateChangedData,
    announcing.SILENT: DeviceSilentData,
    announcing.CHANGE_FOUND: ChangeFoundData,
    announcing.READINGS_HELD: ReadingsHeldData,
    announcing.LOSS_DECLARED: LossDeclaredData,
    announcing.OUT_OF_BALANCE: OutOfBalanceData,
    announcing.BALANCES_AGAIN: BalancesAgainData,
    **dict.fromkeys(sorted(announcing.OF_MATTERS), MatterData),
}
_SENTENCES = {
    announcing.REGISTERED: "the webhook was registered; sent once, at once",
    announcing.TRIAL: "a person asked for a trial; it overtakes what waits",
    **announcing.TYPES,
}

_HEADERS = {
    "Content-Digest": "sha-256 of the body (RFC 9530)",
    "Signature-Input": (
        "what is signed, in this order: @method, @target-uri, content-type, content-digest; with the time of "
        "the try as created, keyid, and alg hmac-sha256 (RFC 9421)"
    ),
    "Signature": "HMAC-SHA256 with the secret that was shown when the webhook was made (RFC 9421)",
}
_ANSWERS = {
    "2XX": {"description": "Taken. Nothing else is read of the answer."},
    "default": {
        "description": "Not taken, as no answer within 10 s is: tried again with growing waits, and no later "
        "event is sent before. Retry-After is kept to."
    },
}


def title_of(kind: str) -> str:
    """`cleanside.state.changed` as the name of a schema: StateChanged."""
    words = kind.replace("_", ".").split(".")[1:]
    return "".join(word.capitalize() for word in words)


def schemas() -> dict[str, Any]:
    """The envelope of each type, its data, and the types that a webhook can be registered for."""
    models: list[type[Described]] = [Event, *DATA.values()]
    _, found = models_json_schema(
        [(model, "serialization") for model in models], ref_template="#/components/schemas/{model}"
    )
    parts: dict[str, Any] = found["$defs"]
    envelope = parts.pop("Event")
    kinds = {"type": "string", "enum": list(announcing.TYPES), "description": "a type of event to send"}
    envelopes = {f"{title_of(kind)}Event": _envelope_of(kind, envelope) for kind in DATA}
    return {**parts, **envelopes, "EventType": kinds}


def _envelope_of(kind: str, envelope: Mapping[str, Any]) -> dict[str, Any]:
    data = {**ref(DATA[kind].__name__), "description": _SENTENCES[kind]}
    own = {"type": {"type": "string", "const": kind, "description": "type of the event"}, "data": data}
    return {
        **envelope,
        "title": f"{title_of(kind)}Event",
        "properties": {**envelope["properties"], **own},
        "required": [*envelope["required"], *own],
    }


def webhooks() -> dict[str, Any]:
    """The section `webhooks`: type -> how it is POSTed."""
    return {kind: {"post": _operation(kind)} for kind in DATA}


def _operation(kind: str) -> dict[str, Any]:
    name = title_of(kind)
    sentence = _SENTENCES[kind]
    return {
        "operationId": "on_" + "_".join(kind.split(".")[1:]),
        "tags": ["webhooks"],
        "summary": sentence[0].upper() + sentence[1:],
        "description": (
            "Sent to the address of each webhook that was registered for it, in order, until it is taken. "
            "Check the signature before you believe it."
        ),
        "parameters": [
            {"name": header, "in": "header", "required": True, "schema": {"type": "string"}, "description": d}
            for header, d in _HEADERS.items()
        ],
        "requestBody": {
            "required": True,
            "content": {EVENT_MEDIA_TYPE: {"schema": ref(f"{name}Event")}},
        },
        "responses": _ANSWERS,
    }
