"""
One JSON object as a reading, as strict as the wire: for every source of objects.

    {"restriction": 3.05, "engine_speed": 1795}
    {"at": "2026-03-02T06:14:07.250Z", "at_uncertainty_s": 4.0, "restriction": 3.10}

Promises: an object with `at` keeps its time, one without is to be stamped on arrival. A member that the
settings do not name, or that is no finite number, is left out and said, with value, rule and next step; the
others are kept. An object of which nothing can be read is refused.
Leaves to others: where objects come from (`gateway.sources.ndjson`, `gateway.sources.mqtt`).
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from typing import Any, Final, NamedTuple

from cleanside.gateway.errors import NotAReading
from cleanside.gateway.units import QUANTITIES
from cleanside.gateway.wire import MAX_INTEGER, Reading, datetime_of, load_json, parse_instant

LONGEST_BYTES: Final = 64 * 2**10  # chosen: far above an object with every quantity


def members(text: bytes) -> dict[str, Any]:
    """The members of one object. Raises ValueError or BatchRefused, saying value, rule and next step."""
    document = load_json(text)
    if not isinstance(document, dict):
        raise NotAReading("not_an_object")
    return document


class ReadObject(NamedTuple):
    """What an object says."""

    reading: Reading
    #: why members are not part of it; "": all are
    left_out: str = ""


class Objects:
    """Reads objects whose members are known."""

    def __init__(
        self,
        members: Mapping[str, tuple[str, str]],
        *,
        add_to: str,
        for_unknown: str,
        passed_over: Set[str] = frozenset(),
    ) -> None:
        """
        members : member -> (quantity, unit). passed_over : members that are known and not wanted.
        add_to : where in the settings a person adds a quantity; for_unknown : what to do about a member that
        is none. Both are said in errors.
        """
        self._members = members
        self._units = dict(members.values())
        self._add_to = add_to
        self._for_unknown = for_unknown
        self._passed_over = passed_over

    def read(self, text: bytes) -> ReadObject:
        """One object as a reading. Raises ValueError or BatchRefused, saying value, rule and next step."""
        return self.reading(members(text))

    def reading(self, document: dict[str, Any]) -> ReadObject:
        """The same of an object that was read; takes its time out of it. Raises ValueError."""
        at = document.pop("at", None)
        uncertainty_s = document.pop("at_uncertainty_s", None)
        if uncertainty_s is not None and not (is_number(uncertainty_s) and uncertainty_s >= 0):
            raise NotAReading("uncertainty_not_a_number", uncertainty_s=uncertainty_s)
        values: dict[str, float] = {}
        faults: list[NotAReading] = []
        for name, value in document.items():
            if value is None or name in self._passed_over:
                continue
            try:
                quantity = self._quantity(name)
                values[quantity] = _number(name, value)
            except NotAReading as fault:
                faults.append(fault)
        if faults and not values:
            raise faults[0]
        return ReadObject(self._placed(at, uncertainty_s, values), "; ".join(map(str, faults)))

    def _quantity(self, name: str) -> str:
        if name in self._members:
            return self._members[name][0]
        if name in QUANTITIES:
            raise NotAReading("member_without_unit", name=name, add_to=self._add_to)
        raise NotAReading("member_unknown", name=name[:64], next_step=self._for_unknown)

    def _placed(self, at: Any, uncertainty_s: float | None, values: Mapping[str, float]) -> Reading:
        if at is None:
            return Reading(values=values, units=self._units)
        if not isinstance(at, str):
            raise NotAReading("at_not_a_text", at=at)
        instant = parse_instant(at)
        if instant.exact is not None and instant.exact[17:19] == "60":
            # A leap second looks like the next second here: stated as up to a second of uncertainty.
            uncertainty_s = max(1.0, uncertainty_s or 0.0)
        return Reading(
            at=datetime_of(instant.us), at_uncertainty_s=uncertainty_s, values=values, units=self._units
        )


def _number(name: str, value: Any) -> float:
    if not is_number(value):
        raise NotAReading("member_not_a_number", name=name, value=value)
    return value  # type: ignore[no-any-return]


def is_number(value: object) -> bool:
    """True for a finite number that every JSON parser reads as the same; true and false are none."""
    return type(value) is float or (type(value) is int and abs(value) <= MAX_INTEGER)
