"""
The readings of a batch while they are decoded: columns, order, and the doubts about single readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Any

from cleanside.gateway.units import QUANTITIES, accepts, offered, suggest_unit
from cleanside.gateway.wire.batch import Batch, Doubt


class DecodedRows:
    """The readings of a batch while they are decoded: columns, and the doubts about single readings."""

    def __init__(self, units: dict[str, str]) -> None:
        self.units = units
        self.seq: Sequence[int] | None = None
        self.at_us: list[int | None] = []
        self.at_text: dict[int, str] = {}
        self.uncertainty: float | Sequence[float | None] | None = None
        self.columns: dict[str, list[float | None]] = {}
        self.doubts: dict[int, list[Doubt]] = {}

    def doubt_units(self) -> None:
        """Each reading with an unknown quantity or unit gets a doubt, not the batch."""
        for quantity, column in self.columns.items():
            unit = self.units.get(quantity)
            if not _is_accepted(quantity, unit) and (doubt := _unit_doubt(quantity, unit)) is not None:
                for index, value in enumerate(column):
                    if value is not None:
                        self.doubts.setdefault(index, []).append(doubt)

    def batch(self, **envelope: Any) -> Batch:
        self.doubt_units()
        rows = self._sorted() if self.seq is not None and not _rises(self.seq) else self
        return Batch(
            seq=rows.seq,
            at_us=rows.at_us,
            at_text=rows.at_text,
            at_uncertainty_s=rows.uncertainty,
            units=rows.units,
            columns=rows.columns,
            doubts={index: tuple(doubts) for index, doubts in rows.doubts.items()},
            **envelope,
        )

    def _sorted(self) -> DecodedRows:
        assert self.seq is not None
        seq = self.seq
        order = sorted(range(len(seq)), key=seq.__getitem__)
        place = {old: new for new, old in enumerate(order)}
        rows = DecodedRows(self.units)
        rows.seq = [seq[i] for i in order]
        rows.at_us = [self.at_us[i] for i in order]
        rows.at_text = {place[i]: text for i, text in self.at_text.items()}
        each = self.uncertainty
        rows.uncertainty = [each[i] for i in order] if isinstance(each, Sequence) else each
        rows.columns = {name: [column[i] for i in order] for name, column in self.columns.items()}
        rows.doubts = {place[i]: doubts for i, doubts in self.doubts.items()}
        return rows


def _rises(numbers: Sequence[int]) -> bool:
    return isinstance(numbers, range) or all(a < b for a, b in pairwise(numbers))


@lru_cache(maxsize=1024)
def _is_accepted(quantity: str, unit: str | None) -> bool:
    return _unit_doubt(quantity, unit) is None


def _unit_doubt(quantity: str, unit: str | None) -> Doubt | None:
    if quantity not in QUANTITIES:
        return Doubt("quantity_unknown", {"quantity": quantity})
    if unit is None:
        return Doubt("unit_undeclared", {"quantity": quantity})
    if accepts(unit, quantity):
        return None
    likely = suggest_unit(unit, quantity)
    about: dict[str, Any] = {"quantity": quantity, "unit": unit, "accepted": offered(quantity)}
    if likely is not None:
        about["likely"] = likely
    return Doubt(
        "unit_not_accepted",
        about,
        {"units": {quantity: likely}} if likely else None,
    )
