"""
The machine's own indicator at its mark, where no operating hour says so too.

The maker's indicator comes first: with nothing to compare it with, the element is checked. Where operating
hours contradict it, indicator or monitor is wrong: somebody looks which.
Promises: pure. An entry of work on the element, or of the indicator as clear, ends both; an operating hour
since ends the first.
Leaves to others: what an indicator says beside readings (`looked`), what to do (`plain_forms.ADVICE`).
"""

from __future__ import annotations

from collections.abc import Sequence

from cleanside.ingest.restriction.elements.entries import Entry
from cleanside.ingest.restriction.measure.calibration import GaugeLook
from cleanside.ingest.restriction.measure.tuning import Tuning
from cleanside.ingest.restriction.verdict.looked import LIKELY_WRONG, Looked, looked_at
from cleanside.ingest.restriction.verdict.statement import say
from cleanside.ingest.restriction.verdict.suspect import Suspicion

COMPARED_S = 86_400.0  # an operating hour so long before a look can still be compared with it (chosen)
CHECKED_BY = frozenset({"new", "cleaned", "inspected"})


def indicator_at_mark(
    looks: Sequence[GaugeLook],
    entries: Sequence[Entry],
    worked_s: float | None,
    looked: Looked,
    tuning: Tuning,
) -> list[Suspicion]:
    """
    The newest look at the indicator, where it was at its mark and nothing since says otherwise.

    worked_s : start of the newest operating hour; None: there is none. [s since 1970-01-01 UTC]
    looked : the looks beside the readings.
    """
    newest = max(
        (look for look in looks if look.own_indicator and look.latched is not None),
        key=lambda look: look.at_s,
        default=None,
    )
    if newest is None or not newest.latched:
        return []
    if any(entry.what in CHECKED_BY and entry.at_s >= newest.at_s for entry in entries):
        return []
    if worked_s is not None and worked_s >= newest.at_s - COMPARED_S:
        return _at_odds(newest, looked, tuning)
    return [Suspicion(cause="indicator_at_mark", evidence=say("indicator_at_mark", at_s=newest.at_s))]


def _at_odds(newest: GaugeLook, looked: Looked, tuning: Tuning) -> list[Suspicion]:
    """The look, alone beside the readings by then, where it is more likely wrong than right."""
    one = next((seen for seen in looked.seen if seen.look == newest), None)
    if one is None or looked.limit_pa is None:
        return []
    [wrong] = looked_at([one], looked.limit_pa, looked.prior, looked.alone, tuning).wrong
    if wrong < LIKELY_WRONG:
        return []
    evidence = say("indicator_at_odds", at_s=newest.at_s, highest_pa=one.highest_pa, limit_pa=looked.limit_pa)
    return [Suspicion(cause="indicator_at_odds", evidence=evidence)]
