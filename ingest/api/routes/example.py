"""
The example request of a route: in its own file, with names of objects as {machine}, {device} and so on.

Tests over all routes make their requests from it, and the story makes the example of the description.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

T = TypeVar("T", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True, kw_only=True)
class RequestExample:
    """
    A request that the route takes.

    body, query : with the name of an owner's object as {kind}. other_body : where it takes another form too.
    plain : members and parameters of this route that name no object of an owner, beside the usual ones.
    """

    body: Any = None
    query: Mapping[str, str] = field(default_factory=dict)
    other_body: Any = None
    plain: frozenset[str] = frozenset()


def example(
    body: Any = None, *, query: Mapping[str, str] | None = None, other_body: Any = None, plain: str = ""
) -> Callable[[T], T]:
    """Show a request of this route. plain : words with spaces between (see `RequestExample`)."""
    shown = RequestExample(
        body=body, query=query or {}, other_body=other_body, plain=frozenset(plain.split())
    )

    def mark(endpoint: T) -> T:
        endpoint.example = shown  # type: ignore[attr-defined]  # a function takes attributes
        return endpoint

    return mark
