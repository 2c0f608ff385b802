"""
Options of a source, read strictly: unknown ones are refused, texts become numbers only where asked for.

Leaves to others: what the options mean.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gateway.errors import SourceWrong
from gateway.units import QUANTITIES, accepts, suggest_unit


class Options:
    """Takes options one by one; `done` refuses what nobody took."""

    def __init__(self, source: str, given: Mapping[str, Any]) -> None:
        self._source = source
        self._left = dict(given)

    def wrong(self, what: str) -> SourceWrong:
        """An error about this source."""
        return SourceWrong(f"source {self._source}: {what}")

    def text(self, name: str, default: str | None = None) -> str | None:
        """A text, or the default."""
        value = self._left.pop(name, default)
        if value is not None and not isinstance(value, str):
            raise self.wrong(f"{name} {value!r} is not a text")
        return value

    def needed(self, name: str) -> str:
        """A text that has to be given."""
        value = self.text(name)
        if not value:
            raise self.wrong(f"{name} is missing; add it")
        return value

    def number(
        self, name: str, default: float | None = None, *, above: float = 0.0, none: str | None = None
    ) -> float | None:
        """A number above a bound, or the default. none : a word that stands for no number."""
        value = self._left.pop(name, default)
        if value is None or value == none:
            return None
        try:
            number = float(value)
        except (TypeError, ValueError):
            raise self.wrong(f"{name} {value!r} is not a number") from None
        if not above < number < float("inf"):
            raise self.wrong(f"{name} {value!r} is not a number above {above:g}")
        return number

    def address(self, name: str) -> int | None:
        """An address on a bus, 0 to 253, or None where it is not given."""
        value = self._left.pop(name, None)
        if value is None:
            return None
        number = int(value, 0) if isinstance(value, str) and value[:1].isdecimal() else value
        if type(number) is not int or not 0 <= number <= 253:
            raise self.wrong(f"{name} {value!r} is not an address from 0 to 253")
        return number

    def table(self, name: str) -> dict[str, Any]:
        """A table of anything, or an empty one."""
        value = self._left.pop(name, {})
        if not isinstance(value, Mapping):
            raise self.wrong(f"{name} {value!r} is not a table")
        return dict(value)

    def columns(self, name: str) -> dict[str, tuple[str, str]]:
        """A table: column -> (quantity, unit), given as "quantity unit"; the unit has to fit."""
        given = self._left.pop(name, None)
        if not isinstance(given, Mapping) or not given:
            raise self.wrong(f'{name} is missing; give it like {name}.dp = "restriction kPa"')
        return {str(column): self._quantity(f"{name}.{column}", meaning) for column, meaning in given.items()}

    def units(self, name: str) -> dict[str, str]:
        """A table: quantity -> unit that measures it."""
        given = self._left.pop(name, None)
        if not isinstance(given, Mapping) or not given:
            raise self.wrong(f'{name} is missing; give it like {name}.restriction = "kPa"')
        return dict(
            self._quantity(f"{name}.{quantity}", f"{quantity} {unit}") for quantity, unit in given.items()
        )

    def _quantity(self, where: str, meaning: Any) -> tuple[str, str]:
        quantity, _, unit = str(meaning).partition(" ")
        if quantity not in QUANTITIES:
            raise self.wrong(f'{where}: "{quantity}" is not a quantity; one of {", ".join(QUANTITIES)}')
        if not accepts(unit, quantity):
            likely = suggest_unit(unit, quantity)
            hint = f' (did you mean "{likely}"?)' if likely else ""
            accepted = ", ".join(QUANTITIES[quantity].units)
            raise self.wrong(
                f'{where}: unit "{unit}" is not accepted for {quantity}{hint}; one of {accepted}'
            )
        return quantity, unit

    def done(self) -> None:
        """Refuse what nobody took."""
        if self._left:
            raise self.wrong(f"{', '.join(sorted(self._left))}: no such option; remove it")
