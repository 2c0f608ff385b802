"""
A statement of the analysis: a code and its values.

Promises: code compares and decides by code and values; the sentence comes from a table (`plain_forms`).
Like the errors of the programs (`gateway.wire.coded`). The checks of the gateway are statements too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from cleanside.gateway.spot_checks import Statement, say

__all__ = ["Sentence", "Statement", "Values", "say"]

#: the values of a statement, by name; the unit is in the name, SI where it has one
Values = Mapping[str, Any]
#: a template with places for the values, or a function that chooses it by them
Sentence = str | Callable[[Values], str]
