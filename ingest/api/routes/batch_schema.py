"""
The batch in the OpenAPI description: both layouts as named schemas, and tested examples.

Promises: the schema accepts everything that the decoder accepts; rules that it cannot express (rising
numbers, lists of one length) only the decoder checks. Leaves to others: reading a batch (`gateway.wire`).
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping
from typing import Any

from cleanside.gateway import wire
from cleanside.ingest.api.routes import unit_schema
from cleanside.ingest.api.routes.named_schema import ref
from cleanside.ingest.api.routes.names import NAME_PATTERN
from cleanside.ingest.api.routes.unit_schema import values_of_quantities
from cleanside.ingest.intake import senml

_NAME = {"type": "string", "pattern": NAME_PATTERN}
_NUMBER = {"type": ["number", "null"]}
_NOT_NEGATIVE = {"type": ["number", "null"], "minimum": 0}
_NAME_OR_NULL = {"type": ["string", "null"], "pattern": NAME_PATTERN}
_SHORT_TEXT_OR_NULL = {"type": ["string", "null"], "minLength": 1, "maxLength": wire.MAX_NAME_LENGTH}
_SEQ = {"type": "integer", "minimum": 1, "maximum": wire.MAX_INTEGER}
_AT = {
    "type": "string",
    "format": "date-time",
    "maxLength": wire.MAX_NAME_LENGTH,
    "description": "when it was measured: RFC 3339 with an offset; with any other time it is quarantined",
}
_UNCERTAINTY = "how far the time may be off, either way [s]; left out: unknown; 0: exact"


def _said(schema: Mapping[str, Any], words: str) -> dict[str, Any]:
    """A member with what it means."""
    return {**schema, "description": words}


def _list_of(items: Mapping[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": items, "minItems": 1, "maxItems": wire.MAX_READINGS}


_READING = {
    "type": "object",
    "required": ["at"],
    "properties": {
        "seq": _said(_SEQ, "its number in the stream, counted 1, 2, 3; left out: device and instant name it"),
        "at": _AT,
        "at_uncertainty_s": _said(_NOT_NEGATIVE, _UNCERTAINTY),
        **values_of_quantities(_NUMBER, "in the unit that `units` names"),
    },
    # Nothing is said of other members: in TypeScript "all others are numbers" would hold for `at` too.
    "description": "what a device measured at one instant; a quantity that is not known quarantines it",
}
_READING_COLUMNS = {
    "type": "object",
    "properties": values_of_quantities(_list_of(_NUMBER), "in the unit that `units` names"),
    "additionalProperties": _list_of(_NUMBER),
    "description": "one list for each quantity, null where a reading does not have it",
}
_SHED_RANGE = {
    "type": "object",
    "required": ["first", "last", "reason"],
    "properties": {
        "first": _said(_SEQ, "first number of the range"),
        "last": _said(_SEQ, "last number of the range"),
        "reason": _said(_NAME, "why the gateway gave them up, as a code: disk_budget, pruned_after_ack"),
    },
    "additionalProperties": False,
    "description": "numbers that the gateway deleted unsent, declared so that they are no gap",
}
_OPAQUE = {
    "type": "object",
    "required": ["seq", "base64"],
    "properties": {
        "seq": _said(_SEQ, "its number in the stream"),
        "base64": _said({"type": "string", "contentEncoding": "base64"}, "the bytes as they were, base64"),
    },
    "additionalProperties": False,
    "description": "a record that the server refused to read; it is quarantined under its number",
}
_REPORTED_ITEM = {
    "type": "object",
    "additionalProperties": True,
    "description": "one item of a gateway's report, kept as it is",
}
_ITEMS = {"type": "array", "items": ref("ReportedItem")}
_GATEWAY = {
    "type": "object",
    "properties": {
        "version": _said(_SHORT_TEXT_OR_NULL, "release of the gateway's program"),
        "built": _said(
            _SHORT_TEXT_OR_NULL, "day on which that release was built: no clock can be right before it"
        ),
        "installation": _said(
            _NAME_OR_NULL, "identity of the spool; another one under the same stream is a copy"
        ),
        "appended_through": _said(
            {"type": ["integer", "null"], "minimum": 0, "maximum": wire.MAX_INTEGER},
            "the highest number given so far; what is missing up to it is pending",
        ),
        "boots": _said(_ITEMS, "boots of the machine: `boot`, `first_seq`, what ties it to UTC, how surely"),
        "events": _said(_ITEMS, "key-on, key-off, losses and damage: `event` with its name, `at_seq`"),
    },
    "additionalProperties": True,
    "description": "what explains silence, time and the account; members we do not know are kept",
}
_COMMON: Mapping[str, Any] = {
    "device": _said(_NAME, "name of the device that measured"),
    "stream": _said(
        {"type": "string", "format": "uuid", "minLength": 36, "maxLength": 36},
        "the numbering that `seq` counts in, a UUID; left out: the readings have no numbers",
    ),
    "units": _said(ref("Units"), "the unit of each quantity used"),
    "shed": _said(
        {"type": "array", "items": ref("ShedRange"), "maxItems": wire.MAX_SHED_RANGES},
        "numbers that the gateway deleted unsent",
    ),
    "opaque": _said(ref("OpaqueRecord"), "one record that the server refused to read"),
    "gateway": _said(ref("GatewayReport"), "what the gateway says of itself"),
    "replace_quarantined": {
        "type": "boolean",
        "default": False,
        "description": (
            "true: a reading whose number (without numbers: whose instant) a reading in quarantine has takes "
            "its place; both stay on record, and an operator can undo it. Never for a stored reading."
        ),
    },
}


def _layout(words: str, required: list[str], properties: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "required": ["device", *required],
        "properties": {**_COMMON, **properties},
        "additionalProperties": False,
        "description": words,
    }


_READINGS_BATCH = _layout(
    "a batch for people and small posts: one object a reading",
    ["readings"],
    {"readings": _said(_list_of(ref("Reading")), "the readings, numbers rising")},
)
_COLUMNS_BATCH = _layout(
    "a batch in bulk: one list for each quantity; all lists have one length",
    ["start", "step_ms"],
    {
        "first_seq": _said(_SEQ, "number of the first reading; the others follow without a gap"),
        "seq": _said(_list_of(_SEQ), "the numbers, where some are missing; instead of `first_seq`"),
        "start": {
            "type": "string",
            "format": "date-time",
            "description": "the instant from which `step_ms` counts: RFC 3339 with an offset",
        },
        "step_ms": _said(
            _list_of({"type": "number"}),
            "time since the reading before, the first since `start`; may be negative [ms]",
        ),
        "at_uncertainty_s": {
            "anyOf": [_NOT_NEGATIVE, _list_of(_NOT_NEGATIVE)],
            "description": f"one number for all, or a list: {_UNCERTAINTY}",
        },
        "columns": _said(ref("ReadingColumns"), "the values, one list for each quantity"),
    },
)
_REPORT_BATCH = _layout(
    "a batch without readings: shed ranges, an opaque record, or a gateway's report", [], {}
)
#: A SenML pack as far as it concerns us; RFC 8428 section 4 and its own leniency hold.
_SENML_RECORD = {
    "type": "object",
    "additionalProperties": True,
    "description": "a SenML record (RFC 8428 section 4); its name resolves to `device:quantity`",
}
_SENML_PACK = {
    "type": "array",
    "items": ref("SenmlRecord"),
    "minItems": 1,
    "description": "a SenML pack (RFC 8428); times are absolute",
}

#: What a batch is made of. JSON Schema 2020-12, as OpenAPI 3.1 has it.
SCHEMAS: Mapping[str, Any] = {
    "Batch": {
        "oneOf": [ref("ReadingsBatch"), ref("ColumnsBatch"), ref("ReportBatch")],
        "description": "readings of one device, in one of two layouts",
    },
    "ReadingsBatch": _READINGS_BATCH,
    "ColumnsBatch": _COLUMNS_BATCH,
    "ReportBatch": _REPORT_BATCH,
    "Reading": _READING,
    "ReadingColumns": _READING_COLUMNS,
    "ShedRange": _SHED_RANGE,
    "OpaqueRecord": _OPAQUE,
    "GatewayReport": _GATEWAY,
    "ReportedItem": _REPORTED_ITEM,
    "SenmlPack": _SENML_PACK,
    "SenmlRecord": _SENML_RECORD,
    **unit_schema.schemas(),
}

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
            "schema": ref("Batch"),
            "examples": {
                "numbered": {"summary": "numbered by the sender", "value": _NUMBERED},
                "columns": {"summary": "in bulk, with shed numbers and a gap", "value": _COLUMNS},
                "without_numbers": {"summary": "one instant, one reading", "value": _WITHOUT_NUMBERS},
            },
        },
    },
}

#: What the route takes beside JSON. It stands apart, because a generator makes a union of all that stands in
#: `content`, and who posts JSON would have to prove that the body is no SenML.
ALSO_TAKES: Mapping[str, Any] = {
    senml.SENML_MEDIA_TYPE: {
        "schema": ref("SenmlPack"),
        "examples": {"pack": {"summary": "SenML, RFC 8428", "value": _PACK}},
    },
}


def content_digest(content: bytes) -> str:
    """The header Content-Digest of a body (RFC 9530)."""
    return f"sha-256=:{base64.b64encode(hashlib.sha256(content).digest()).decode()}:"


#: Parameters of POST /v1/readings; the digest is that of the example `numbered`.
PARAMETERS = [
    {
        "name": "Content-Digest",
        "in": "header",
        "required": False,
        "schema": {"type": "string"},
        "description": (
            "checksum of the body as sent (RFC 9530), sha-256 or sha-512; a body that differs is refused. "
            "The example is that of the example `numbered` as JSON without blanks."
        ),
        "example": content_digest(json.dumps(_NUMBERED, separators=(",", ":")).encode()),
    }
]

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
