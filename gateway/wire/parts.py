"""
How many parts a body has, counted before any of them becomes an object in memory. Pure.

A part may take three bytes of text and a hundred of memory, so the size of a body bounds too little.
"""

from __future__ import annotations

from collections.abc import Callable

from cleanside.gateway.wire.coded import Sentences, text_of
from cleanside.gateway.wire.limits import MAX_NESTED, MAX_READINGS, MAX_VALUES, BatchRefused, Problem

#: sentence of a body with too many parts
_SENTENCES: Sentences = {
    "too_many_nested": (
        "{found} objects and lists; a batch takes at most {most} of them and {readings} readings; split it"
    ),
    "too_many_values": "{found} values; a batch takes at most {most} and {readings} readings; split it",
}


def _count(body: bytes, sign: str) -> int:
    return body.count(sign.encode())


def refuse_too_many_parts(body: bytes, *, count: Callable[[bytes, str], int] = _count) -> None:
    """
    Refuse a body with more parts than a batch of the most readings has. Raises BatchRefused (422).

    count : how often a sign of ASCII is in a body. Signs within texts count too: names have none of them.
    """
    if len(body) > MAX_NESTED:
        _require(count(body, "{") + count(body, "["), MAX_NESTED, "too_many_nested")
    if len(body) > MAX_VALUES:
        _require(count(body, ","), MAX_VALUES, "too_many_values")


def _require(found: int, most: int, code: str) -> None:
    if found > most:
        values = {"found": found, "most": most, "readings": MAX_READINGS}
        raise BatchRefused(422, [Problem("#", text_of(_SENTENCES, code, values), code, values)])
