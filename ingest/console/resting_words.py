"""
What an entry means that no reading could confirm yet, and what holds without it, in the reader's language.

Promises: pure. Fleet, machine, visit and work list say it from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from cleanside.ingest.console.wording import Sayer

STATED = frozenset({"over", "due", "suspect"})  # states that say more than a date


def resting_said(say: Sayer, resting: Mapping[str, Any] | None, *, is_short: bool = False) -> Markup | None:
    """
    Which entry the figures rest on, by when it is confirmed, and what stood before; None: no entry.

    is_short : for a row of a list.
    """
    if resting is None:
        return None
    what = say(f"work.what.{resting['what']}")
    look_by = resting["look_by"]
    is_ahead = look_by is not None and say.formats.moment(look_by).timestamp() > say.formats.now_s
    values = {"what": what, "at": resting["changed_at"], "by": look_by}
    form = "by" if is_ahead else "open"
    entry = say(f"fleet.resting.short_{form}" if is_short else f"fleet.resting.{form}", **values)
    return entry + " " + _otherwise(say, resting["otherwise"])


def _otherwise(say: Sayer, otherwise: Mapping[str, Any]) -> Markup:
    state, used, due = otherwise["state"], otherwise["share_used_percent"], otherwise["due_at"]
    likely = None if due is None else due["p50"]
    if state in STATED or used is None or likely is None:
        return say("fleet.resting.otherwise_state", state=say(f"state.{state}"))
    return say("fleet.resting.otherwise", used=used, likely=likely)
