"""
What a property of the API means, wherever it stands: one name, one meaning, with its unit in brackets.

Promises: a property that its model describes keeps those words; every other one has its words here, by name,
or by schema and name where a name means something else there. A property that is an instant says so.
Leaves to others: that none is without (`tests/contract/test_description_for_generators.py`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

#: name -> what it means
MEANINGS: Mapping[str, str] = {
    "accepted_at": "when the offer was accepted, UTC; null: it is not",
    "acknowledged_through": "every number up to it is stored, quarantined or declared shed",
    "advice": "what to do now, in English",
    "age_s": "how long ago `since` was; null: not known [s]",
    "amendment": "number of the amendment",
    "anchor": "what tied the boot to UTC; null: not known",
    "asked": "the request as it was made",
    "assigned": "where the device sits by this, and what moved",
    "assignments": "where it sits and sat, in time order",
    "at": "when it happened, UTC",
    "at_uncertainty_s": "how far the time may be off, either way [s]; left out: unknown",
    "balances": "true: every number is in exactly one state",
    "boot": "identity of the boot, as the gateway gave it",
    "buckets": "steps of time that have readings, in time order; where a resolution was asked for",
    "caution": "what to mind, in English",
    "cautions": "what to mind at the machine; the engine maker's manual comes first",
    "change": "what is changed; left out: look again as it is",
    "changed_at": "when the work was done, UTC",
    "checked_again_at": "when the server looks again by itself, UTC; null: never",
    "checks": "every check, in the order of the sheet",
    "claimed": "readings that had waited for the device and are stored now",
    "clean_restriction_pa": "what a new element reads at the reference flow; null: not known [Pa]",
    "cleanings": "how often the running element was cleaned, entered or likely",
    "code": "what it is about, as a code; stable, decide by this",
    "compared_with": "what it was compared with",
    "confirmed_at": "when it was confirmed, UTC",
    "confirmed_because": "why the entry holds although the readings contradict it; null: not confirmed",
    "confirmed_by": "handle of the key with which it was confirmed",
    "conflicts": "readings that came under a number that another reading has",
    "correction": "number of the correction",
    "corrections": "corrections, newest first",
    "count": "how many",
    "created_at": "when it was made, UTC",
    "currency": "currency of all prices, ISO 4217",
    "data": "what the event says; members depend on the type",
    "delivered": "deliveries that were taken",
    "deliveries": "deliveries in order of event",
    "detail": "what is wrong, in English: value, rule, next step",
    "device": "name of the device",
    "direction": "given: by this owner; taken: from another one",
    "display_name": "what people call the machine; null: its name",
    "due_at": "when the limit is reached: early, likely, late; null: not known",
    "duplicates": "readings that had been received before, with the same content",
    "duty_hours_per_day": "usual operating hours of a day [h]",
    "element_changes": "what was entered, in time order",
    "element_price": "price of an element and the work [currency]",
    "end_at": "when the life ended, UTC; null: it runs",
    "ended": "how the life ended",
    "enrolment": "number of the code",
    "enrolments": "codes, newest first",
    "entered_at": "when it was entered, UTC",
    "entered_by": "handle of the key with which it was entered",
    "entry": "number of the entry",
    "entry_id": "identity of the entry, made by whoever entered it",
    "event": "name of the event; stable, decide by this",
    "events": "the events",
    "evidence": "the data it rests on, in English",
    "expires_at": "when it ends, UTC",
    "faults": "what does not fit, in English; empty: it balances",
    "first": "first number of the range",
    "first_at": "when the first one was received, UTC",
    "flow_exponent": "how restriction grows with flow: to this power; null: not known [1]",
    "format": "what the answer is written in",
    "from": "from when, UTC; null: from the beginning",
    "fuel_l_per_h": "fuel burnt at work, mean [l/h]",
    "fuel_price_per_l": "price of fuel [currency/l]",
    "gap": "numbers that are missing below the highest one received",
    "gaps": "missing numbers below the highest one received, as first and last of each range",
    "gaps_more": "gaps beyond those listed; left out: none",
    "gateway_version": "release of the gateway's program; null: it never said",
    "group": "what kind of lines these are",
    "handle": "handle of the key: names it, opens nothing",
    "held": "those that stay in quarantine, and why",
    "high": "high end",
    "highest": "the highest number received",
    "history_from": "readings from then on may be true, UTC; null: no such word was given",
    "hour": "the hour, by its beginning, UTC",
    "hours": "operating hours of the life [h]",
    "hours_left": "operating hours until the limit: early, likely, late; null: not known [h]",
    "housing": "name of the air filter housing",
    "housings": "the housings",
    "in_service_at": "readings from before are quarantined, UTC; null: not given",
    "index": "place in the batch, from 0; where the readings have no numbers",
    "key": "the key, shown this once: whoever has it can do what it may",
    "keys": "keys, oldest first",
    "kind": "what sort of machine it is; machines of a kind learn from each other; null: not given",
    "last": "last number of the range",
    "last_at": "when the last one was received, UTC",
    "last_heard_at": "when anything was received last, UTC",
    "last_index": "last place, where a range shares the reason",
    "last_reading_at": "when the newest reading was measured, UTC; null: none",
    "last_used_at": "when the key was used last, UTC; null: never",
    "level_after_pa": "restriction after the work, at the reference flow; null: not seen [Pa]",
    "level_before_pa": "restriction before the work, at the reference flow; null: not seen [Pa]",
    "level_end_pa": "restriction at the end of the life, at the reference flow; null: not known [Pa]",
    "level_start_pa": "restriction at the beginning of the life, at the reference flow; null: not known [Pa]",
    "life_hours": "operating hours of the running element; null: not known [h]",
    "lives": "element lives in time order, the running one last",
    "lives_learned_from": "how many element lives of the fleet the forecast rests on",
    "looked_at": "when the readings were looked at, UTC",
    "low": "low end",
    "machine": "name of the machine, as in addresses",
    "machines": "machines, by name",
    "max": "highest value, in the unit that `units` names",
    "mean": "mean, in the unit that `units` names",
    "min": "lowest value, in the unit that `units` names",
    "needs_person": "whether a person has to act",
    "next": "`cursor` of the next page; null: this is the last",
    "next_step": "what to do about it, in English",
    "not_taken": "blocks that were not taken, and why",
    "note": "a few words of whoever entered it",
    "now": "the instant of which the answer speaks, UTC",
    "operating_s": "how long the engine ran in this hour [s]",
    "p10": "early: one in ten comes before",
    "p50": "likely: one in two comes before",
    "p90": "late: nine in ten come before",
    "pending": "numbers above the highest one received that the gateway says it has given",
    "power_loss_percent_now": "power that the engine lacks now, as a range [%]",
    "preview": "true: say what would happen, and change nothing",
    "prices": "what fuel and an element cost; null: not entered",
    "quantities": "every quantity",
    "quantity": "name of the quantity",
    "quarantined": "readings that were quarantined",
    "quiet_because": "why nothing arrives, as a code; null: something does",
    "quiet_s": "how long nothing has arrived; null: something does [s]",
    "readings": "how many readings",
    "reason": "why, in a few words",
    "reasons": "why it is not believed; each reason apart",
    "received_at": "when it was received, UTC",
    "received_since": "received from this instant on",
    "received_until": "received before this instant",
    "refusals": "counts, newest hour first",
    "registered_at": "when it was registered, UTC; null: readings came, and nobody has registered it",
    "replaces": "handle of the key that it replaces",
    "reported": "boots and events that the gateway reported, by kind",
    "request_id": "identity of the request, as in the server's log",
    "retired_at": "out of use since then, UTC; null: in use",
    "revoked": "true: no server takes it any more",
    "revoked_at": "when it was revoked, UTC; null: it is not",
    "role": "what the key may do",
    "says": "the verdict with its figures, in English",
    "seq": "number of the reading in its stream",
    "series": "restriction at the reference flow, one point an operating hour",
    "server_time": "the server's clock when this was said, UTC",
    "settled_at": "when it was taken or given up, UTC; null: it waits",
    "share_used_percent": "used, from clean to limit; can exceed 100; null: not known [%]",
    "shed": "numbers that the gateway deleted unsent and declared",
    "source": "published source of the figures",
    "start_at": "when the life began, UTC",
    "state": "the state, as a code; stable, decide by this",
    "state_text": "the state in plain words",
    "status": "how it stands",
    "stored": "readings that were stored",
    "stream": "the numbering that `seq` counts in, a UUID",
    "streams": "the streams, one line each",
    "subject": "what it is about",
    "suggestion": "what would make the reading right; left out: nothing evident",
    "terminal_restriction": "change limit, from the engine maker's manual; null: not entered",
    "terminal_restrictions": "change limits, each from its date on",
    "through": "every number up to it is counted here",
    "times": "how many times",
    "title": "the kind of problem, in English",
    "transfer": "number of the offer",
    "transfers": "offers, newest first",
    "tries": "how often it was sent",
    "type": "type of the event",
    "types": "types of events that it is told of",
    "uncertainty_s": "half width of the corrected times; null: not known [s]",
    "undone_at": "when it was undone, UTC; null: it stands",
    "unit": "unit of the value",
    "until": "until when, UTC; null: open",
    "used_at": "when it was used, UTC; null: it was not",
    "valid_from": "from when it holds, UTC; null: from the beginning",
    "valid_hours": "how long the code can be used [h]",
    "value": "the value, in `unit`",
    "verdict": "what the readings say of it, as a code; stable, decide by this",
    "waiting": "what waiting costs; null: too little known, or the figures contradict each other",
    "webhook": "number of the webhook",
    "webhooks": "webhooks, oldest first",
    "what": "what was done, as a code",
    "what_to_do": "what to do about it, in English; null: the code is unknown to this release",
    "who": "handle of the key with which it was done",
}

#: schema -> name -> what it means there, where that is something else
THERE: Mapping[str, Mapping[str, str]] = {
    "AcceptanceAnswer": {
        "until": "until when readings were looked at, UTC; null: there are none",
        "readings": "how many readings were looked at",
        "result": "what all checks say together; stable, decide by this",
        "cautions": "what to mind at the machine, in English; the engine maker's manual comes first",
        "devices": "names of the devices on the housing",
    },
    "AccountAnswer": {"balances": "true: the account of every stream balances"},
    "Acceptance": {"code": "the one-time code, with or without hyphens"},
    "AmendBody": {"entries": "numbers of the entries that are meant; or give `where`"},
    "BothRightBody": {"entries": "numbers of the entries that are meant; or give `where`"},
    "DiscardBody": {"entries": "numbers of the entries that are meant; or give `where`"},
    "AmendmentShown": {
        "kind": "what was done; stable, decide by this",
        "entries": "how many readings it was about",
    },
    "AmendmentsAnswer": {"amendments": "what was done, oldest first"},
    "AuditAnswer": {"entries": "what was done, newest first"},
    "AuditEntry": {"detail": "what was done and to what, in English"},
    "BlockNotTaken": {"block": "number of the block, from 1"},
    "BundleAnswer": {
        "blocks": "how many blocks were taken",
        "quarantined": "readings that were quarantined",
        "streams": "where each stream stands after it",
    },
    "CheckShown": {
        "verdict": "what the check says; stable, decide by this",
        "next_step": "what to do about it, in English; null: nothing",
    },
    "ByHand": {"subject": "what was compared"},
    "ChangeShown": {"what": "what was done to the element"},
    "CodeShown": {"code": "the one-time code, with or without hyphens"},
    "ConcernGroupShown": {"entries": "its lines, those that need a person first"},
    "DateSpanShown": {
        "low": "first date, UTC; null: beyond what a calendar can honestly say",
        "high": "last date, UTC; null: beyond what a calendar can honestly say",
    },
    "DevicesAnswer": {"devices": "devices, by name"},
    "EntriesAnswer": {"entries": "readings in quarantine, in order of receipt"},
    "EntryShown": {
        "state": "held: in quarantine; released: stored; discarded: given up by a person",
        "stream": 'a UUID, or "unnumbered" and the device',
        "seq": "number in the stream; without numbers, one that the server gave",
    },
    "HousingAnswer": {
        "evidence": "what the judgement rests on, a sentence each",
        "suspicions": "likely causes of what looks wrong; empty: none",
    },
    "HousingShown": {"devices": "devices that sit or sat on it, in time order"},
    "KeyRotated": {"replaced_ends_at": "when the replaced key ends, UTC"},
    "KeyShown": {
        "state": "valid, expired or revoked",
        "devices": "devices that it is bound to; empty: none, or the role is not bound",
        "note": "a few words of whoever made it",
        "expires_at": "when it ends, UTC; null: it lasts",
    },
    "KeyMade": {"devices": "devices that it is bound to", "expires_at": "when it ends, UTC; null: it lasts"},
    "LifeShown": {
        "level_before_pa": "restriction of the element before, at its end; null: not known [Pa]",
    },
    "LivesAnswer": {
        "analysed_through": "what was received before this is in the answer, UTC; null: nothing yet",
    },
    "MarksQuestion": {"streams": "the streams that the gateway holds"},
    "OutcomeAnswer": {"stored": "readings that are believed and stored now"},
    "Points": {
        "p10": "early: one in ten comes before [h]",
        "p50": "likely: one in two comes before [h]",
        "p90": "late: nine in ten come before [h]",
    },
    "ProblemDetails": {
        "type": "the kind of problem as a URN, with the code at its end",
        "status": "status of the answer (RFC 9110)",
    },
    "QuantityShown": {"units": "the units it may be sent in"},
    "Quarantined": {"seq": "number of the reading; where the readings have no numbers: null"},
    "RawReadings": {
        "readings": "readings in time order; where no resolution was asked for",
        "device": "name of the device that was asked for",
        "machine": "name of the machine that was asked for",
        "housing": "name of the housing that was asked for",
    },
    "ReferenceShown": {"quantity": "which measure of flow it is stated in"},
    "ReferenceFlow": {"quantity": "which measure of flow it is stated in"},
    "Reason": {"code": "why it is not believed; stable, decide by this"},
    "RefusalShown": {"reason": "why it was refused, as a code of a problem"},
    "ReplayAnswer": {"waiting_again": "deliveries that wait again"},
    "ReportedShown": {"kind": "a boot of the machine, or an event"},
    "SeriesPoint": {"restriction_pa": "restriction at the reference flow; null: not known [Pa]"},
    "StillHeld": {"code": "why it is not believed; stable, decide by this"},
    "StreamAccount": {
        "stored": "numbers whose reading is stored",
        "quarantined": "numbers whose reading is in quarantine",
        "discarded": "numbers whose reading a person gave up",
    },
    "TerminalShown": {"restriction_pa": "the limit in Pa", "value": "the limit as it was read, in `unit`"},
    "TransferShown": {
        "state": "open: it can be accepted",
        "expires_at": "until when it can be accepted, UTC",
    },
    "Where": {"code": "only entries with this code", "device": "only readings of this device"},
    "WaitingAnswer": {"note": "what the figures do not cover, in English"},
    "WaitingShown": {
        "extra_fuel_percent_now": "fuel burnt beyond that with a clean element, now [%]",
        "extra_fuel_l_per_hour_now": "the same in litres; null: no prices are entered [l/h]",
        "extra_fuel_cost_per_hour_now": "the same in money; null: no prices are entered [currency/h]",
        "extra_fuel_percent_until_due": "fuel burnt beyond that with a clean element, until the limit [%]",
        "extra_fuel_l_until_due": "the same in litres; null: no prices, or no hours are left [l]",
        "extra_fuel_cost_until_due": "the same in money; null: no prices, or no hours are left [currency]",
        "cheapest_at": "the same as dates, UTC; null: not known",
    },
    "WebhookEnded": {"ended": "true: nothing is sent to it any more"},
    "WebhookShown": {"note": "a few words of whoever made it"},
    "DeliveryShown": {
        "event": "number of the event",
        "at": "when it was noticed, UTC",
        "state": "waiting, delivered, or dead: given up",
        "next_try_at": "when it is sent next, UTC; null: it is settled, or due now",
    },
}

#: schema -> the one that it extends
_EXTENDS: Mapping[str, str] = {
    "RestrictionAnswer": "HousingAnswer",
    "KeyRotated": "KeyMade",
    "TransferMade": "TransferShown",
    "TransferAccepted": "TransferShown",
    "WebhookMade": "WebhookShown",
}
#: names of instants that do not end in _at
_INSTANTS = frozenset(
    {
        *("at", "now", "since", "until", "from", "hour", "low", "high", "p10", "p50", "p90"),
        *("server_time", "valid_from", "history_from", "used_from", "look_by", "analysed_through"),
        "changes_found",
    }
)


def tell(description: dict[str, Any]) -> None:
    """Give every property and parameter that lacks a description its words, and instants their format."""
    for schema, name, member in _members(description):
        if "description" not in member and (words := _words(schema, name)) is not None:
            member["description"] = words
        if name.endswith("_at") or name in _INSTANTS:
            _as_instant(member)
    for parameter in _parameters(description):
        if "description" not in parameter and parameter["name"] in MEANINGS:
            parameter["description"] = MEANINGS[parameter["name"]]


def _parameters(description: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    for operations in description["paths"].values():
        for operation in operations.values():
            yield from operation.get("parameters", ())


def _words(schema: str, name: str) -> str | None:
    for place in (schema, _EXTENDS.get(schema, "")):
        if name in THERE.get(place, {}):
            return THERE[place][name]
    return MEANINGS.get(name)


def _members(description: Mapping[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for schema, content in description["components"]["schemas"].items():
        for name, member in content.get("properties", {}).items():
            yield schema, name, member


def _as_instant(member: dict[str, Any]) -> None:
    """A text is RFC 3339; what is no text stays as it is."""
    parts = [member, *member.get("anyOf", ()), member.get("items", {})]
    texts = [part for part in parts if part.get("type") == "string" and "enum" not in part]
    if not any("format" in part for part in parts):
        for part in texts:
            part["format"] = "date-time"
