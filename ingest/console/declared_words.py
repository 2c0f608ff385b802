"""
What gateways declare, in the language of who reads it: what happened, and the next step.

Promises: an event or a reason of a gateway newer than this server is named as it came.
Leaves to others: which events are declared (`gateway.wire`), the words (`words/declared.*.toml`).
"""

from __future__ import annotations

from collections.abc import Callable

from cleanside.ingest.console.wording import has_words

Words = Callable[..., str]
NEWER = "newer"  # key of the words for what this server does not know


def event_said(say: Words, event: str) -> str:
    """What happened."""
    return say(f"declared.{_known(event)}.what", event=event)


def event_step(say: Words, event: str) -> str:
    """What to do about it."""
    return say(f"declared.{_known(event)}.next")


def shed_said(say: Words, reason: str) -> str:
    """Why numbers were shed."""
    known = has_words(f"declared.shed.{reason}")
    return say(f"declared.shed.{reason if known else NEWER}", reason=reason)


def _known(event: str) -> str:
    return event if has_words(f"declared.{event}.what") else NEWER
