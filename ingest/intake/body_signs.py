"""
Whether a body has more in it than was read: a count of its signs. Pure.

Fast parsers read one of two members of the same name, and one of them reads a list in a list as one list, and
a whole number among others as a float. In a body without a backslash each of these shows in a count of
quotation marks, brackets or points.
"""

from __future__ import annotations

from functools import lru_cache
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
    texts = lists = points = 0
    left = [value]
    while left:  # nearly every batch comes here: a loop takes a third of what a generator does
        one = left.pop()
        kind = type(one)
        if kind is str:
            texts += 1
            points += one.count(".")
        elif kind is float:
            points += 1
        elif kind is list:
            lists += 1
            left += one
        elif kind is dict:
            left += one
            left += one.values()
    return Signs(texts, lists, points)


@lru_cache(maxsize=256)
def signs_of_texts(texts: tuple[str, ...]) -> Signs:
    """The same of texts alone; kept, as units and names of columns are the same in nearly every batch."""
    return Signs(len(texts), 0, sum(text.count(".") for text in texts))


def count(body: bytes, sign: str) -> int:
    """How often a sign of ASCII is in a body; where it is often there, faster than `bytes.count`."""
    return int(np.count_nonzero(np.frombuffer(body, np.uint8) == ord(sign)))
