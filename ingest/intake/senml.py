"""
SenML packs (RFC 8428, RFC 9100) as batches of readings without numbers.

Promises: as lenient as the RFC (unknown fields are ignored, base fields carry over), and as strict in its
must-understand rules. A name resolves to device:quantity. Times are read digit for digit. Relative times are
refused: a resend would change their meaning. Readings in a unit outside the registry are quarantined.
Leaves to others: everything after decoding, which is the same as for our own layouts (`gateway.wire`).
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from cleanside.gateway import wire
from cleanside.gateway.wire import MAX_LISTED, Batch, BatchRefused, Problem, Sentences, instant_text, text_of

SENML_MEDIA_TYPE = "application/senml+json"
DEFAULT_VERSION = 10  # RFC 8428 section 4.4
SECONDARY_UNITS_VERSION = 26  # RFC 9100: 10 with feature 4, secondary units
MOST_EXPONENT = 308  # IEEE 754 double
MOST_DIGITS = 64  # of a number; the RFC asks for fewer than 19, and longer ones are read too
ABSOLUTE_FROM_S = 2**28  # RFC 8428 section 4.5.3: below it a time is relative to now
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*", re.ASCII)  # section 4.5.1
_VALUE_FIELDS = ("v", "vs", "vb", "vd")
_NUMBERS = ("bt", "bv", "bs", "v", "s", "t", "ut")
_TEXTS = ("bn", "bu", "n", "u", "vs", "vd")

#: Registry name -> our spelling of the same unit. RFC 8428 section 12.1, RFC 8798.
REGISTRY: Mapping[str, str] = {
    **{name: name for name in ("Pa", "Cel", "K", "V", "/", "m", "Hz", "dBm", "s", "deg", "count")},
    "lat": "deg",
    "lon": "deg",
    "1/s": "Hz",
    "1/min": "/min",
}
#: Secondary units of RFC 8798, only in packs whose version says so.
SECONDARY: Mapping[str, str] = {"hPa": "hPa", "mV": "mV", "h": "h", "/100": "%"}


@dataclass(frozen=True, slots=True)
class Record:
    """A resolved record: without base fields, with the summed time."""

    name: str
    unit: str | None
    #: seconds; below `ABSOLUTE_FROM_S` relative to now
    time_s: Decimal
    #: value as a number, None where it has another kind of value, or a sum only
    value: Decimal | None
    #: other members as they were: vs, vb, vd, and the sum with its base
    other: Mapping[str, Any]


#: what is wrong with a record -> sentence
_SENTENCES: Sentences = {
    "relative_time": (
        "time {time_s} is relative to now, and would mean another time when sent again; "
        "send seconds since 1970"
    ),
    "no_number": "{name} has no number; this server keeps numbers, leave it out",
    "another_device": 'device "{device}" after "{first}"; send one pack for each device',
    "two_units": "{quantity} comes in two units, {first} and {unit}; send one of them",
    "twice_at_one_instant": "{quantity} stands twice at {at}; which one counts would be a guess",
    "not_an_object": "it is not an object",
    "several_versions": "versions {versions} in one pack; all records have the same (section 4.4)",
    "version_unknown": "version {version} is not understood; send {known[0]} or {known[1]}",
    "not_a_number": "{key} is not a number",
    "beyond_a_double": "{key} is beyond what a double holds (section 5)",
    "not_a_text": "{key} is not a text",
    "version_not_whole": "bver is not a whole number from 1",
    "not_a_switch": "vb is neither true nor false",
    "must_be_understood": '"{key}" must be understood and is not (section 4.4)',
    "no_value": "it has no value; send one of v, vs, vb, vd, or leave the record out",
    "several_values": "it has {kinds}; a record has one value (section 4.2)",
    "not_a_name": ('name "{name}" is not one of A-Z a-z 0-9 - : . / _, starting with a letter or digit'),
}


class _Refusal:
    """Collects the problems of a pack."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def add(self, index: int, code: str, /, **values: Any) -> None:
        detail = f"record {index}: {text_of(_SENTENCES, code, values)}"
        self.problems.append(Problem(f"#/{index}", detail, code, values))

    def raise_if_any(self) -> None:
        if self.problems:
            cut = self.problems[:MAX_LISTED]
            raise BatchRefused(422, cut, len(self.problems) - len(cut))


def decode(body: bytes) -> Batch:
    """
    Read a pack as a batch: all records of one device, those of one instant are one reading.

    Raises BatchRefused: 400 for what is not JSON, 422 for what is not a pack, or not one of readings.
    """
    records, version = resolve(_load(body))
    refusal = _Refusal()
    device, units, readings = "", dict[str, str](), dict[Decimal, dict[str, Any]]()
    for index, record in enumerate(records):
        if record.time_s < ABSOLUTE_FROM_S:
            refusal.add(index, "relative_time", time_s=str(record.time_s))
            continue
        if record.value is None:
            refusal.add(index, "no_number", name=record.name)
            continue
        of_device, _, quantity = record.name.rpartition(":")
        if device and of_device != device:
            refusal.add(index, "another_device", device=of_device, first=device)
            continue
        device = of_device
        unit = _our_unit(record.unit, version)
        if unit is not None and units.setdefault(quantity, unit) != unit:
            refusal.add(index, "two_units", quantity=quantity, unit=unit, first=units[quantity])
        reading = readings.setdefault(record.time_s, {"at": _instant(record.time_s)})
        if quantity in reading:
            refusal.add(index, "twice_at_one_instant", quantity=quantity, at=reading["at"])
        reading[quantity] = float(record.value)
    refusal.raise_if_any()
    rows = [reading for _, reading in sorted(readings.items())]
    document = {"device": device, "units": units, "readings": rows}
    return wire.decode(json.dumps(document).encode())


