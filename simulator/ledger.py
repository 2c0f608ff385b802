"""
What a campaign wrote to its gateways, and what they answered: kept by the campaign, in a file of its own.

Promises: a reading is "kept" only once its gateway said that it is on disk; the file is written after that
word came. Nothing here looks at a spool or at the server. Safe to use from several threads.
Leaves to others: what has to be true of it (`row_audit.py`).
"""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

#: the device, and the number of the reading, which it carries as its engine hours [s]
ReadingKey = tuple[str, int]


@dataclass(frozen=True, kw_only=True, slots=True)
class WrittenReading:
    """One reading that was written to a gateway."""

    #: which of the gateways: one device has two once its spool was copied
    writer: str
    device: str
    number: int
    #: just before it was written, and as soon as its answer came, by the clock that is right [us since 1970]
    sent_us: int
    answered_us: int | None = None
    #: True: on disk; False: lost, as the gateway says; None: no answer came
    is_kept: bool | None = None
    restriction_pa: float
    supply_voltage_v: float
    #: the time it brought with it; None: the gateway has to know when it was
    at_us: int | None = None

    @property
    def key(self) -> ReadingKey:
        """What it is found by."""
        return self.device, self.number


class Ledger:
    """The readings of a campaign; use as a context manager."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._written: dict[ReadingKey, WrittenReading] = {}
        self._file = path.open("a", encoding="utf-8")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def write(self, entry: WrittenReading) -> None:
        """It is about to be written."""
        with self._lock:
            self._written[entry.key] = entry

    def answer(self, key: ReadingKey, *, is_kept: bool, now_us: int) -> None:
        """Its gateway said what became of it."""
        with self._lock:
            done = replace(self._written[key], answered_us=now_us, is_kept=is_kept)
            self._written[key] = done
            self._put(asdict(done))

    def finish(self) -> None:
        """Write down what no answer came for: it may be on disk or not."""
        with self._lock:
            for entry in self._written.values():
                if entry.is_kept is None:
                    self._put(asdict(entry))
            self._file.flush()

    def entries(self) -> dict[ReadingKey, WrittenReading]:
        """All that was written so far."""
        with self._lock:
            return dict(self._written)

    def _put(self, document: Mapping[str, Any]) -> None:
        self._file.write(json.dumps(document) + "\n")


def read_ledger(path: Path) -> dict[ReadingKey, WrittenReading]:
    """The ledger of a campaign that is over."""
    found: dict[ReadingKey, WrittenReading] = {}
    with path.open(encoding="utf-8") as file:
        for line in file:
            entry = WrittenReading(**json.loads(line))
            found[entry.key] = entry
    return found
