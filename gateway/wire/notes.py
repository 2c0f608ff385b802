"""
Problems of a body, collected while it is decoded, so that a sender learns all of them at once.
"""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Iterable
from typing import Any

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


class Notes:
    """Collects problems, so that a sender learns all at once; beyond `MAX_LISTED` they are counted."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []
        self.more = 0

    def add(self, pointer: str, detail: str) -> None:
        if len(self.problems) < MAX_LISTED:
            self.problems.append(Problem(pointer, detail))
        else:
            self.more += 1

    def refuse_if_any(self) -> None:
        if self.problems:
            raise BatchRefused(422, self.problems, self.more)

    def name(self, value: Any, pointer: str, *, required: bool = False) -> str:
        if isinstance(value, str) and is_name(value):
            return value
        if value is not None or required:
            what = "is missing" if value is None else f"{shown(value)} is not a name"
            self.add(pointer, f"{pointer[2:]} {what}; give 1 to 64 characters from A-Z a-z 0-9 - : . _")
        return ""

    def whole(self, value: Any, pointer: str, *, lowest: int = 1) -> int:
        if type(value) is int and lowest <= value <= MAX_INTEGER:
            return value
        self.add(pointer, f"{shown(value)} is not a whole number from {lowest} to 2^53")
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
    rule = "a number" if lowest == -math.inf else f"a number from {lowest:g} up"
    beyond = type(value) is int and abs(value) > MAX_INTEGER
    why = "is an integer beyond 2^53" if beyond else f"is not {rule}"
    notes.add(pointer, f"{pointer[2:]}: {shown(value)} {why}; send a finite JSON number, or leave it out")
    return False


def is_deeper(value: Any, levels: int) -> bool:
    """True if objects and lists stand in each other more than so many deep."""
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else None
    return inner is not None and (levels == 0 or any(is_deeper(entry, levels - 1) for entry in inner))
