"""
Whether a stated probability holds: of all that was said at 0.8, eight in ten must be right.

Each change and each suspicion that was said counts once, by the probability at which it was first told and by
the highest it reached. Pure.
Leaves to others: what counts as right (`score`), and where the probabilities come from (`bench_reliability`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.fleets.observing import FoundChange, Observation
from tests.fleets.score import ELEMENTS, MATCH_S, Watched
from tests.fleets.truth import Fleet, Machine

#: lower ends of the bins of a stated probability
BINS = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99)
BELOW = "below_clean"


@dataclass(frozen=True, kw_only=True)
class Chances:
    """What the judge took for likely at one look."""

    #: instant of each fall and the probability that a new or cleaned element went in then
    opened: tuple[tuple[float, float], ...]
    #: probability of no sound element by the newest hours
    low: float

    def of(self, found: FoundChange) -> float:
        """Of a change that was found: that of the fall nearest to its newest instant; 0 without one."""
        by_s = found.at_s if found.by_s is None else found.by_s
        return min(self.opened, key=lambda fall: abs(fall[0] - by_s), default=(by_s, 0.0))[1]


@dataclass(frozen=True, kw_only=True)
class ToldOnce:
    """A change or a suspicion that was said, at however many looks."""

    machine: Machine
    what: str  # "new", "cleaned", or the codes of a suspicion
    at_s: float  # of the change, or of the first look at the suspicion
    first: float  # probability when it was first told; NaN: this kind has none
    highest: float
    looks: int
    is_right: bool
    is_by_span: bool = False  # right, but by its first instant alone it counts as a false alarm


#: what the judge took for likely, by machine and look
AllChances = Mapping[tuple[str, float], Chances]


def told_of(fleet: Fleet, said: Sequence[Observation], chances: AllChances) -> list[ToldOnce]:
    """All that was said of a fleet, machine by machine."""
    found: list[ToldOnce] = []
    for machine in fleet.machines:
        mine = [one for one in said if one.machine == machine.name]
        watched = Watched(machine, mine, fleet)
        found += [*_changes(watched, chances), *_suspicions(watched, chances)]
    return found


def _changes(watched: Watched, chances: AllChances) -> Iterator[ToldOnce]:
    """Those near the same true change count once, and those near none once by their date."""
    machine = watched.machine
    true_s = [change.at_s for change in machine.changes if change.work in ELEMENTS]
    groups: dict[tuple[bool, float], list[tuple[FoundChange, float]]] = {}
    for one in watched.said:
        for found in (found for found in one.found if found.kind != "asked"):
            near = [at_s for at_s in true_s if watched.is_near(found, at_s)]
            near = near or [s for is_right, s in groups if not is_right and abs(s - found.at_s) <= MATCH_S]
            is_right = any(watched.is_near(found, at_s) for at_s in true_s)
            at_s = min(near, key=lambda s: abs(s - found.at_s), default=found.at_s)
            chance = chances[machine.name, one.at_s].of(found)
            groups.setdefault((is_right, at_s), []).append((found, chance))
    for (is_right, at_s), those in groups.items():
        by_date = (replace(found, by_s=None) for found, _ in those)
        yield ToldOnce(
            machine=machine,
            what=those[-1][0].kind,
            at_s=at_s,
            first=those[0][1],
            highest=max(chance for _, chance in those),
            looks=len(those),
            is_right=is_right,
            is_by_span=is_right and not any(watched.is_near(f, s) for f in by_date for s in true_s),
        )


def _suspicions(watched: Watched, chances: AllChances) -> Iterator[ToldOnce]:
    """Unbroken rows of looks at which something is said to be wrong, and is, or is not."""
    machine = watched.machine
    wrong = {i for row in watched.false_suspicions() for i in row}
    is_said = [bool(one.causes) for one in watched.said]
    rows: list[list[int]] = []
    for i in np.flatnonzero(is_said).tolist():
        is_next = bool(rows) and rows[-1][-1] == i - 1 and (i in wrong) == (i - 1 in wrong)
        rows += [] if is_next else [[]]
        rows[-1].append(i)
    for row in rows:
        said = [watched.said[i] for i in row]
        low = [chances[machine.name, one.at_s].low for one in said if BELOW in one.causes]
        yield ToldOnce(
            machine=machine,
            what=", ".join(sorted(said[0].causes)),
            at_s=said[0].at_s,
            first=low[0] if low else np.nan,
            highest=max(low, default=np.nan),
            looks=len(row),
            is_right=row[0] not in wrong,
        )


def reliability_table(told: Sequence[ToldOnce], by: Callable[[ToldOnce], str]) -> list[str]:
    """
    As Markdown: right of all in each bin of the probability at which it was first told, then of the highest.

    by : the row in which one counts. Those without a probability count in the last column.
    """
    ends = [*BINS[1:], 1.0]
    heads = [f"{low:g} to {high:g}" for low, high in zip(BINS, ends, strict=True)]
    lines = [
        f"| told | probability | {' | '.join(heads)} | none |",
        f"| --- | --- |{' --- |' * (len(heads) + 1)}",
    ]
    for row in sorted({by(one) for one in told}):
        mine = [one for one in told if by(one) == row]
        for name, chances in (("first", [o.first for o in mine]), ("highest", [o.highest for o in mine])):
            cells = [
                _right([o for o, at in zip(mine, _bins(chances), strict=True) if at == i]) for i in PLACES
            ]
            lines.append(f"| {row} | {name} | {' | '.join(cells)} |")
    return lines


#: of each bin, and of what has no probability
PLACES = (*range(len(BINS)), len(BINS))


def _bins(chances: Sequence[float]) -> list[int]:
    """The bin of each probability; that of none where there is none."""
    return [
        len(BINS) if np.isnan(chance) else int(np.searchsorted(BINS, chance, side="right")) - 1
        for chance in chances
    ]


def _right(those: Sequence[ToldOnce]) -> str:
    return f"{sum(one.is_right for one in those)} of {len(those)}" if those else ""
