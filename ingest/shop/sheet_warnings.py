"""
What a person should look at before a file is taken: none of it is a fault.

Promises: pure.
Leaves to others: faults (`spreadsheet`, `machine_sheet`), the plan of an import (`sheet_import`).
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Literal, NamedTuple

from cleanside.ingest.store.names_like import Named, but_for_case

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


class NewName(NamedTuple):
    """A name of a file that may be new."""

    noun: Named | Literal["housing"]
    name: str
    row: int
    column: str
    machine: str = ""  # of a housing, whose names are those of its machine


class NearName(NamedTuple):
    """A new name of a file that is another but for the case of its letters."""

    new: NewName
    existing: str


def near_names(named: Iterable[NewName], known: Mapping[tuple[str, str], Iterable[str]]) -> list[NearName]:
    """
    New names that are there already but for their capital letters, or stand in an earlier row.

    named : in the order of the file. known : noun and machine (of a housing, else "") -> the names there.
    """
    alike: defaultdict[tuple[str, str, str], list[str]] = defaultdict(list)
    for place, names in known.items():
        for name in names:
            alike[*place, name.lower()].append(name)
    found = []
    for new in named:
        names = alike[new.noun, new.machine, new.name.lower()]
        if (other := but_for_case(new.name, names)) is not None:
            found.append(NearName(new, other))
        names.append(new.name)
    return found


def odd_limits(limits: Sequence[SheetLimit]) -> list[OddLimit]:
    """Limits that a file changes, FAR from the others of their kind. limits : of the whole owner."""
    by_kind: defaultdict[str, list[float]] = defaultdict(list)
    for limit in limits:
        by_kind[limit.kind].append(limit.limit_pa)
    in_order = {kind: sorted(of_kind) for kind, of_kind in by_kind.items()}
    found = []
    for limit in (limit for limit in limits if limit.kind and limit.row is not None):
        if len(in_order[limit.kind]) > LEAST_OTHERS:
            middle_pa = _middle_of_others(in_order[limit.kind], limit.limit_pa)
            if not middle_pa / FAR < limit.limit_pa < middle_pa * FAR:
                found.append(OddLimit(limit, middle_pa))
    return found


def _middle_of_others(in_order: Sequence[float], own: float) -> float:
    """The median of numbers in order without one of them."""
    place, many = bisect_left(in_order, own), len(in_order) - 1
    below, above = (n if n < place else n + 1 for n in ((many - 1) // 2, many // 2))
    return (in_order[below] + in_order[above]) / 2


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
