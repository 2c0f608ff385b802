"""
The one strict decoder of batches, for both sides.

Promises: a body is a batch exactly as specified, or it is refused whole with every problem named. A time or
unit that is not as specified leaves its reading in the batch with a `Doubt`.
"""

from __future__ import annotations

import base64
import binascii
import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import accumulate, pairwise
from typing import Any, Protocol
from uuid import UUID

from cleanside.gateway.units import counted
from cleanside.gateway.wire.batch import Batch, Doubt, GatewayReport, Opaque, ShedRange
from cleanside.gateway.wire.decoded_rows import DecodedRows
from cleanside.gateway.wire.instants import Instant, NotAnInstant, is_datable, parse_instant
from cleanside.gateway.wire.limits import (
    MAX_DEPTH,
    MAX_INTEGER,
    MAX_LISTED,
    MAX_NAME_LENGTH,
    MAX_QUANTITIES,
    MAX_READINGS,
    MAX_SHED_RANGES,
    is_name,
    is_quantity_name,
)
from cleanside.gateway.wire.notes import Notes, did_you_mean, escape, is_deeper, is_number, kind_of, shown
from cleanside.gateway.wire.parts import refuse_too_many_parts
from cleanside.gateway.wire.quick import all_whole, as_range, decode_alike, is_plain, load_plain
from cleanside.gateway.wire.strict_json import load_json

__all__ = ["ENVELOPE", "FillRows", "decode", "decode_envelope", "is_quantity_name"]

#: members of a reading beside its quantities
_OF_READING = frozenset({"seq", "at", "at_uncertainty_s"})
#: members of a batch
ENVELOPE = frozenset(
    {"device", "stream", "units", "readings", "first_seq", "seq", "start", "step_ms", "at_uncertainty_s"}
    | {"columns", "shed", "opaque", "gateway", "replace_quarantined"}
)
_COLUMNS_ONLY = ("columns", "first_seq", "seq", "start", "step_ms", "at_uncertainty_s")


class FillRows(Protocol):
    """Reads the readings of a document into rows, and notes what is wrong with them."""

    def __call__(
        self, document: dict[str, Any], rows: DecodedRows, notes: Notes, /, *, numbered: bool
    ) -> None: ...


def decode(body: bytes) -> Batch:
    """
    Read a batch strictly.

    Raises BatchRefused: 400 for what is not JSON as RFC 8259 has it (UTF-8, no duplicate keys, no NaN),
    422 for what is not a batch or contradicts itself.
    """
    refuse_too_many_parts(body)
    return decode_envelope(load_plain(body) or load_json(body), _decode_rows)


def decode_envelope(document: Any, fill: FillRows) -> Batch:
    """
    The batch of a document that was read strictly.

    fill : reads its readings into the rows. Raises BatchRefused (422).
    """
    notes = Notes()
    if not isinstance(document, dict):
        notes.add("#", "not_an_object", kind=kind_of(document))
        notes.refuse_if_any()
    for place, key in enumerate(sorted(document.keys() - ENVELOPE)):
        likely = did_you_mean(key, ENVELOPE) if place < MAX_LISTED else ""  # others are only counted
        notes.add(f"#/{escape(key)}", "unknown_member", key=key[:64], likely=likely)
    device = notes.name(document.get("device"), "#/device", required=True)
    stream = _stream(document, notes)
    units = _units(document, notes)
    rows = DecodedRows(units)
    fill(document, rows, notes, numbered=stream is not None)
    shed = _shed(document, notes)
    opaque = _opaque(document, notes)
    report = _report(document, notes)
    replaces = document.get("replace_quarantined", False)
    if type(replaces) is not bool:
        notes.add("#/replace_quarantined", "not_a_switch", value=shown(replaces))
    if not (notes.problems or rows.at_us or shed or opaque or report):
        notes.add("#", "empty")
    if stream is None and (shed or opaque):
        notes.add("#/stream", "stream_needed")
    _no_contradiction(rows, shed, opaque, notes)
    notes.refuse_if_any()
    return rows.batch(
        device=device,
        stream=stream,
        shed=shed,
        opaque=opaque,
        gateway=report,
        replace_quarantined=replaces,
    )


def _decode_rows(document: dict[str, Any], rows: DecodedRows, notes: Notes, *, numbered: bool) -> None:
    if "readings" in document:
        _decode_readings(document, rows, notes, numbered=numbered)
    elif any(key in document for key in _COLUMNS_ONLY):
        _decode_columns(document, rows, notes, numbered=numbered)


