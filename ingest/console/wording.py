"""
Every word that a page shows, by key, in each language.

`words/<page>.<language>.toml` holds the words of a page; the key of one is the page and its path in the file:
`fleet.title`, `fleet.summary.over`. A text has places for values, `{hours:hours}`, written as `Sayer` says.
Of a table {one = ..., other = ...} the value `n` chooses. A count that is not `n` brings its noun from
`words/count.*.toml`: {rows:many row}.
Promises: languages have the same keys and the same places (tests/unit/ingest/console/test_wording.py).
"""

from __future__ import annotations

import math
import re
import string
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache, partial
from importlib.resources import files
from typing import Any, NamedTuple

from markupsafe import Markup, escape

from cleanside.ingest.console.formats import Formats, WrittenDays, within_whole

FOLDER = files("cleanside.ingest.console") / "words"
PLURAL = {"one", "other"}
FIRST = "en"  # any of the languages: they have the same keys

#: a date that ends with a stop, at the end of a sentence ("am 9. Dez..")
_TWO_STOPS = re.compile(r"(?<!\.)\.\.(?=\s|<|$)")

#: a text, or the texts of one and of more
Entry = str | Mapping[str, str]


@cache
def table(language: str) -> Mapping[str, Entry]:
    """Every key of a language."""
    found: dict[str, Entry] = {}
    for file in FOLDER.iterdir():
        page, _, rest = file.name.partition(".")
        if rest == f"{language}.toml":
            found |= dict(_flat(page, tomllib.loads(file.read_text(encoding="utf-8"))))
    return found


def one_stop(text: str) -> str:
    """A text in which the stop of a date also ends its sentence: "am 9. Dez.", not "am 9. Dez..". Pure."""
    return _TWO_STOPS.sub(".", text) if ".." in text else text


def has_words(key: str) -> bool:
    """True where a key has words; languages have the same keys."""
    return key in table(FIRST)


def _flat(prefix: str, tree: Mapping[str, Any]) -> Iterator[tuple[str, Entry]]:
    for name, value in tree.items():
        key = f"{prefix}.{name}"
        if isinstance(value, str) or value.keys() == PLURAL:
            yield key, value
        else:
            yield from _flat(key, value)


class Sayer:
    """Says what stands under a key, with its values as the viewer writes them."""

    def __init__(self, language: str, formats: Formats, *, unit: str | None = None) -> None:
        """unit : of the gauge, in which restriction is written; None: kPa."""
        self._language = language
        self._words = table(language)
        self.formats = formats
        self._unit = unit
        self._kinds = _kinds_of(formats, unit)
        #: a text -> its places, each with how this reader's values are written
        self._plain: dict[str, tuple[_Filled, ...]] = {}
        self._of_page: dict[str, tuple[_Filled, ...]] = {}

    def in_unit(self, unit: str | None) -> Sayer:
        """The same words, restriction in another unit."""
        return Sayer(self._language, self.formats, unit=unit)

    def plain(self, key: str, /, **values: Any) -> str:
        """The words of a key as plain text. Raises KeyError for a key without words."""
        template = self._template(key, values)
        places = self._plain.get(template)
        if places is None:
            places = self._plain[template] = self._ready(_places(template))
        return one_stop("".join(_filled(places, values, str)))

    def begun(self, key: str, /, **values: Any) -> Callable[..., str]:
        """What says a key as plain text with the rest of its values: a list says each of its days often."""
        places, text = list[_Filled](), ""
        for before, name, way in self._ready(_places(self._template(key, values))):
            text += before
            if name is None or name not in values:
                places.append((text, name, way))
                text = ""
            else:
                text += "".join(_filled([("", name, way)], values, str))
        places.append((text, None, str))
        return lambda **rest: one_stop("".join(_filled(places, rest, str)))

    def quantity(self, name: str) -> str:
        """What people call a quantity; its name where it has no words: a newer monitor may send it."""
        return self.plain(f"quantity.{name}") if has_words(f"quantity.{name}") else name

    def __call__(self, key: str, /, **values: Any) -> Markup:
        """The words of a key for a page: values are escaped, but for those that are markup already."""
        template = self._template(key, values)
        text = _text_of_page(template)
        if text is not None:
            return text
        places = self._of_page.get(template)
        if places is None:
            places = self._of_page[template] = self._ready(_places_of_page(template))
        return Markup(one_stop("".join(_filled(places, values, escape))))

    def _template(self, key: str, values: Mapping[str, Any]) -> str:
        entry = self._words[key]
        return entry if isinstance(entry, str) else entry["one" if values["n"] == 1 else "other"]

    def _ready(self, places: Sequence[_Place]) -> tuple[_Filled, ...]:
        """Places with their ways, looked up once: a list of hundreds says each of its sentences as often."""
        return tuple((before, name, self.way(kind, more)) for before, name, kind, more in places)

    def way(self, kind: str, more: str) -> Callable[[Any], Any]:
        """How a place wants its value: {hours:hours}, {at:minute}, {n:count}, {rows:many row}."""
        if kind == "many":
            return lambda value: self.plain(f"count.{more}", n=value)
        if kind == "number":
            return partial(self.formats.number, decimals=int(more or 0))
        return self._kinds[kind] if kind else str


#: a piece of a text, the name of the value after it (None: none comes), how that value is written
_Filled = tuple[str, str | None, Callable[[Any], Any]]


def _filled(places: Sequence[_Filled], values: Mapping[str, Any], write: Callable[[Any], str]) -> list[str]:
    """The pieces of a text with its values. write : what a value becomes; markup skips its way."""
    pieces = []
    for before, name, way in places:
        pieces.append(before)
        if name is not None:
            value = values[name]
            pieces.append(write(value if isinstance(value, Markup) else way(value)))
    return pieces


class _Place(NamedTuple):
    """A piece of a text, and the place for a value after it."""

    before: str
    name: str | None  # of the value; None: the text ends without a place
    kind: str  # how it is written; "" : as it is
    more: str  # what the kind takes beside the value


@cache
def _places(template: str) -> tuple[_Place, ...]:
    """The places of a text; each text is taken apart once."""
    return tuple(
        _Place(before, name, *(spec or "").partition(" ")[::2])
        for before, name, spec, _ in string.Formatter().parse(template)
    )


@cache
def _places_of_page(template: str) -> tuple[_Place, ...]:
    """The same with its own words escaped."""
    return _places(str(escape(template)))


@cache
def _text_of_page(template: str) -> Markup | None:
    """A text for a page that has no place for a value, as most; None: it has one."""
    places = _places_of_page(template)
    if any(place.name is not None for place in places):
        return None
    return Markup(one_stop("".join(place.before for place in places)))


def _kinds_of(formats: Formats, unit: str | None) -> Mapping[str, Callable[[Any], Any]]:
    """What a place says -> how its value is written."""
    return {
        "count": formats.number,
        "written": formats.written,
        "restriction": lambda level_pa: formats.restriction(level_pa, unit),
        "pressure": lambda level_pa: formats.of_unit(level_pa / 1e3, "kPa", 1),
        "percent": formats.percent,
        "part": lambda percent: formats.percent(within_whole(percent)),
        "share": lambda share: formats.percent(100 * share),
        "hours": formats.hours,
        "speed": lambda speed_rad_s: formats.of_unit(speed_rad_s * 30 / math.pi, "r/min"),
        "day": formats.day,
        "date": formats.date,
        "minute": formats.minute,
        "dated": formats.dated,
        "second": formats.second,
        "age": formats.age,
        "whole_day": WrittenDays(formats).of,
    }
