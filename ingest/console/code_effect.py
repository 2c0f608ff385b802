"""
What a one-time code does besides enrolling: which monitor leaves its machine, and which sit there already.

Promises: pure. Said before the code is made, and beside it as long as it is not used.
Leaves to others: the code (`api.routes.enrolment`), what moves with a monitor (`ingest.owners.seating`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple


class CodeEffect(NamedTuple):
    """What happens on machines when a code is used. Nothing of both: a new monitor on a free housing."""

    #: the seat that the monitor leaves, as `monitors_page.shown`; None: it sits nowhere, or there already
    leaves: Mapping[str, Any] | None
    #: monitors that sit on that housing and stay there
    beside: tuple[str, ...]

    @property
    def asks(self) -> bool:
        """True where a person has to know it first."""
        return self.leaves is not None or bool(self.beside)


def effect_of(device: str, machine: str, housing: str, monitors: Sequence[Mapping[str, Any]]) -> CodeEffect:
    """monitors : every one with its seat now, as `monitors_page.shown`."""
    here = (machine, housing)
    sitting = {one["device"]: one["seat"] for one in monitors if one["seat"] is not None}
    own = sitting.get(device)
    beside = (name for name, seat in sitting.items() if name != device and _place(seat) == here)
    return CodeEffect(None if own is None or _place(own) == here else own, tuple(beside))


def _place(seat: Mapping[str, Any]) -> tuple[str, str]:
    return seat["machine"], seat["housing"]
