"""Lists of a body in which an entry has a name: each name once, as with the members of an object."""

from __future__ import annotations

from collections.abc import Sequence
from operator import attrgetter
from typing import Any

from pydantic import AfterValidator

from cleanside.ingest.errors import WrongField


def each_once(*members: str) -> AfterValidator:
    """
    A rule for a list: no two entries have the same name, as the last one would win without a word.

    members : of an entry, which together are its name.
    """
    name_of = attrgetter(*members)

    def check(entries: Sequence[Any]) -> Sequence[Any]:
        names: list[Any] = [name_of(entry) for entry in entries]
        for place, name in enumerate(names):
            first = names.index(name)
            if first < place:
                named = "/".join(name) if isinstance(name, tuple) else name
                raise WrongField("named_twice", name=named, first=first, second=place)
        return entries

    return AfterValidator(check)
