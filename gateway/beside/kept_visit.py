"""
What a visit has shown, kept across a key-off: passes of those who showed the code, and checks that passed.

Promises: it lies in a file beside the spool that only its user may read. A pass stands there as a digest
under the code, so the file opens nothing, and a new code ends every pass. What is kept ends after a shift by
the clock, as far as that went forward, and after `MOST_STARTS` starts in any case: a monitor without a
battery may not know how long it was off. A file that cannot be read or written keeps nothing.
Leaves to others: who gets a pass (`gateway.beside.label_code`), the checks (`gateway.spot_checks`).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from cleanside.gateway import file_modes
from cleanside.gateway.spot_checks import FAILED, PASSED, Check, Statement

SHIFT_US: Final = 12 * 3_600_000_000  # a long shift (chosen)
MOST_STARTS: Final = 6  # key-offs of one visit: one for its check, some for the work (chosen)


@dataclass(frozen=True, kw_only=True, slots=True)
class VisitNote:
    """One thing that is kept."""

    #: of a check: code and values of what was seen; of a pass: empty
    said: Mapping[str, Any]
    #: by the clock of the machine, which may be wrong
    noted_utc_us: int
    #: of the gateway, since then
    starts: int
    #: since boot
    until_us: int


class KeptVisit:
    """The file of a visit. Of one thread."""

    def __init__(self, path: Path, *, now_us: Callable[[], int], utc_us: Callable[[], int]) -> None:
        """Read what an earlier start kept. now_us : since boot. utc_us : as the machine's clock has it."""
        self._path = path
        self._now_us = now_us
        self._utc_us = utc_us
        self._kept = {name: kept for name, found in _read(path).items() if (kept := self._again(found))}
        self._noted: set[str] = set()  # since this start
        if self._kept and not self._save():
            self._kept = {}  # a start that is not counted could be repeated for ever

    def keep_pass(self, digest: str) -> None:
        """Somebody showed the code."""
        self._note(f"pass {digest}", {})

    def has_pass(self, digest: str) -> bool:
        """A pass of that digest is kept, and its time is not over."""
        return self._standing(f"pass {digest}") is not None

    def checks(self, live: Sequence[Check]) -> tuple[Check, ...]:
        """The checks of now; one that is open and passed before in this visit has passed."""
        return tuple(self._with_kept(check) for check in live)

    def _with_kept(self, check: Check) -> Check:
        name = f"check {check.check}"
        if check.verdict == PASSED:
            if name not in self._noted:
                self._note(name, {"code": check.seen.code, "values": dict(check.seen.values)})
            return check
        if check.verdict == FAILED:
            self._noted.discard(name)
            if self._kept.pop(name, None) is not None:
                self._save()
            return check
        kept = self._standing(name)
        if kept is None:
            return check
        seen = Statement(kept.said["code"], kept.said["values"])
        return Check(check=check.check, verdict=PASSED, seen=seen, next_step=None)

    def _note(self, name: str, said: Mapping[str, Any]) -> None:
        until_us = self._now_us() + SHIFT_US
        self._kept[name] = VisitNote(said=said, noted_utc_us=self._utc_us(), starts=0, until_us=until_us)
        self._noted.add(name)
        self._save()

    def _standing(self, name: str) -> VisitNote | None:
        kept = self._kept.get(name)
        return kept if kept is not None and kept.until_us > self._now_us() else None

    def _again(self, found: Mapping[str, Any]) -> VisitNote | None:
        """What an earlier start kept, as it stands now; None: its time is over."""
        noted_utc_us, starts = found["noted_utc_us"], found["starts"] + 1
        passed_us = max(0, self._utc_us() - noted_utc_us)  # a clock that went back says nothing
        if starts > MOST_STARTS or passed_us >= SHIFT_US:
            return None
        until_us = self._now_us() + SHIFT_US - passed_us
        return VisitNote(said=found["said"], noted_utc_us=noted_utc_us, starts=starts, until_us=until_us)

    def _save(self) -> bool:
        """Write the file whole, or leave it. False: the disk does not take it."""
        now_us = self._now_us()
        self._kept = {name: kept for name, kept in self._kept.items() if kept.until_us > now_us}
        rows = {
            name: {"said": kept.said, "noted_utc_us": kept.noted_utc_us, "starts": kept.starts}
            for name, kept in self._kept.items()
        }
        draft = self._path.with_name(f"{self._path.name}.new")
        try:
            file_modes.write_text(draft, json.dumps(rows))
            file_modes.sync_file(draft)
            draft.replace(self._path)
            file_modes.sync_folder(self._path.parent)
        except OSError:
            return False
        return True


def _read(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text("utf-8"))
        return {name: row for name, row in found.items() if _is_whole(row)}
    except (OSError, ValueError, AttributeError):
        return {}


def _is_whole(row: Any) -> bool:
    numbers = (row["noted_utc_us"], row["starts"]) if isinstance(row, dict) and len(row) == 3 else ()
    return bool(numbers) and all(isinstance(number, int) for number in numbers) and "said" in row
