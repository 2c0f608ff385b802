"""
Options of a source, read strictly: unknown ones are refused, texts become numbers only where asked for.

Leaves to others: what the options mean.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from cleanside.gateway.errors import SourceWrong
from cleanside.gateway.units import QUANTITIES, accepts, offered, own_name, suggest_unit
from cleanside.gateway.wire import did_you_mean


class Options:
    """Takes options one by one; `done` refuses those that the source did not take."""

    def __init__(self, source: str, given: Mapping[str, Any]) -> None:
        self._source = source
        self._left = dict(given)
        self._known: set[str] = set()

    def _take(self, name: str, default: Any = None) -> Any:
        self._known.add(name)
        return self._left.pop(name, default)

    def wrong(self, code: str, /, **values: Any) -> SourceWrong:
        """An error about this source. code, values : of its sentence."""
        return SourceWrong(code, source=self._source, **values)

    def text(self, name: str, default: str | None = None) -> str | None:
        """A text, or the default."""
        value = self._take(name, default)
        if value is not None and not isinstance(value, str):
            raise self.wrong("option_not_a_text", name=name, value=value)
        return value

    def needed(self, name: str) -> str:
        """A text that has to be given."""
        value = self.text(name)
        if not value:
            raise self.wrong("option_missing", name=name)
        return value

    def number(
        self, name: str, default: float | None = None, *, above: float = 0.0, none: str | None = None
    ) -> float | None:
        """A number above a bound, or the default. none : a word that stands for no number."""
        value = self._take(name, default)
        if value is None or value == none:
            return None
        try:
            number = float(value)
        except (TypeError, ValueError):
            if none:
                raise self.wrong(
                    "option_not_above_nor", name=name, value=value, above=above, none=none
                ) from None
            raise self.wrong("option_not_above", name=name, value=value, above=above) from None
        if not above < number < float("inf"):
            raise self.wrong("option_not_above", name=name, value=value, above=above)
        return number

    def whole(self, name: str, default: int, *, lowest: int, highest: int) -> int:
        """A whole number within bounds, both allowed, or the default."""
        value = self._take(name, default)
        number = int(value) if isinstance(value, str) and value.isdecimal() else value
        if type(number) is not int or not lowest <= number <= highest:
            raise self.wrong(
                "option_not_a_whole_number", name=name, value=value, lowest=lowest, highest=highest
            )
        return number

    def one_of(self, name: str, default: str, *, words: Sequence[str]) -> str:
        """One of a few words, or the default."""
        value = self._take(name, default)
        if value not in words:
            raise self.wrong("option_not_one_of", name=name, value=value, words=", ".join(words))
        return str(value)

    def switch(self, name: str) -> bool:
        """True or false; false where it is not given."""
        value = self._take(name, False)
        if value in (True, "true", "yes"):
            return True
        if value in (False, "false", "no"):
            return False
        raise self.wrong("option_not_a_switch", name=name, value=value)

    def path(self, name: str) -> Path | None:
        """A path, or None where it is not given."""
        text = self.text(name)
        return None if text is None else Path(text).expanduser()

    def texts(self, name: str) -> Sequence[str]:
        """A list of texts, or an empty one."""
        value = self._take(name, [])
        if not isinstance(value, list) or not all(isinstance(entry, str) for entry in value):
            raise self.wrong("option_not_a_list_of_texts", name=name, value=value)
        return value

    def wholes(self, name: str, *, lowest: int, highest: int) -> Sequence[int]:
        """A list of whole numbers within bounds, or an empty one."""
        value = self._take(name, [])
        if not isinstance(value, list) or any(
            type(n) is not int or not lowest <= n <= highest for n in value
        ):
            raise self.wrong(
                "option_not_a_list_of_whole_numbers", name=name, value=value, lowest=lowest, highest=highest
            )
        return value

    def address(self, name: str) -> int | None:
        """An address on a bus, 0 to 253, or None where it is not given."""
        value = self._take(name, None)
        if value is None:
            return None
        number = int(value, 0) if isinstance(value, str) and value[:1].isdecimal() else value
        if type(number) is not int or not 0 <= number <= 253:
            raise self.wrong("option_not_an_address", name=name, value=value)
        return number

    def table(self, name: str) -> dict[str, Any]:
        """A table of anything, or an empty one."""
        value = self._take(name, {})
        if not isinstance(value, Mapping):
            raise self.wrong("option_not_a_table", name=name, value=value)
        return dict(value)

    def columns(self, name: str) -> dict[str, tuple[str, str]]:
        """A table: column -> (quantity, unit), given as "quantity unit"; the unit has to fit."""
        given = self._take(name, None)
        if not isinstance(given, Mapping) or not given:
            raise self.wrong("columns_missing", name=name)
        return {str(column): self.quantity(f"{name}.{column}", meaning) for column, meaning in given.items()}

    def units(self, name: str) -> dict[str, str]:
        """A table: quantity -> unit that measures it."""
        given = self._take(name, None)
        if not isinstance(given, Mapping) or not given:
            raise self.wrong("units_missing", name=name)
        return dict(
            self.quantity(f"{name}.{quantity}", f"{quantity} {unit}") for quantity, unit in given.items()
        )

    def quantity(self, where: str, meaning: Any) -> tuple[str, str]:
        """A text "quantity unit", its unit one that measures it. where : said in errors."""
        quantity, _, unit = str(meaning).partition(" ")
        if quantity not in QUANTITIES:
            raise self.wrong(
                "quantity_unknown", where=where, quantity=quantity, quantities=", ".join(QUANTITIES)
            )
        if not accepts(unit, quantity):
            likely = suggest_unit(unit, quantity)
            raise self.wrong(
                "unit_not_accepted",
                where=where,
                unit=unit,
                quantity=quantity,
                likely=likely,
                accepted=", ".join(offered(quantity)),
            )
        return quantity, own_name(unit, quantity)

    def done(self) -> None:
        """Refuse options that the source did not take."""
        if self._left:
            names = ", ".join(f"{name}{did_you_mean(name, self._known)}" for name in sorted(self._left))
            raise self.wrong("option_unknown", options=names)
