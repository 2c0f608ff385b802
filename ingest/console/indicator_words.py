"""
Where the indicator on a housing shows something else than the dates at full flow: one sentence for all pages.

Promises: pure.
Leaves to others: how many days are worth a word (`ingest.shop.indicator_days`), words (`words/work.*.toml`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.shop.indicator_days import FEW_DAYS


def indicator_said(say: Callable[..., str], of: Mapping[str, Any]) -> str:
    """
    What is said of the indicator on a housing where it latched, or is days apart from full flow; "": nothing.

    of : of `/v1/work` and `/v1/visit-plan`. A machine over its limit is changed whatever it shows.
    """
    apart, dates = of.get("indicator_days"), of.get("latch_at")  # a letter of an earlier release has none
    if of["state"] == "over":
        return ""
    if of.get("indicator_latched"):
        return say("work.indicator_latched")
    if not apart or not dates:
        return ""
    key = "work.indicator_earlier" if apart < 0 else "work.indicator_later"
    return say(key, days=abs(apart), at=dates["p50"]) if dates["p50"] else ""


def indicator_apart(say: Sayer, document: Mapping[str, Any], *, is_plain: bool = False) -> str:
    """
    As the lists say it, by the days of who looks.

    document : of `api.routes.restriction.document_of`. is_plain : as plain text, else as markup.
    """
    due, latch, hours = document["due_at"], document["latch_at"], document["latch_hours_left"]
    if due is None or latch is None or not due["p50"] or not latch["p50"]:
        return ""
    apart = (say.formats.moment(latch["p50"]).date() - say.formats.moment(due["p50"]).date()).days
    shown = apart if abs(apart) >= FEW_DAYS else None
    latched = hours is not None and hours["p50"] <= 0
    words = say.plain if is_plain else say
    return indicator_said(words, {**document, "indicator_days": shown, "indicator_latched": latched})
