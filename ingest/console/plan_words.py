"""
What a page or a letter says of a planned day, and whether it asks a person about it.

Promises: pure; one sentence has one source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

#: less goes without a word, on every page (chosen)
LEAST_CHANCE = 0.05
#: states of a plan that a person is asked about
ASKED = frozenset({"missed", "overtaken"})


def is_asked(planned: Mapping[str, Any] | None) -> bool:
    """True where a planned day needs an answer: it passed, a change came to light, or it is in a lay-up."""
    if planned is None:
        return False
    return planned["state"] in ASKED or (planned["state"] == "open" and bool(planned["in_lay_up"]))


def plan_said(say: Callable[..., str], planned: Mapping[str, Any], *, on: str, by: str) -> str:
    """A planned day in a sentence. on : its day, as the reader writes it. by : whoever planned it."""
    said = say(_key(planned), on=on, by=by, at=planned.get("overtaken_by"))
    if planned["state"] != "open" or planned.get("kept_after") is None:
        return said
    return said + " " + say("fleet.plan_kept", at=planned["kept_after"])


def plan_chance(say: Callable[..., str], planned: Mapping[str, Any] | None, state: str) -> str | None:
    """Chance of being at the limit before a planned day; None: nothing to say, or no day ahead."""
    if planned is None or planned["state"] != "open":
        return None
    return chance_said(say, planned["chance_at_limit_before"], state)


def chance_said(say: Callable[..., str], chance: float | None, state: str) -> str | None:
    """Chance of being at the limit before a day, in one sentence; None: small, or no dates."""
    is_said = state != "over" and chance is not None and chance >= LEAST_CHANCE
    return say("work.chance", share=chance) if is_said else None


def _key(planned: Mapping[str, Any]) -> str:
    if planned["state"] != "open":
        return f"fleet.plan_{planned['state']}"
    return "fleet.planned_in_lay_up" if planned["in_lay_up"] else "fleet.planned"
