"""
How many readings are quarantined, said the same on every page.

The account counts numbers, and two readings under one number have one: the second is counted apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from cleanside.ingest.analysis.concerns import CONFLICT, QUARANTINE, ConcernGroup


class QuarantineCounts(NamedTuple):
    """Readings that are quarantined."""

    #: as the account has them: each has its own number
    own_number: int
    #: those whose number another reading has
    same_number: int


def quarantine_counts(groups: Sequence[ConcernGroup]) -> QuarantineCounts:
    """Count them. groups : of `GET /v1/attention`, whole."""
    counts = {group.group: group.counted for group in groups}
    return QuarantineCounts(counts[QUARANTINE], counts[CONFLICT])
