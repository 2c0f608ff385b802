"""
The batch in the OpenAPI description: both layouts as JSON Schema, and tested examples.

Promises: the schema accepts everything that the decoder accepts; rules that it cannot express (rising
numbers, lists of one length) only the decoder checks. Leaves to others: reading a batch (`gateway.wire`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cleanside.gateway import wire
from cleanside.ingest.intake import senml

_NAME = {"type": "string", "pattern": "^[A-Za-z0-9:._-]{1,64}$"}
_NUMBER = {"type": ["number", "null"]}
_NOT_NEGATIVE = {"type": ["number", "null"], "minimum": 0}
_SEQ = {"type": "integer", "minimum": 1, "maximum": wire.MAX_INTEGER}
_OBJECTS = {"type": "array", "items": {"type": "object"}}
_AT = {
    "type": "string",
    "maxLength": wire.MAX_NAME_LENGTH,
    "description": "RFC 3339 with an offset; a reading with any other time is quarantined",
}

_READING = {
    "type": "object",
    "required": ["at"],
    "properties": {"seq": _SEQ, "at": _AT, "at_uncertainty_s": _NOT_NEGATIVE},
    "additionalProperties": _NUMBER,
    "description": "every other member is a quantity; one that is not known holds the reading",
}
_SHED_RANGE = {
    "type": "object",
    "required": ["first", "last", "reason"],
    "properties": {"first": _SEQ, "last": _SEQ, "reason": _NAME},
    "additionalProperties": False,
}
_OPAQUE = {
    "type": "object",
    "required": ["seq", "base64"],
    "properties": {"seq": _SEQ, "base64": {"type": "string", "contentEncoding": "base64"}},
    "additionalProperties": False,
}
_GATEWAY = {
    "type": "object",
    "properties": {
        "appended_through": {"type": ["integer", "null"], "minimum": 0, "maximum": wire.MAX_INTEGER},
        "boots": _OBJECTS,
        "events": _OBJECTS,
    },
    "description": "what explains silence, time and the account; members we do not know are kept",
}
_COMMON: Mapping[str, Any] = {
    "device": _NAME,
    "stream": {"type": "string", "format": "uuid", "minLength": 36, "maxLength": 36},
    "units": {
        "type": "object",
        "propertyNames": {"pattern": _NAME["pattern"]},
        "additionalProperties": {"type": "string", "minLength": 1, "maxLength": wire.MAX_NAME_LENGTH},
        "description": "the unit of each quantity used",
    },
    "shed": {"type": "array", "items": _SHED_RANGE, "maxItems": wire.MAX_SHED_RANGES},
    "opaque": _OPAQUE,
    "gateway": _GATEWAY,
    "replace_quarantined": {
        "type": "boolean",
        "default": False,
        "description": (
            "true: a reading whose number (without numbers: whose instant) a reading in quarantine has takes "
            "its place; both stay on record, and an operator can undo it. Never for a stored reading."
        ),
    },
}


def _layout(title: str, required: list[str], properties: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "title": title,
        "type": "object",
        "required": ["device", *required],
        "properties": {**_COMMON, **properties},
        "additionalProperties": False,
    }


def _list_of(items: Mapping[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": items, "minItems": 1, "maxItems": wire.MAX_READINGS}


_READINGS_LAYOUT = _layout(
    "readings: for people and small posts", ["readings"], {"readings": _list_of(_READING)}
)
_COLUMNS_LAYOUT = _layout(
    "columns: for bulk",
    ["start", "step_ms"],
    {
        "first_seq": _SEQ,
        "seq": _list_of(_SEQ),
        "start": {"type": "string", "description": "RFC 3339 with an offset"},
        "step_ms": _list_of({"type": "number"})
        | {"description": "time since the reading before, the first since start; all lists have its length"},
        "at_uncertainty_s": {"anyOf": [_NOT_NEGATIVE, _list_of(_NOT_NEGATIVE)]},
        "columns": {"type": "object", "additionalProperties": _list_of(_NUMBER)},
    },
)
_NO_READINGS = _layout("no readings: shed ranges, an opaque record, or a gateway's report", [], {})

#: A batch: one layout or the other. JSON Schema 2020-12, as OpenAPI 3.1 has it.
BATCH: Mapping[str, Any] = {"oneOf": [_READINGS_LAYOUT, _COLUMNS_LAYOUT, _NO_READINGS]}

#: A SenML pack, the part that we use, as lenient as RFC 8428 section 4.
PACK: Mapping[str, Any] = {"type": "array", "items": {"type": "object"}, "minItems": 1}

_DEVICE, _STREAM = "grader-07-intake", "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"
_NUMBERED = {
    "device": _DEVICE,
    "stream": _STREAM,
    "units": {"restriction": "kPa", "engine_speed": "r/min"},
    "readings": [
        {"seq": 1, "at": "2026-03-02T06:14:07.250Z", "restriction": 3.05, "engine_speed": 1795},
        {"seq": 2, "at": "2026-03-02T06:14:17.250Z", "at_uncertainty_s": 4.0, "restriction": 3.10},
    ],
}
_COLUMNS = {
    "device": _DEVICE,
    "stream": _STREAM,
    "units": {"restriction": "kPa", "engine_speed": "r/min"},
    "first_seq": 5,
    "start": "2026-03-02T06:14:07.250Z",
    "step_ms": [0, 10000, 10000, 10004],
    "columns": {"restriction": [3.05, 310, None, 3.20], "engine_speed": [1795, 1802, 1799, None]},
    "shed": [{"first": 1, "last": 2, "reason": "disk_budget"}],
    "gateway": {"version": "1.2.0", "appended_through": 8},
}
_WITHOUT_NUMBERS = {
    "device": _DEVICE,
    "units": {"restriction": "kPa"},
    "readings": [{"at": "2026-03-02T06:14:07Z", "restriction": 3.05}],
}
_PACK = [
    {"bn": f"{_DEVICE}:", "bt": 1772432047, "n": "restriction", "u": "Pa", "v": 3050},
    {"t": 10, "n": "restriction", "u": "Pa", "v": 3100},
]

#: The body of POST /v1/readings, for the route's `openapi_extra`.
REQUEST_BODY: Mapping[str, Any] = {
    "required": True,
    "content": {
        wire.BATCH_MEDIA_TYPE: {
            "schema": BATCH,
            "examples": {
                "numbered": {"summary": "numbered by the sender", "value": _NUMBERED},
                "columns": {"summary": "in bulk, with shed numbers and a gap", "value": _COLUMNS},
                "without_numbers": {"summary": "one instant, one reading", "value": _WITHOUT_NUMBERS},
            },
        },
        senml.SENML_MEDIA_TYPE: {
            "schema": PACK,
            "examples": {"pack": {"summary": "SenML, RFC 8428", "value": _PACK}},
        },
    },
}

_WRONG_UNIT = "restriction 310 kPa is outside the possible range, -10 to 50 kPa; check sensor and unit"
_AT_NINE = {"server_time": "2026-03-02T09:00:00Z"}
_ALL_STORED = {"duplicates": 0, "gaps": [], "quarantined": []}

#: The answer to each example from a server without earlier readings of the device.
ANSWERS: Mapping[str, Any] = {
    "numbered": {
        "value": {"stream": _STREAM, "acknowledged_through": 2, "stored": 2} | _ALL_STORED | _AT_NINE
    },
    "columns": {
        "value": {
            "stream": _STREAM,
            "acknowledged_through": 2,
            "stored": 3,
            "duplicates": 0,
            "gaps": [[3, 4]],
            "quarantined": [{"seq": 6, "code": "out_of_range", "detail": _WRONG_UNIT}],
        }
        | _AT_NINE
    },
    "without_numbers": {"value": {"stored": 1, "duplicates": 0, "quarantined": []} | _AT_NINE},
    "pack": {"value": {"stored": 2, "duplicates": 0, "quarantined": []} | _AT_NINE},
}
