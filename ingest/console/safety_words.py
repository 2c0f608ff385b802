"""
What is said of the safety element: its part, what was worked since it was changed, and what is usual.

Promises: pure. Nothing is measured of it, so its maker's manual decides, and every sentence says so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

Words = TypeVar("Words", bound=str)


def safety_said(
    say: Callable[..., Words], safety: Mapping[str, Any], written: Callable[[str], str] = str
) -> list[Words]:
    """
    Its sentences; none where no part and no entry says that there is one.

    say : words of a key, for a page or as plain text. safety : as `safety_element` of an answer.
    written : how a part number stands on the page.
    """
    if safety["part"] is None and safety["changed_at"] is None:
        return []
    values = {"n": safety["main_changes_since"], "hours": safety["hours_since"]}
    found = [] if safety["part"] is None else [say("safety.part", part=written(safety["part"]))]
    if safety["changed_at"] is None:
        found.append(say("safety.never", **values))
    else:
        found.append(say("safety.since", at=safety["changed_at"], **values))
    return [*found, say("safety.usual" if safety["is_usual_now"] else "safety.manual")]
