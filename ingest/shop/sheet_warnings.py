"""
What a person should look at before a file of machines is taken: none of it is refused.

Promises: pure.
Leaves to others: faults (`spreadsheet`, `machine_sheet`), the plan of an import (`sheet_import`).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from statistics import median
from typing import NamedTuple

LEAST_OTHERS = 3  # limits of a kind, beside the one that is looked at; chosen
FAR = 2.0  # times the middle of the others, or less than one in so many; chosen


class SheetLimit(NamedTuple):
    """The change limit of a housing as it will stand."""

    machine: str
    housing: str
    kind: str
    value: float
    unit: str
    limit_pa: float
    row: int | None  # of the file; None: the file does not change it


class OddLimit(NamedTuple):
    """A change limit of a file that is far from those of other machines of the kind."""

    limit: SheetLimit
    others_pa: float  # the middle of the others


def odd_limits(limits: Sequence[SheetLimit]) -> list[OddLimit]:
    """Limits that a file changes, FAR from the others of their kind. limits : of the whole owner."""
    by_kind: defaultdict[str, list[SheetLimit]] = defaultdict(list)
    for limit in limits:
        by_kind[limit.kind].append(limit)
    found = []
    for limit in (limit for limit in limits if limit.kind and limit.row is not None):
        others = [other.limit_pa for other in by_kind[limit.kind] if other is not limit]
        if len(others) >= LEAST_OTHERS:
            middle_pa = median(others)
            if not middle_pa / FAR < limit.limit_pa < middle_pa * FAR:
                found.append(OddLimit(limit, middle_pa))
    return found


def near_kinds(new: Iterable[str], known: Iterable[str]) -> Mapping[str, str]:
    """
    A kind that is not there yet -> one that differs from it by large and small letters alone.

    new : as often as the file has each. Of two new ones, the one that it has more often is taken as meant.
    """
    there, counts = set(known), Counter(new)
    by_letters = {kind.casefold(): kind for kind in sorted(there)}
    found = {}
    for kind in sorted(counts.keys() - there, key=lambda kind: (-counts[kind], kind)):
        same = by_letters.setdefault(kind.casefold(), kind)
        if same != kind:
            found[kind] = same
    return found
