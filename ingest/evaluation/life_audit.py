"""
What is wrong with recorded lives, before a score is made of them.

Promises: a fault names its file, its row, the rule and the next step; pure functions of what was read. A
fault would make the score wrong and refuses the lives; a doubt is shown beside the score.
Leaves to others: reading (`recorded`, `life_files`) and scoring (`backtest`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from cleanside.gateway import units
from cleanside.gateway.units import counted
from cleanside.ingest.errors import CalledWrongly, Complaint
from cleanside.ingest.evaluation.life_files import LifeFile, RecordedLife, is_running_meter
from cleanside.ingest.evaluation.stray_rows import NEIGHBOURS, leap_at_end, stray_runs
from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.measure.summary import FloatArray

BELOW_ZERO_SHARE = -0.1  # of terminal; a sensor's zero is not that far off (chosen)
LONE_SHARE = 0.3  # of terminal; rows that far from both sides are no loading (chosen)
ALIKE_SHARE = 0.15  # of terminal; the two sides agree within that (chosen)
MOST_STRAY = 3  # rows on end below terminal; more are weather or work (chosen)
SUM_SHARE = 0.01  # of the life; hours + hours_left may differ that much, by rounding (chosen)
NEAR_FACTOR = 0.1  # relative; a file in another unit ends at the limit within that (chosen)
CLEAN_FACTOR = 1.7  # clean levels of elements differ by that, once in the same unit (chosen)
REACHED_SHARE = 0.95  # of terminal; such a life shows the unit that the others should have
BEYOND_SHARE = 1.25  # and is not in another unit
FAR_SHARE = 0.5  # of terminal; where no life comes nearer, the limit is doubtful (chosen)
LEAST_LIVES = 4  # that say so
LEAST_FACTOR = 1.5  # between two units that a life can be told by
TIME_FACTORS = (24.0, 60.0, 1440.0, 3600.0, 86400.0)  # between days, hours, minutes and seconds
LENGTH_FACTOR = 1.6  # lengths of complete lives agree within that, once in the same unit (chosen)
LEAST_TWIN_ROWS = 5  # two lives that agree so long in every figure are one
SHOWN = 3  # faults in one line; the rest is counted


@dataclass(frozen=True)
class LifeAudit:
    """What is wrong with one file, or with several. `faults` refuse it, `doubts` are shown."""

    faults: tuple[Complaint, ...] = ()
    doubts: tuple[Complaint, ...] = ()

    def __add__(self, other: LifeAudit) -> LifeAudit:
        return LifeAudit(self.faults + other.faults, self.doubts + other.doubts)


def refuse_faults(audit: LifeAudit) -> None:
    """Raises CalledWrongly where lives have a fault, with the first few of them."""
    if audit.faults:
        more = len(audit.faults) - SHOWN
        said = [f"{fault.pointer}: {fault}" for fault in audit.faults[:SHOWN]]
        raise CalledWrongly(
            "lives_with_faults",
            faults="; ".join([*said, f"and {more} more"] if more > 0 else said),
            codes=[fault.code for fault in audit.faults],
        )


# ---------------------------------------------------------------- one file


def audit_life(file: str, entry: LifeFile) -> LifeAudit:
    """Faults and doubts of one file by itself; none where the life was not read from a file."""
    recorded = entry.recorded
    if recorded is None:
        return LifeAudit()
    faults = [*_of_hours(file, recorded.hours), *_of_levels(file, recorded)]
    if entry.hours_left is not None and len(recorded.hours) > 1:
        faults += _of_truth(file, recorded.hours, entry.hours_left)
    return LifeAudit(tuple(faults), (*_rebased(file, recorded.hours), *_stray_doubts(file, recorded)))


def _of_hours(file: str, hours: FloatArray) -> list[Complaint]:
    if len(hours) < 2:
        return [Complaint(file, "life_of_one_row")]
    if hours[0] < 0:
        return [Complaint(file, "hours_below_zero", hours=float(hours[0]))]
    if hours[-1] <= hours[0]:
        return [Complaint(file, "hours_stand_still", hours=float(hours[0]))]
    return []


def _of_levels(file: str, recorded: RecordedLife) -> list[Complaint]:
    level, terminal = recorded.level, recorded.terminal
    row = int(np.argmax(level < BELOW_ZERO_SHARE * terminal))
    if level[row] < BELOW_ZERO_SHARE * terminal:
        return [Complaint(file, "restriction_far_below_zero", row=row + 1, value=float(level[row]))]
    for run in _stray(recorded):
        if np.max(level[run.start : run.stop]) >= terminal:
            row, value = run.start, float(np.max(level[run.start : run.stop]))
            code = "lone_row_at_terminal" if len(run) == 1 else "rows_at_terminal_and_back"
            return [Complaint(file, code, row=row + 1, last=run.stop, value=value)]
    return []


def _of_truth(file: str, hours: FloatArray, left: FloatArray) -> list[Complaint]:
    """Of the column hours_left: it falls hour by hour to 0 or to where the file ends."""
    if np.any(left < 0):
        row = int(np.argmax(left < 0))
        return [Complaint(file, "hours_left_below_zero", row=row + 1, value=float(left[row]))]
    if np.any(np.diff(left) > 0):
        row = int(np.argmax(np.diff(left) > 0)) + 1
        return [Complaint(file, "hours_left_rise", row=row + 1, value=float(left[row]))]
    total, life_h = hours + left, float(hours[-1] - hours[0] + left[-1])
    away = np.abs(total - np.median(total))
    if np.max(away) > max(SUM_SHARE * life_h, float(np.median(np.diff(hours)))):
        row = int(np.argmax(away))
        usual = float(np.median(total))
        return [
            Complaint(file, "hours_left_do_not_add_up", row=row + 1, total=float(total[row]), usual=usual)
        ]
    return []


def _rebased(file: str, hours: FloatArray) -> list[Complaint]:
    if not is_running_meter(hours):
        return []
    span = float(hours[-1] - hours[0])
    return [Complaint(file, "hours_counted_from_first_row", row=1, hours=float(hours[0]), span=span)]


def _stray_doubts(file: str, recorded: RecordedLife) -> list[Complaint]:
    level, doubts = recorded.level, []
    runs = [run for run in _stray(recorded) if len(run) <= MOST_STRAY]
    if runs:
        row, many = runs[0].start, counted(sum(map(len, runs)), "such row")
        doubts.append(Complaint(file, "lone_row", row=row + 1, value=float(level[row]), many=many))
    first = leap_at_end(level, far=LONE_SHARE * recorded.terminal, most=MOST_STRAY)
    if first is not None:
        code = "leap_to_terminal" if np.max(level[first:]) >= recorded.terminal else "leap_at_end"
        value, before = float(level[first]), float(level[first - 1])
        doubts.append(Complaint(file, code, row=first + 1, value=value, before=before))
    return doubts


def _stray(recorded: RecordedLife) -> list[range]:
    far, alike = LONE_SHARE * recorded.terminal, ALIKE_SHARE * recorded.terminal
    return stray_runs(recorded.level, far=far, alike=alike)


# ---------------------------------------------------------------- files against each other


def audit_lives(train: Sequence[LifeFile], test: Sequence[LifeFile], *, unit: str) -> LifeAudit:
    """
    Faults and doubts of all files, alone and against each other.

    unit : of restriction in the files, as in `--unit`.
    """
    files = {f"train/{entry.name}": entry for entry in train} | {
        f"test/{entry.name}": entry for entry in test
    }
    audit = LifeAudit()
    for file, entry in files.items():
        audit += audit_life(file, entry)
    usable = {file: entry for file, entry in files.items() if len(entry.life.hours) > 1}
    audit += LifeAudit((*_twins(usable), *_in_other_unit(usable, unit), *_in_other_hours(usable)))
    return audit if audit.faults else audit + LifeAudit(doubts=_far_from_terminal(train))


def _twins(files: Mapping[str, LifeFile]) -> list[Complaint]:
    """Each life with the figures of an earlier one, or of its first rows."""
    begins: dict[bytes, list[str]] = {}
    found = []
    for file, entry in files.items():
        if len(entry.life.hours) >= LEAST_TWIN_ROWS:
            same = begins.setdefault(entry.life.restriction_pa[:LEAST_TWIN_ROWS].tobytes(), [])
            other = next((one for one in same if _agree(files[one].life, entry.life)), None)
            if other is not None:
                found.append(Complaint(file, "life_doubled", other=other))
            same.append(file)
    return found


def _agree(one: Life, other: Life) -> bool:
    rows = min(len(one.hours), len(other.hours))
    if len(np.unique(one.restriction_pa[:rows])) < LEAST_TWIN_ROWS:
        return False  # a few equal readings of clean elements
    return np.array_equal(one.restriction_pa[:rows], other.restriction_pa[:rows]) and np.array_equal(
        one.hours[:rows], other.hours[:rows]
    )


def _in_other_unit(files: Mapping[str, LifeFile], unit: str) -> list[Complaint]:
    """Lives that begin and end where the others do, times the factor between two units."""
    recorded = {file: entry.recorded for file, entry in files.items() if entry.recorded is not None}
    first = {file: float(np.median(r.level[:NEIGHBOURS]) / r.terminal) for file, r in recorded.items()}
    highest = {file: float(np.max(r.level) / r.terminal) for file, r in recorded.items()}
    own = [first[file] for file, share in highest.items() if REACHED_SHARE <= share <= BEYOND_SHARE]
    usual = float(np.median(own)) if own else 0.0
    if usual <= 0:
        return []
    return [
        Complaint(file, "restriction_in_other_unit", share=share, unit=unit, meant=meant)
        for file, share in highest.items()
        if (meant := _meant_unit(share, first[file] / usual, unit)) is not None
    ]


def _meant_unit(highest: float, first: float, unit: str) -> str | None:
    """
    The unit whose factor explains both where a life ends and where it begins; None: its own does, or none.

    highest : its highest level over terminal. first : its first levels over those of the others.
    """
    own = units.to_si(1.0, unit, "restriction")
    for other in units.offered("restriction"):
        factor = own / units.to_si(1.0, other, "restriction")
        is_other = not 1 / LEAST_FACTOR < factor < LEAST_FACTOR
        ends = abs(highest / factor - 1.0) <= NEAR_FACTOR
        if is_other and ends and 1 / CLEAN_FACTOR <= first / factor <= CLEAN_FACTOR:
            return other
    return None


def _in_other_hours(files: Mapping[str, LifeFile]) -> list[Complaint]:
    """Complete lives whose lengths are those of the others times the factor between two units of time."""
    complete = {file: float(entry.life.hours[-1]) for file, entry in files.items() if entry.life.complete}
    logs = np.sort(np.log(np.maximum(list(complete.values()), 1e-300)))
    if len(logs) < LEAST_LIVES:
        return []
    split = int(np.argmax(np.diff(logs))) + 1
    short, long = logs[:split], logs[split:]
    apart = float(np.exp(np.median(long) - np.median(short)))
    explained = any(1 / LENGTH_FACTOR <= apart / factor <= LENGTH_FACTOR for factor in TIME_FACTORS)
    if not explained or long[0] - short[-1] < max(np.ptp(short), np.ptp(long)):
        return []
    odd = long if len(long) <= len(short) else short
    kinds = [
        {files[file].life.kind for file, h in complete.items() if (np.log(h) < long[0]) == is_short}
        for is_short in (True, False)
    ]
    if "" not in kinds[0] and kinds[0].isdisjoint(kinds[1]):
        return []  # kinds of work differ
    return [
        Complaint(file, "hours_in_other_unit", hours=hours, apart=apart)
        for file, hours in complete.items()
        if odd[0] <= np.log(hours) <= odd[-1]
    ]


def _far_from_terminal(train: Sequence[LifeFile]) -> tuple[Complaint, ...]:
    highest = [float(np.max(entry.life.restriction_pa) / entry.life.terminal_pa) for entry in train]
    if len(highest) < LEAST_LIVES or max(highest) >= FAR_SHARE:
        return ()
    return (Complaint("train", "terminal_far_above", share=max(highest)),)