def _our_unit(unit: str | None, version: int) -> str | None:
    """Our spelling of a registry unit. Any other becomes a name that no quantity accepts."""
    if unit is None:
        return None
    ours = REGISTRY.get(unit)
    if ours is None and version == SECONDARY_UNITS_VERSION:
        ours = SECONDARY.get(unit)
    # The bare % of SenML is the ratio 0 to 1 and ours is a hundredth: distinguished, not guessed.
    return ours if ours is not None else f"SenML {unit}"[:64]


def _instant(time_s: Decimal) -> str:
    whole = int(time_s.to_integral_value(rounding="ROUND_FLOOR"))
    digits = f"{time_s - whole:f}".partition(".")[2].rstrip("0")
    try:
        text = instant_text(whole * 1_000_000)
    except ValueError as error:
        raise BatchRefused(422, [Problem("#", f"time {time_s}: {error}")]) from None
    return text if not digits else f"{text[:-1]}.{digits[:20]}Z"


def _load(body: bytes) -> Any:
    wire.refuse_too_many_parts(body)
    # Strict: UTF-8, no duplicate keys, no NaN. Used for its checks, not for its binary fractions.
    wire.load_json(body)
    return json.loads(body, parse_float=Decimal, parse_int=Decimal)


# ---------------------------------------------------------------- resolve (RFC 8428 section 4.6)


def resolve(pack: Any) -> tuple[list[Record], int]:
    """
    Resolve a pack: base fields applied, in order of time. Returns the records and the pack's version.

    pack : as `json.loads` gives it with Decimals for numbers.
    Raises BatchRefused (422) where the RFC forbids using a pack.
    """
    if not isinstance(pack, list) or not pack:
        raise BatchRefused(422, [Problem("#", "a SenML pack is a list of at least one record")])
    refusal = _Refusal()
    base: dict[str, Any] = {}
    records: list[Record] = []
    versions: set[int] = set()
    for index, entry in enumerate(pack):
        if not isinstance(entry, dict) or not _well_formed(entry, index, refusal):
            if not isinstance(entry, dict):
                refusal.add(index, "not_an_object")
            continue
        base |= {key: entry[key] for key in ("bn", "bt", "bu", "bv", "bs", "bver") if key in entry}
        versions.add(int(base.get("bver", DEFAULT_VERSION)))
        if (record := _resolved(entry, base, index, refusal)) is not None:
            records.append(record)
    version = max(versions, default=DEFAULT_VERSION)
    if len(versions) > 1:
        refusal.add(0, "several_versions", versions=sorted(versions))
    elif version > DEFAULT_VERSION and version != SECONDARY_UNITS_VERSION:
        refusal.add(0, "version_unknown", version=version, known=(DEFAULT_VERSION, SECONDARY_UNITS_VERSION))
    refusal.raise_if_any()
    return sorted(records, key=lambda record: record.time_s), version


def _well_formed(entry: Mapping[str, Any], index: int, refusal: _Refusal) -> bool:
    before = len(refusal.problems)
    for key, value in entry.items():
        if key in (*_NUMBERS, "bver") and not isinstance(value, Decimal):
            refusal.add(index, "not_a_number", key=key)
        elif isinstance(value, Decimal) and not _fits_a_double(value):
            refusal.add(index, "beyond_a_double", key=key)
        elif key in _TEXTS and not isinstance(value, str):
            refusal.add(index, "not_a_text", key=key)
        elif key == "bver" and (value != int(value) or value < 1):
            refusal.add(index, "version_not_whole")
        elif key == "vb" and not isinstance(value, bool):
            refusal.add(index, "not_a_switch")
        elif key.endswith("_"):
            refusal.add(index, "must_be_understood", key=key[:32])
    return len(refusal.problems) == before


def _fits_a_double(value: Decimal) -> bool:
    """False also for a short text like 1e999999999, which would become a number of a billion digits."""
    return -MOST_EXPONENT <= value.adjusted() <= MOST_EXPONENT and len(value.as_tuple().digits) <= MOST_DIGITS


def _resolved(
    entry: Mapping[str, Any], base: Mapping[str, Any], index: int, refusal: _Refusal
) -> Record | None:
    """One record with the base fields applied; None for one that only sets base fields (section 5.1.7)."""
    kinds = [key for key in _VALUE_FIELDS if key in entry]
    has_base_value, has_sum = "bv" in base, "s" in entry
    if not kinds and not has_sum and not (has_base_value and entry.keys() - {"bn", "bt", "bu", "bs", "bver"}):
        if "n" in entry or "t" in entry or "u" in entry:
            refusal.add(index, "no_value")
        return None
    if len(kinds) > 1:
        refusal.add(index, "several_values", kinds=" and ".join(kinds))
        return None
    name = base.get("bn", "") + entry.get("n", "")
    if not _NAME.fullmatch(name):
        refusal.add(index, "not_a_name", name=name[:48])
        return None
    value = None
    if "v" in entry or (has_base_value and not kinds and not has_sum):
        value = base.get("bv", Decimal(0)) + entry.get("v", Decimal(0))
    other = {key: entry[key] for key in ("vs", "vb", "vd") if key in entry}
    if has_sum or "bs" in base:
        other["s"] = base.get("bs", Decimal(0)) + entry.get("s", Decimal(0))
    time_s = base.get("bt", Decimal(0)) + entry.get("t", Decimal(0))
    return Record(name, entry.get("u", base.get("bu")), time_s, value, other)
