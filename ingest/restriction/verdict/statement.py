"""
What the analysis says: a code and the values it is about.

Promises: what decides or is compared is code and values; the sentence comes from a table (`plain_forms`).
Like the errors of the programs (`gateway.wire.coded`). The gateway says its checks the same way.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from cleanside.gateway.spot_checks import Statement, say

__all__ = ["Sentence", "Statement", "Values", "say"]

#: what a statement is about, by name; the unit is in the name, SI where it has one
Values = Mapping[str, Any]
#: a template with places for the values, or a function that chooses it by them
Sentence = str | Callable[[Values], str]
