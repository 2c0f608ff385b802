"""
Whether a body has more in it than was read: a count of its signs. Pure.

Fast parsers read one of two members of the same name, and one of them reads a list in a list as one list, and
a whole number among others as a float. In a body without a backslash each of these shows in a count of
quotation marks, brackets or points.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np


class LookCloser(Exception):
    """A body that is left to the long way (`gateway.wire.decode`)."""


class Signs(NamedTuple):
    """What a value of JSON has in it."""

    #: texts, names of members among them
    texts: int
    lists: int
    #: points in texts and in numbers
    points: int


def signs_of(value: Any) -> Signs:
    """What was read of a body, in Python's types."""
    said = [*_flat(value)]
    return Signs(
        texts=sum(type(one) is str for one in said),
        lists=sum(type(one) is list for one in said),
        points=sum(one.count(".") if type(one) is str else type(one) is float for one in said),
    )


def _flat(value: Any) -> Iterator[Any]:
    """A value, and all names and values inside it."""
    yield value
    if type(value) is dict:
        for name, inner in value.items():
            yield name
            yield from _flat(inner)
    elif type(value) is list:
        for inner in value:
            yield from _flat(inner)


def count(body: bytes, sign: str) -> int:
    """How often a sign of ASCII is in a body; where it is often there, faster than `bytes.count`."""
    return int(np.count_nonzero(np.frombuffer(body, np.uint8) == ord(sign)))
