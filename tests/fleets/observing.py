"""
What a program says of a made fleet, evening by evening, whatever the program is.

`watch` hands an `Observer` the readings that have arrived and what people entered by each evening, then
asks it. A server over HTTP is one observer (`rest`); the pure analysis, or a guess, can be another.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from tests.fleets.truth import Entry, Fleet, IndicatorLook, LimitEntry, Machine, Readings

#: 10, 50 and 90 % points
Points = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class FoundChange:
    """An element change that the readings alone show."""

    at_s: float
    #: "new" or "cleaned": it counts; "asked": only a question to a person
    kind: str
    #: it was made between `at_s` and then, while no reading was fit to judge by; None: at `at_s`
    by_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Observation:
    """What is said of one machine on one evening."""

    machine: str
    at_s: float
    #: as the API has it
    state: str
    #: codes of what may be wrong
    causes: frozenset[str] = frozenset()
    share_percent: float | None = None
    hours_left: Points | None = None
    #: inf: beyond what a calendar can say
    due_s: Points | None = None
    #: when the indicator on the housing latches; None: no date of its own is said
    latch_s: Points | None = None
    #: every change that is believed or asked about, since the record began
    found: tuple[FoundChange, ...] = ()
    #: entries that the readings contradict, by their ids
    questioned: frozenset[str] = frozenset()


class Observer(Protocol):
    """A program that is handed what arrives, and asked each evening. Times never go back between evenings."""

    def set_time(self, now_s: float) -> None:
        """It is an evening: what follows has happened by now."""

    def set_limit(self, machine: Machine, limit: LimitEntry) -> None:
        """A person entered the limit of a machine's housing."""

    def give(self, machine: Machine, readings: Readings, rows: slice) -> None:
        """Some rows of a monitor have arrived, in order."""

    def enter(self, machine: Machine, entry: Entry) -> None:
        """A person entered an element change at this machine."""

    def look(self, machine: Machine, look: IndicatorLook) -> None:
        """A person entered what the indicator on the housing showed."""

    def evening(self, now_s: float) -> Iterable[Observation]:
        """What is said of every machine now."""


def watch(fleet: Fleet, observer: Observer) -> list[Observation]:
    """Let an observer live through a fleet's record; its observations, evening by evening."""
    said: list[Observation] = []
    before_s = -np.inf
    for now_s in fleet.machines[0].evenings.at_s.tolist():
        observer.set_time(now_s)
        for machine in fleet.machines:
            hand_over(machine, observer, before_s, now_s)
        said += observer.evening(now_s)
        before_s = now_s
    return said


def hand_over(machine: Machine, observer: Observer, before_s: float, now_s: float) -> None:
    """What came of a machine after one instant and by another."""
    for limit in machine.limits:
        if before_s < limit.entered_s <= now_s:
            observer.set_limit(machine, limit)
    for readings in machine.readings:
        rows = readings.between(before_s, now_s)
        if rows.stop > rows.start:
            observer.give(machine, readings, rows)
    for entry in machine.entries:
        if before_s < entry.entered_s <= now_s:
            observer.enter(machine, entry)
    for look in machine.looks:
        if before_s < look.entered_s <= now_s:
            observer.look(machine, look)


def write(said: Iterable[Observation], about: Mapping[str, Any], file: Path) -> None:
    """Keep observations in a JSON file. about : how the fleet was made and what was looked at."""
    rows = [
        asdict(one) | {"causes": sorted(one.causes), "questioned": sorted(one.questioned)} for one in said
    ]
    file.write_text(json.dumps({**about, "observations": rows}))


def read(file: Path) -> tuple[list[Observation], dict[str, Any]]:
    """Observations from a JSON file, and what stands about them."""
    about = json.loads(file.read_text())
    return [_observation(row) for row in about.pop("observations")], about


def _observation(row: dict[str, Any]) -> Observation:
    row["causes"], row["questioned"] = frozenset(row["causes"]), frozenset(row["questioned"])
    row["found"] = tuple(FoundChange(**one) for one in row["found"])
    for name in ("hours_left", "due_s", "latch_s"):
        row[name] = None if row.get(name) is None else tuple(row[name])
    return Observation(**row)