def _stream(document: dict[str, Any], notes: Notes) -> str | None:
    value = document.get("stream")
    if "stream" not in document:
        return None
    try:
        if isinstance(value, str) and len(value) == 36:
            return _canonical(value)
    except ValueError:
        pass
    notes.add("#/stream", "not_a_uuid", value=shown(value))
    return None


@lru_cache(maxsize=4096)
def _canonical(stream: str) -> str:
    """Kept, as a sender names the same stream in every batch. Raises ValueError where it is no UUID."""
    return str(UUID(stream))


def _units(document: dict[str, Any], notes: Notes) -> dict[str, str]:
    value = document.get("units", {})
    if not isinstance(value, dict):
        notes.add("#/units", "units_not_an_object", kind=kind_of(value))
        return {}
    if all(type(unit) is str for unit in value.values()) and _are_units(tuple(value.items())):
        return dict(value)
    for quantity, unit in value.items():
        pointer = f"#/units/{escape(quantity)}"
        if not is_name(quantity):
            notes.name(quantity, pointer)
        if not isinstance(unit, str) or not _is_short_text(unit):
            notes.add(pointer, "unit_not_a_text", unit=shown(unit))
    return {q: u for q, u in value.items() if isinstance(u, str)}


@lru_cache(maxsize=256)
def _are_units(units: tuple[tuple[str, str], ...]) -> bool:
    """Whether nothing is wrong with them; kept, as a fleet sends a handful of sets."""
    return all(is_name(quantity) and _is_short_text(unit) for quantity, unit in units)


def _is_short_text(text: str) -> bool:
    return 1 <= len(text) <= MAX_NAME_LENGTH and text.isprintable()


def _decode_readings(document: dict[str, Any], rows: DecodedRows, notes: Notes, *, numbered: bool) -> None:
    for key in _COLUMNS_ONLY:
        if key in document:
            notes.add(f"#/{key}", "of_the_other_layout", key=key)
    readings = document["readings"]
    if not isinstance(readings, list) or not readings:
        notes.add("#/readings", "no_readings")
        return
    if not _few_enough(len(readings), "#/readings", notes):
        return
    if decode_alike(readings, rows, numbered=numbered):
        return
    seq: list[int] = []
    uncertainty: list[float | None] = []
    for index, reading in enumerate(readings):
        if not isinstance(reading, dict):
            notes.add(f"#/readings/{index}", "reading_not_an_object", index=index, kind=kind_of(reading))
            continue
        if numbered and "seq" in reading:
            seq.append(notes.whole(reading["seq"], f"#/readings/{index}/seq"))
        elif numbered:
            notes.add(f"#/readings/{index}/seq", "seq_missing", index=index)
        elif "seq" in reading:
            notes.add(f"#/readings/{index}/seq", "seq_without_stream", index=index)
        _decode_at(reading.get("at"), index, rows, notes)
        given = reading.get("at_uncertainty_s")
        pointer = f"#/readings/{index}/at_uncertainty_s"
        uncertainty.append(None if given is None else notes.uncertainty(given, pointer))
        _decode_values(reading, index, len(readings), rows, notes)
    rows.seq = as_range(seq) if numbered else None
    rows.uncertainty = uncertainty[0] if len(set(uncertainty)) == 1 else uncertainty


def _decode_at(value: Any, index: int, rows: DecodedRows, notes: Notes) -> None:
    if not isinstance(value, str) or len(value) > MAX_NAME_LENGTH:
        notes.add(f"#/readings/{index}/at", "at_not_a_text", index=index, value=shown(value))
        rows.at_us.append(None)
        return
    try:
        instant = parse_instant(value)
    except NotAnInstant as error:
        code = "time_without_offset" if error.code == "no_offset" else "time_not_rfc3339"
        doubt = Doubt(code, {"why": error.code, **error.values})
        rows.doubts.setdefault(len(rows.at_us), []).append(doubt)
        rows.at_text[len(rows.at_us)] = value
        rows.at_us.append(None)
        return
    if instant.exact is not None:
        rows.at_text[len(rows.at_us)] = instant.exact
    rows.at_us.append(instant.us)


def _decode_values(reading: dict[str, Any], index: int, count: int, rows: DecodedRows, notes: Notes) -> None:
    columns = rows.columns
    for name, value in reading.items():
        if name not in columns:
            if name in _OF_READING or not _may_be_quantity(name, columns, notes):
                continue
            columns[name] = [None] * count
        if value is None:
            continue
        plain = type(value) is float and math.isfinite(value)
        if plain or is_number(value, f"#/readings/{index}/{escape(name)}", notes):
            columns[name][index] = value


