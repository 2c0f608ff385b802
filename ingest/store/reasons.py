"""
Reasons of quarantine: why a reading is not believed, in stored form and in words.

Promises: a reason is stored as code and values, and becomes a sentence when it is read. A reason of a release
before 0022 has a sentence and no values; it reads as it was written.
Leaves to others: finding a reason (`gateway.wire`, `ingest.checking`), what to do about it
(`ingest.checking.checks`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cleanside.gateway.units import QUANTITIES
from cleanside.gateway.wire import Doubt, Sentences, Values, did_you_mean, instant_sentence, text_of


@dataclass(frozen=True, slots=True)
class Reason:
    """A reason in words."""

    code: str
    #: the sentence
    detail: str
    #: values of the sentence; None: written by an earlier release, which stored the sentence alone
    values: Values | None
    suggestion: Mapping[str, Any] | None

    def document(self) -> dict[str, Any]:
        """The members of an answer."""
        optional = {"values": self.values, "suggestion": self.suggestion}
        shown = {name: value for name, value in optional.items() if value is not None}
        return {"code": self.code, "detail": self.detail} | shown


def doubts_time(code: str) -> bool:
    """True where a reason says that the reading's time is not believed."""
    return code.startswith("time_") or code in ("clock_unset", "gps_week_rollover")


def kept(doubts: Sequence[Doubt]) -> str:
    """Reasons in stored form: a JSON list of {code, values, suggestion}."""
    return json.dumps([_kept(doubt) for doubt in doubts])


def _kept(doubt: Doubt) -> dict[str, Any]:
    # The previous release reads `detail` and may still run on the same database; the next one leaves it out.
    written = {"code": doubt.code, "values": doubt.values, "detail": detail_of(doubt)}
    return written if doubt.suggestion is None else written | {"suggestion": doubt.suggestion}


def read(text: str) -> list[Reason]:
    """Stored reasons, each with its sentence."""
    return [_read(written) for written in json.loads(text)]


def _read(written: Mapping[str, Any]) -> Reason:
    code, values = written["code"], written.get("values")
    if values is None or code not in SENTENCES:
        detail = written["detail"]
    else:
        detail = text_of(SENTENCES, code, values)
    return Reason(code, detail, values, written.get("suggestion"))


def detail_of(doubt: Doubt) -> str:
    """The sentence of a doubt."""
    return text_of(SENTENCES, doubt.code, doubt.values)


# ---------------------------------------------------------------- sentences


def _unit_not_accepted(values: Values) -> str:
    accepted = ", ".join(f'"{name}"' for name in values["accepted"])
    hint = f' (did you mean "{values["likely"]}"?)' if "likely" in values else ""
    return f'unit "{values["unit"]}" is not accepted for {values["quantity"]}{hint}; send one of {accepted}'


def _quantity_unknown(values: Values) -> str:
    near = did_you_mean(values["quantity"], QUANTITIES)
    return (
        f'"{values["quantity"]}" is not a quantity that this server knows{near}; GET /v1/quantities lists '
        "them; the reading is kept as it was sent"
    )


def _in_future(values: Values) -> str:
    ahead = _span_text(values["ahead_s"])
    return (
        f"at is {ahead} ahead of the server's clock; it is checked again when that time comes, and stored "
        "with it if nothing else is wrong; if your clock is wrong, set it right and send the reading again "
        'under the same number with "replace_quarantined": true'
    )


def _span_text(span_s: int) -> str:
    minutes, hours, days = span_s // 60, span_s // 3_600, span_s // 86_400
    if days >= 3:
        return f"{days} d"
    return f"{hours} h {minutes % 60} min" if hours else f"{minutes} min"


def _before_floor(values: Values) -> str:
    said = f"at {values['at']} is before {values['floor']}, the earliest time accepted for this device"
    if values["may_be_history"]:
        said += "; if it is recorded history, have an admin set history_from of the device"
    return said


def _not_an_instant(values: Values) -> str:
    return f"at {instant_sentence(values['why'], values)}"


def _conflict(values: Values) -> str:
    """values : `number`, or `at` of readings without numbers, and where the other one is (`other_is`)."""
    other_is = values["other_is"]
    if other_is == "new_owner":
        return "the new owner has another reading with this number, which stays; find out which is right"
    what = (
        f"another reading was measured at {values['at']}"
        if "at" in values
        else f"another reading has the number {values['number']}"
    )
    if other_is == "quarantined":
        return (
            f"{what}, which is itself in quarantine; to put this one in its place, send it with "
            '"replace_quarantined": true'
        )
    stays = f"{what}, which a person discarded" if other_is == "discarded" else f"{what}, which stays"
    if values.get("opaque"):
        return stays
    if "at" in values:
        return f"{stays}; all quantities measured at one instant belong in one reading"
    return f"{stays}; find out which is right, or keep both (POST /v1/quarantine/both-right)"


#: code of a reason -> its sentence
SENTENCES: Sentences = {
    "unit_not_accepted": _unit_not_accepted,
    "unit_undeclared": "no unit is declared for {quantity}; add it to units",
    "quantity_unknown": _quantity_unknown,
    "time_not_rfc3339": _not_an_instant,
    "time_without_offset": _not_an_instant,
    "time_in_future": _in_future,
    "time_before_service": (
        "at {at} is before the device entered service at {in_service_at}; check clock and date"
    ),
    "time_before_floor": _before_floor,
    "clock_unset": ("at {at} is the start date of a clock that was never set; connect GPS or network time"),
    "gps_week_rollover": "at {at} is {weeks} weeks off, most likely {likely}; update the receiver",
    "time_outlier": (
        "at {at} is far from the times of the readings before and after it, which agree; "
        "check the clock, shift the time, or confirm that it is right"
    ),
    "out_of_range": (
        "{quantity} {value:g} {unit} is outside the possible range, {lowest:g} to {highest:g} {unit}; "
        "check sensor and unit"
    ),
    "device_unknown": "device {device} is not registered; its readings are quarantined until it is",
    "number_conflict": _conflict,
    "set_aside": "set aside by {by}: {reason}",
    "opaque": "number {number} could not be read as a reading; its bytes are kept",
}
