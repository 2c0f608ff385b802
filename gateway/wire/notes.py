"""
Problems of a body, collected during decoding, so that a sender learns all of them at once.
"""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Iterable
from typing import Any

from cleanside.gateway.wire.coded import Sentences, text_of
from cleanside.gateway.wire.limits import (
    MAX_DEPTH,
    MAX_INTEGER,
    MAX_LISTED,
    MAX_NAME_LENGTH,
    BatchRefused,
    Problem,
    is_name,
)


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """The known name nearest to a mistyped one, as a question in brackets; empty where none is near."""
    near = difflib.get_close_matches(name[:MAX_NAME_LENGTH], sorted(known), n=1)
    return f' (did you mean "{near[0]}"?)' if near else ""


#: what is wrong with a body -> sentence
_SENTENCES: Sentences = {
    "at_not_a_text": "reading {index}: at is {value}; send an RFC 3339 text",
    "beyond_2_53": (
        "{member}: {value} is an integer beyond 2^53; send a finite JSON number, or leave it out"
    ),
    "columns_not_an_object": "columns is {kind}; send an object of lists",
    "empty": "the batch is empty; send readings, columns, shed, opaque or gateway",
    "first_seq_or_seq": "a numbered columns batch has first_seq (consecutive numbers) or seq (a list)",
    "gateway_not_an_object": "gateway is not an object nested at most {depth} deep",
    "list_of_another_length": "{member} has {found}; step_ms has {steps} and all lists have one length",
    "name_missing": "{member} is missing; give 1 to 64 characters from A-Z a-z 0-9 - : . _",
    "no_readings": "readings is not a list of at least one reading",
    "no_steps": "step_ms is not a list of at least one number; give the time since the reading before [ms]",
    "not_a_list": "{member} is {kind}; step_ms has {steps} and all lists have one length",
    "not_a_list_of_objects": "{key} is not a list of objects",
    "not_a_name": "{member} {value} is not a name; give 1 to 64 characters from A-Z a-z 0-9 - : . _",
    "not_a_number": "{member}: {value} is not a number; send a finite JSON number, or leave it out",
    "not_a_quantity_name": '"{name}" cannot be the name of a quantity; use another of A-Z a-z 0-9 - : . _',
    "not_a_short_text": "gateway: {key} {value} is not a text of 1 to 64 printable characters",
    "not_a_switch": "{value} is not true or false",
    "not_a_uuid": "stream {value} is not a UUID; send it like 019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11",
    "not_an_object": "a batch is a JSON object, this is {kind}",
    "not_whole": "{value} is not a whole number from {lowest} to 2^53",
    "number_below": (
        "{member}: {value} is not a number from {lowest:g} up; send a finite JSON number, or leave it out"
    ),
    "number_twice": "number {number} stands twice in one batch; which one counts would be a guess",
    "numbers_without_stream": "the batch has numbers but no stream; send both or neither",
    "of_the_other_layout": "{key} belongs to the columns layout; a batch has readings or columns, not both",
    "opaque_not_an_object": "opaque is not an object with seq and base64",
    "opaque_not_base64": "opaque: base64 is not base64 (RFC 4648 section 4)",
    "reading_not_an_object": "reading {index} is {kind}; send an object",
    "sent_and_shed": "number {number} is sent and declared shed in one batch",
    "seq_missing": "reading {index} has no seq but the batch has a stream; send both or neither",
    "seq_without_stream": "reading {index} has a seq but the batch has no stream; send both or neither",
    "shed_not_a_range": "shed {index} is not an object with first, last and reason",
    "shed_overlap": "shed ranges {first}-{last} and {other_first}-{other_last} overlap",
    "start_not_an_instant": "start {why}",
    "start_too_fine": 'start "{start}" is a leap second or finer than a microsecond; send it as readings',
    "step_not_whole": "step_ms: {step} is not a whole number of milliseconds",
    "steps_lead_too_far": "step_ms leads outside the years 0001 to 9999; check the clock",
    "stream_needed": "shed and opaque speak of numbers; add the stream they belong to",
    "too_many_quantities": '"{name}" is one quantity too many; a batch takes at most {most}; split it',
    "too_many_readings": "{readings}; a batch takes at most {most}; split it",
    "too_many_shed": "shed is not a list of at most {most} ranges; split it",
    "unit_not_a_text": "unit {unit} is not a text of 1 to 64 characters",
    "units_not_an_object": 'units is {kind}; send an object, like {{"restriction": "kPa"}}',
    "unknown_member": '"{key}" is not a member of a batch{likely}; remove it',
}


class Notes:
    """Collects problems, so that a sender learns all at once; beyond `MAX_LISTED` they are counted."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []
        self.more = 0

    def add(self, pointer: str, code: str, /, **values: Any) -> None:
        if len(self.problems) < MAX_LISTED:
            self.problems.append(Problem(pointer, text_of(_SENTENCES, code, values), code, values))
        else:
            self.more += 1

    def refuse_if_any(self) -> None:
        if self.problems:
            raise BatchRefused(422, self.problems, self.more)

    def name(self, value: Any, pointer: str, *, required: bool = False) -> str:
        if isinstance(value, str) and is_name(value):
            return value
        if value is not None or required:
            if value is None:
                self.add(pointer, "name_missing", member=pointer[2:])
            else:
                self.add(pointer, "not_a_name", member=pointer[2:], value=shown(value))
        return ""

    def whole(self, value: Any, pointer: str, *, lowest: int = 1) -> int:
        if type(value) is int and lowest <= value <= MAX_INTEGER:
            return value
        self.add(pointer, "not_whole", value=shown(value), lowest=lowest)
        return lowest

    def uncertainty(self, value: Any, pointer: str) -> float | None:
        if value is None or not is_number(value, pointer, self, lowest=0.0):
            return None
        return float(value)


def kind_of(value: Any) -> str:
    names = {dict: "an object", list: "a list", str: "a string", bool: "true or false"}
    return names.get(type(value), "null" if value is None else "a number")


def shown(value: Any) -> str:
    if is_deeper(value, MAX_DEPTH):
        return f"{kind_of(value)} nested deeper than {MAX_DEPTH}"
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 48 else f"{text[:45]}..."


def escape(key: str) -> str:
    return key[:64].replace("~", "~0").replace("/", "~1")


def is_number(value: Any, pointer: str, notes: Notes, *, lowest: float = -math.inf) -> bool:
    if type(value) is float and math.isfinite(value) and value >= lowest:
        return True
    if type(value) is int and abs(value) <= MAX_INTEGER and value >= lowest:
        return True
    about = {"member": pointer[2:], "value": shown(value)}
    if type(value) is int and abs(value) > MAX_INTEGER:
        notes.add(pointer, "beyond_2_53", **about)
    elif lowest == -math.inf:
        notes.add(pointer, "not_a_number", **about)
    else:
        notes.add(pointer, "number_below", lowest=lowest, **about)
    return False


def is_deeper(value: Any, levels: int) -> bool:
    """True if objects and lists are nested more than so many deep."""
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else None
    return inner is not None and (levels == 0 or any(is_deeper(entry, levels - 1) for entry in inner))