def _may_be_quantity(name: str, columns: Mapping[str, Any], notes: Notes) -> bool:
    if not is_quantity_name(name):
        notes.add("#", "not_a_quantity_name", name=name[:64])
        return False
    if len(columns) >= MAX_QUANTITIES:
        notes.add("#", "too_many_quantities", name=name, most=MAX_QUANTITIES)
    return len(columns) < MAX_QUANTITIES


def _decode_columns(document: dict[str, Any], rows: DecodedRows, notes: Notes, *, numbered: bool) -> None:
    steps = document.get("step_ms")
    if not isinstance(steps, list) or not steps:
        notes.add("#/step_ms", "no_steps")
        return
    count = len(steps)
    if not _few_enough(count, "#/step_ms", notes):
        return
    rows.seq = _decode_seq(document, count, notes) if numbered else None
    if not numbered and ("seq" in document or "first_seq" in document):
        notes.add("#/stream", "numbers_without_stream")
    _decode_steps(document.get("start"), steps, rows, notes)
    rows.uncertainty = _decode_uncertainty(document.get("at_uncertainty_s"), count, notes)
    columns = document.get("columns", {})
    if not isinstance(columns, dict):
        notes.add("#/columns", "columns_not_an_object", kind=kind_of(columns))
        return
    for name, column in columns.items():
        pointer = f"#/columns/{escape(name)}"
        if _may_be_quantity(name, rows.columns, notes) and _is_list_of(column, count, pointer, notes):
            rows.columns[name] = _decode_column(column, pointer, notes)


def _few_enough(count: int, pointer: str, notes: Notes) -> bool:
    if count > MAX_READINGS:
        notes.add(pointer, "too_many_readings", readings=counted(count, "reading"), most=MAX_READINGS)
    return count <= MAX_READINGS


def _is_list_of(value: Any, count: int, pointer: str, notes: Notes) -> bool:
    if isinstance(value, list) and len(value) == count:
        return True
    if isinstance(value, list):
        entries = counted(len(value), "entry", "entries")
        notes.add(pointer, "list_of_another_length", member=pointer[2:], found=entries, steps=count)
    else:
        notes.add(pointer, "not_a_list", member=pointer[2:], kind=kind_of(value), steps=count)
    return False


def _decode_seq(document: dict[str, Any], count: int, notes: Notes) -> Sequence[int]:
    if ("first_seq" in document) == ("seq" in document):
        notes.add("#/first_seq", "first_seq_or_seq")
        return range(1, count + 1)
    if "first_seq" in document:
        first = notes.whole(document["first_seq"], "#/first_seq")
        return range(first, first + count)
    numbers = document["seq"]
    if not _is_list_of(numbers, count, "#/seq", notes):
        return range(1, count + 1)
    return as_range([notes.whole(n, f"#/seq/{i}") for i, n in enumerate(numbers)])


def _decode_steps(start: Any, steps: list[Any], rows: DecodedRows, notes: Notes) -> None:
    try:
        instant = parse_instant(start if isinstance(start, str) else shown(start))
        if instant.exact is not None:
            notes.add("#/start", "start_too_fine", start=start)
    except NotAnInstant as error:
        notes.add("#/start", "start_not_an_instant", why=str(error), rule=error.code)
        instant = Instant(0)
    for index, step in enumerate(steps if not all_whole(steps) else ()):
        if type(step) is not int or abs(step) > MAX_INTEGER:
            notes.add(f"#/step_ms/{index}", "step_not_whole", step=shown(step))
    if notes.problems:
        rows.at_us = [instant.us] * len(steps)
        return
    rows.at_us = [instant.us + ms * 1000 for ms in accumulate(steps)]
    if not all(is_datable(us) for us in (min(rows.at_us), max(rows.at_us))):  # type: ignore[type-var, arg-type]
        notes.add("#/step_ms", "steps_lead_too_far")


def _decode_uncertainty(value: Any, count: int, notes: Notes) -> float | list[float | None] | None:
    if not isinstance(value, list):
        return notes.uncertainty(value, "#/at_uncertainty_s")
    if not _is_list_of(value, count, "#/at_uncertainty_s", notes):
        return None
    return [notes.uncertainty(entry, f"#/at_uncertainty_s/{i}") for i, entry in enumerate(value)]


def _decode_column(column: list[Any], pointer: str, notes: Notes) -> list[float | None]:
    if not is_plain(column):
        for index, value in enumerate(column):
            if value is not None:
                is_number(value, f"{pointer}/{index}", notes)
    return column


