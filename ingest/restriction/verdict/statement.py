"""
A statement of the analysis: a code and its values.

Promises: code compares and decides by code and values; the sentence comes from a table (`plain_forms`).
Like the errors of the programs (`gateway.wire.coded`); nothing outside this folder is imported here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

#: the values of a statement, by name; the unit is in the name, SI where it has one
Values = Mapping[str, Any]
#: a template with places for the values, or a function that chooses it by them
Sentence = str | Callable[[Values], str]


@dataclass(frozen=True)
class Statement:
    """A code and its values. `plain_forms.text_of` makes the sentence."""

    code: str
    values: Values = field(default_factory=dict)


def say(code: str, /, **values: Any) -> Statement:
    """A statement: say("duty_seen", days=3, hours_per_day=9.5). Pure."""
    return Statement(code, values)
