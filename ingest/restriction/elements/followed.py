"""
What followed from a run of steps, one after the other, kept for the next run that begins with the same steps.

Promises: the same values as without it, because a step is taken again only where it and all before it rest on
equal values; threads may share it.
Leaves to others: what a step rests on, and what follows from it (`explain`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Generic, NamedTuple, TypeVar

T = TypeVar("T")


class FollowedStep(NamedTuple, Generic[T]):
    """One step of a run."""

    rests_on: Any  # all that what follows depends on beside the steps before; compared by value
    follows: Callable[[Any], T]  # from what the step before gave; from None at the first


class Followed(Generic[T]):
    """The last run, and what followed from each of its steps."""

    def __init__(self) -> None:
        self._last: tuple[tuple[Any, T], ...] = ()

    def along(self, steps: Iterable[FollowedStep[T]]) -> list[T]:
        """What follows from each step of a run, in order."""
        last, found = self._last, list[tuple[Any, T]]()
        is_same, value = True, None
        for number, step in enumerate(steps):
            is_same = is_same and number < len(last) and bool(last[number][0] == step.rests_on)
            value = last[number][1] if is_same else step.follows(value)
            found.append((step.rests_on, value))
        self._last = tuple(found)
        return [value for _, value in found]
