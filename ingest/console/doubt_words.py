"""
What stands where a share or a date would, while the limit or the element is in doubt.

Promises: pure. Fleet, machine, work list, plan of visits and what changed say it from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def in_doubt(of: Mapping[str, Any], otherwise: str = "") -> str:
    """The key of the words; otherwise : that of a figure that is missing without a doubt, "" : none."""
    if of["limit_in_doubt"]:
        return "fleet.limit_in_doubt"
    return "fleet.element_in_doubt" if of["element_in_doubt"] else otherwise