def _shed(document: dict[str, Any], notes: Notes) -> tuple[ShedRange, ...]:
    ranges = document.get("shed", [])
    if not isinstance(ranges, list) or len(ranges) > MAX_SHED_RANGES:
        notes.add("#/shed", "too_many_shed", most=MAX_SHED_RANGES)
        return ()
    shed = []
    for index, entry in enumerate(ranges):
        pointer = f"#/shed/{index}"
        if not isinstance(entry, dict) or entry.keys() != {"first", "last", "reason"}:
            notes.add(pointer, "shed_not_a_range", index=index)
            continue
        first = notes.whole(entry["first"], f"{pointer}/first")
        last = notes.whole(entry["last"], f"{pointer}/last", lowest=first)
        shed.append(ShedRange(first, last, notes.name(entry["reason"], f"{pointer}/reason", required=True)))
    shed.sort(key=lambda s: s.first)
    for before, after in pairwise(shed):
        if after.first <= before.last:
            notes.add(
                "#/shed",
                "shed_overlap",
                first=before.first,
                last=before.last,
                other_first=after.first,
                other_last=after.last,
            )
    return tuple(shed)


def _opaque(document: dict[str, Any], notes: Notes) -> Opaque | None:
    if "opaque" not in document:
        return None
    value = document["opaque"]
    if (
        not isinstance(value, dict)
        or value.keys() != {"seq", "base64"}
        or not isinstance(value["base64"], str)
    ):
        notes.add("#/opaque", "opaque_not_an_object")
        return None
    try:
        content = base64.b64decode(value["base64"], validate=True)
    except (binascii.Error, ValueError):
        notes.add("#/opaque/base64", "opaque_not_base64")
        return None
    return Opaque(notes.whole(value["seq"], "#/opaque/seq"), content)


def _report(document: dict[str, Any], notes: Notes) -> GatewayReport | None:
    """Check the known members of the gateway's report and keep the others, so that a newer gateway passes."""
    if "gateway" not in document:
        return None
    value = document["gateway"]
    if not isinstance(value, dict) or is_deeper(value, MAX_DEPTH - 1):
        notes.add("#/gateway", "gateway_not_an_object", depth=MAX_DEPTH)
        return None
    members = {"version", "built", "installation", "appended_through", "boots", "events"}
    notes.name(value.get("installation"), "#/gateway/installation")
    for key in ("version", "built"):  # shown to people alone, so a label like 1.2.0+5 refuses no readings
        said = value.get(key)
        if said is not None and not (isinstance(said, str) and _is_short_text(said)):
            notes.add(f"#/gateway/{key}", "not_a_short_text", key=key, value=shown(said))
    if value.get("appended_through") is not None:
        notes.whole(value["appended_through"], "#/gateway/appended_through", lowest=0)
    for key in ("boots", "events"):
        entries = value.get(key, [])
        if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
            notes.add(f"#/gateway/{key}", "not_a_list_of_objects", key=key)
    notes.refuse_if_any()
    return GatewayReport(
        version=value.get("version"),
        built=value.get("built"),
        installation=value.get("installation"),
        appended_through=value.get("appended_through"),
        boots=tuple(value.get("boots", ())),
        events=tuple(value.get("events", ())),
        extra={key: entry for key, entry in value.items() if key not in members},
    )


def _no_contradiction(
    rows: DecodedRows, shed: tuple[ShedRange, ...], opaque: Opaque | None, notes: Notes
) -> None:
    numbers: Sequence[int] = rows.seq if isinstance(rows.seq, range) else sorted(rows.seq or ())
    if numbers and numbers[-1] > MAX_INTEGER:  # counted from the first one: written it would be refused
        notes.whole(numbers[-1], "#/first_seq")
    if isinstance(numbers, range) and not shed and opaque is None:
        return  # nearly all
    others = () if opaque is None else (opaque.seq,)
    if (twice := _twice(numbers, others)) is not None:
        notes.add("#", "number_twice", number=twice)
    for entry in shed:
        if inside := _first_within(entry, numbers) or _first_within(entry, others):
            notes.add("#/shed", "sent_and_shed", number=inside)


def _twice(numbers: Sequence[int], others: Sequence[int]) -> int | None:
    """A number that stands twice among sorted ones, or among others too; None: there is none."""
    if not isinstance(numbers, range) and len(set(numbers)) != len(numbers):
        return next(one for one, following in pairwise(numbers) if one == following)
    return next((one for one in others if one in numbers), None)


def _first_within(entry: ShedRange, numbers: Sequence[int]) -> int | None:
    """The first of sorted numbers that a range has; None: it has none of them."""
    at = bisect_left(numbers, entry.first)
    return numbers[at] if at < len(numbers) and numbers[at] <= entry.last else None
