"""
The simulated fleet's truth, and what was said of it, told against each other (pure but for reading files).

A machine is looked at on many days; each look (`Said`) is what the analysis said from the readings that had
arrived by then. Hours are operating hours of the machine, because a change or a cause shows while it works.
Leaves to others: asking the analysis (`bench_fleet_truth`, `bench_fleet_live`), and printing.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow.parquet as pq

from cleanside.gateway.units import from_si, to_si
from cleanside.ingest.restriction.evaluate.scores import prognostic_horizon

Floats = npt.NDArray[np.float64]
Row = dict[str, Any]

DAY_S = 86_400.0
LEADS_DAYS = (30.0, 14.0, 7.0)
INTERVALS = ("inside", "left_inside")  # does that of the date hold, does that of the hours left
NEAR_DAYS = 1.6  # a look every three days is near enough to a lead time
TO_TELL_H = (
    100.0  # a fall that is younger is not told as sure yet; one that close to the end is not asked for
)


@dataclass(frozen=True)
class Said:
    """What was said of a machine at one instant."""

    at_s: float
    seen_h: float  # operating hours up to the newest reading that had arrived
    state: str
    causes: frozenset[str]
    hours_left: Floats | None  # 10, 50, 90 % points
    due_s: Floats | None
    found: tuple[tuple[float, str], ...]  # lives after the first: when they began, and as what


@dataclass(frozen=True)
class Machine:
    """Truth of one machine."""

    about: Row
    elements: list[Row]
    causes: list[Row]
    happenings: list[Row]
    at_s: Floats  # at these instants
    operating_h: Floats  # the machine had run so long
    element: npt.NDArray[np.int64]
    hours_left: Floats

    @property
    def name(self) -> str:
        return str(self.about["name"])

    @property
    def until_s(self) -> float:
        return float(self.about["start_s"] + self.about["days"] * DAY_S)

    def hours_at(self, at_s: float | Floats) -> Floats:
        """Operating hours at any instant."""
        return np.asarray(np.interp(at_s, self.at_s, self.operating_h))

    def entered_terminal(self, at_s: float) -> tuple[float, str]:
        """The terminal value as it stood entered at an instant, and its unit."""
        for cause in self.causes:
            if cause["cause"] == "terminal" and cause["from_s"] <= at_s < cause["until_s"]:
                return from_si(cause["size"], cause["unit"], "restriction"), str(cause["unit"])
        return float(self.about["terminal"]), str(self.about["terminal_unit"])

    def entered_terminal_pa(self, at_s: float) -> float:
        """The same in Pa."""
        return to_si(*self.entered_terminal(at_s), "restriction")


@dataclass(frozen=True)
class Score:
    """Everything counted on one machine; lists of numbers for the bootstrap."""

    years: float
    recalled: list[Row]  # one a change: found (0/1), began, fall, late_days
    precise: list[Row]  # one a change found: right (0/1), at_s
    caught: list[Row]  # one a cause: cause, caught (0/1)
    alarms: list[Row]  # one a false alarm: cause, at_s
    dates: list[Row]  # one a life, lead time, and way to count it: true or as said
    any_day: list[Row]  # one a life: shares of its looks
    horizons: list[Row]  # one a whole life


def read_fleet(folder: Path) -> list[Machine]:
    """The truth of every machine of a folder that `cleanside-simulator fleet` wrote."""
    tables = {
        n: pq.read_table(folder / f"{n}.parquet").to_pylist()
        for n in ("machines", "elements", "causes", "happenings")
    }
    hours = pq.read_table(folder / "hours.parquet")
    names = np.array(hours["machine"].to_pylist())
    columns = {n: hours[n].to_numpy() for n in ("at_s", "operating_h", "element", "hours_left")}

    def of(table: str, name: str) -> list[Row]:
        return [row for row in tables[table] if row["machine"] == name]

    found = []
    for about in tables["machines"]:
        name = about["name"]
        mine = np.flatnonzero(names == name)
        elements, causes, happenings = (of(table, name) for table in ("elements", "causes", "happenings"))
        found.append(Machine(about, elements, causes, happenings, **{n: c[mine] for n, c in columns.items()}))
    return found


def score(machine: Machine, said: Sequence[Said], difficulty: Mapping[str, Any]) -> Score:
    """All that is counted on one machine. `said` in time order; changes are judged by the last look."""
    recalled, precise = score_changes(machine, said, difficulty["scoring"]["change_within_h"])
    caught, alarms = score_causes(machine, said, difficulty)
    return Score(
        years=float(machine.about["days"]) / 365.0,
        recalled=recalled,
        precise=precise,
        caught=caught,
        alarms=alarms,
        dates=score_dates(machine, said),
        any_day=score_any_day(machine, said),
        horizons=score_horizons(machine, said),
    )


def score_changes(machine: Machine, said: Sequence[Said], within_h: float) -> tuple[list[Row], list[Row]]:
    """
    Changes recalled, and whether each found one is right.

    A found change belongs to the nearest true one within `within_h`, each true one to one found; what is left
    over is wrong. A cleaned element is a change of its own kind: found is right; misses are counted apart.
    """
    last = said[-1]
    true = [e for e in machine.elements if e["began"] != "running"]
    due = [e for e in true if e["start_h"] <= last.seen_h - TO_TELL_H]
    taken: set[int] = set()
    precise = []
    for at_s, began in last.found:
        at_h = float(machine.hours_at(at_s))
        away = [abs(e["start_h"] - at_h) if e["element"] not in taken else np.inf for e in true]
        nearest = int(np.argmin(away)) if away else -1
        right = bool(away) and away[nearest] <= within_h
        if right:
            taken.add(true[nearest]["element"])
        cleaned = right and true[nearest]["began"] == "cleaned"
        precise.append(
            {
                "right": float(right),
                "at_s": at_s,
                "at_h": at_h,
                "word": float((began == "cleaned") == cleaned),
            }
        )
    recalled = []
    for element in due:
        recalled.append(
            {
                "found": float(element["element"] in taken),
                "began": element["began"],
                "fall": _fall(machine, element),
                "at_s": element["start_s"],
                "late_days": _first_told_days(machine, element, said, within_h),
            }
        )
    return recalled, precise


def _fall(machine: Machine, element: Row) -> float:
    """How far the true level falls at the start of an element, share of the level before."""
    before = next(e for e in machine.elements if e["element"] == element["element"] - 1)
    terminal_pa = machine.about["terminal_pa"]
    used = before["used_at_start"] + (element["dust_at_start"] - before["dust_at_start"]) / before["length"]

    def level(e: Row, u: float) -> float:
        return float(e["clean_pa"] + (terminal_pa - e["clean_pa"]) * u ** e["power"])

    return 1.0 - level(element, element["used_at_start"]) / level(before, used)


def _first_told_days(machine: Machine, element: Row, said: Sequence[Said], within_h: float) -> float:
    """Days from a change to the first look that told of it; NaN: never."""
    for look in said:
        if look.at_s > element["start_s"] and look.found:
            away = np.abs(machine.hours_at(np.array([at_s for at_s, _ in look.found])) - element["start_h"])
            if away.min() <= within_h:
                return (look.at_s - element["start_s"]) / DAY_S
    return float("nan")


def score_causes(
    machine: Machine, said: Sequence[Said], difficulty: Mapping[str, Any]
) -> tuple[list[Row], list[Row]]:
    """
    Causes caught, and false alarms.

    Caught: named at a look between its start and `tail_h` after its end; a look stands for the hours from
    what it saw to its instant, because readings may wait for a link while a terminal value is entered.
    A false alarm is a run of looks that name a cause neither there nor where the data of another show it too
    (`also` of the difficulty file).
    """
    tail_h = difficulty["scoring"]["tail_h"]
    spans = [(c["cause"], c["from_h"], c["until_h"] + tail_h) for c in machine.causes]
    caught = []
    for cause, from_h, until_h in spans:
        inside = [look for look in said if _touches(machine, look, from_h, until_h)]
        if inside:
            told = [look.seen_h - from_h for look in inside if cause in look.causes]
            caught.append(
                {
                    "cause": cause,
                    "caught": float(bool(told)),
                    "late_h": min(told, default=np.nan),
                    "from_h": from_h,
                }
            )
    alarms = []
    for name in difficulty["cause"]:
        allowed = [(a, b) for c, a, b in spans if c == name or name in difficulty["cause"][c]["also"]]
        sounding = False
        for look in said:
            wrong = name in look.causes and not any(_touches(machine, look, a, b) for a, b in allowed)
            if wrong and not sounding:
                alarms.append({"cause": name, "at_s": look.at_s, "seen_h": look.seen_h})
            sounding = wrong
    return caught, alarms


def _touches(machine: Machine, look: Said, from_h: float, until_h: float) -> bool:
    return look.seen_h <= until_h and float(machine.hours_at(look.at_s)) >= from_h


def score_dates(machine: Machine, said: Sequence[Said]) -> list[Row]:
    """
    For each element and lead time, error of the date, and does the interval hold the true one; at two looks.

    One is the look nearest to that time before the true end; the other, what a planner sees: nearest to it by
    the middle that it says itself (each within NEAR_DAYS). Elements changed early count too: their truth is
    known.
    """
    found = []
    for element, looks in _dated(machine, said):
        at_s = np.array([look.at_s for look in looks])
        middle_s = np.array([look.due_s[1] for look in looks if look.due_s is not None])
        ahead = {"true": element["terminal_s"] - at_s, "said": middle_s - at_s}
        for lead_days, (by, ahead_s) in itertools.product(LEADS_DAYS, ahead.items()):
            away_s = np.abs(ahead_s - lead_days * DAY_S)
            if np.min(away_s, initial=np.inf) <= NEAR_DAYS * DAY_S:
                look = looks[int(np.argmin(away_s))]
                found += [row | {"lead": lead_days, "by": by} for row in _date(element, look)]
    return found


def score_any_day(machine: Machine, said: Sequence[Said]) -> list[Row]:
    """Of each element, the share of its trusted looks up to its true end whose intervals hold."""
    found = []
    for element, looks in _dated(machine, said):
        rows = [row for look in looks if look.at_s < element["terminal_s"] for row in _date(element, look)]
        trusted = [row for row in rows if row["trusted"]]
        if trusted:
            found.append({name: float(np.mean([row[name] for row in trusted])) for name in INTERVALS})
    return found


def _dated(machine: Machine, said: Sequence[Said]) -> list[tuple[Row, list[Said]]]:
    """Elements whose true end is known, with the looks at each that told a date."""
    found = []
    for element in machine.elements:
        if element["terminal_s"] is not None:
            end_s = element["end_s"] if element["end_s"] is not None else machine.until_s
            inside = [s for s in said if element["start_s"] < s.at_s < end_s and s.due_s is not None]
            found.append((element, inside))
    return found


def _date(element: Row, look: Said) -> list[Row]:
    if look.due_s is None or look.hours_left is None:
        return []
    low, middle, high = (look.due_s - element["terminal_s"]) / DAY_S
    left = element["terminal_h"] - look.seen_h
    return [
        {
            "error_days": middle,
            "inside": float(low <= 0.0 <= high),
            "width_days": high - low,
            "left_inside": float(look.hours_left[0] <= left <= look.hours_left[2]),
            "left_error": float(look.hours_left[1] - left),
            "trusted": look.state != "suspect",
            "at_s": look.at_s,
        }
    ]


def score_horizons(machine: Machine, said: Sequence[Said]) -> list[Row]:
    """Prognostic horizon of each element that came new and went to terminal: in hours, and of its life."""
    found = []
    for element in machine.elements:
        if element["began"] != "new" or element["terminal_s"] is None:
            continue
        end_s = element["end_s"] if element["end_s"] is not None else machine.until_s
        looks = [
            s
            for s in said
            if element["start_s"] < s.at_s <= min(end_s, element["terminal_s"])
            and s.hours_left is not None
            and s.seen_h > element["start_h"]
        ]
        if element["terminal_s"] > end_s or len(looks) < 5:
            continue
        truth = np.array([element["terminal_h"] - s.seen_h for s in looks])
        told = np.array([s.hours_left[1] for s in looks if s.hours_left is not None])
        whole = float(element["terminal_h"] - element["start_h"])
        horizon = prognostic_horizon(truth, told, whole)
        found.append({"horizon_h": horizon, "share": horizon / whole})
    return found


def bootstrap(
    parts: Sequence[Sequence[float]],
    statistic: Callable[[Floats], float],
    *,
    draws: int = 1000,
    seed: int = 0,
) -> tuple[float, float, float]:
    """
    A statistic over all numbers of all machines, with its 95 % interval by drawing machines again.

    Machines, not numbers, are drawn: those of one machine hang together. NaN where there is no number.
    """
    arrays = [np.asarray(part, dtype=np.float64) for part in parts]
    whole = np.concatenate(arrays) if arrays else np.empty(0)
    if len(whole) == 0:
        return (float("nan"),) * 3
    random = np.random.default_rng(seed)
    values = []
    for _ in range(draws):
        drawn = np.concatenate([arrays[i] for i in random.integers(0, len(arrays), len(arrays))])
        if len(drawn):
            values.append(statistic(drawn))
    low, high = np.quantile(values, (0.025, 0.975))
    return float(statistic(whole)), float(low), float(high)
