"""
What is kept of an assessment of an earlier instant: as much as a later one is compared with, and no more.

Promises: pure. It holds no study, so that looks at a large fleet stay in memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from cleanside.ingest.restriction.verdict.ahead import Quantiles
from cleanside.ingest.restriction.verdict.assess import Assessment


@dataclass(frozen=True, kw_only=True, slots=True)
class LookThen:
    """A housing as it was judged at an earlier instant."""

    state: str
    #: when its element is due [s since 1970]; None: no forecast
    due_s: Quantiles | None
    #: None: not known
    share_used_percent: float | None
    #: causes for mistrust, most likely first
    causes: tuple[str, ...]


def look_of(seen: Assessment) -> LookThen:
    """What is kept of an assessment."""
    return LookThen(
        state=seen.state,
        due_s=seen.due_s,
        share_used_percent=seen.study.share_used_percent,
        causes=tuple(suspicion.cause for suspicion in seen.study.suspicions),
    )
