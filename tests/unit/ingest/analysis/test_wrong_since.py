"""Since when a housing is over its limit, or not trusted."""

from __future__ import annotations

import numpy as np

from cleanside.ingest.analysis.wrong_since import doubted_since_s, over_since_s, told_since_s
from cleanside.ingest.restriction import Suspicion
from cleanside.ingest.restriction.verdict.statement import say

HOURS = np.arange(24.0) * 3_600


def test_over_the_limit_is_dated_by_the_hours_and_one_light_hour_does_not_date_it_anew() -> None:
    level = np.where(HOURS < 8 * 3_600, 5_000.0, 7_000.0)
    level[20] = 3_000.0
    since_s = over_since_s(HOURS, level, 6_200.0)
    assert since_s is not None
    assert 8 * 3_600 <= since_s <= 12 * 3_600
    assert over_since_s(HOURS, np.full(24, 5_000.0), 6_200.0) is None


def test_a_suspicion_that_names_its_first_hour_is_dated_by_it() -> None:
    """Exchanged tubes were dated "now": the sign is turned, so that the newest level is a trusted one."""
    swapped = Suspicion(cause="ports_swapped", evidence=say("reads_below_zero", from_s=7_200.0))
    flat = Suspicion(cause="flat", evidence=say("flat_swing", percent=10.0))
    assert told_since_s([swapped, flat]) == 7_200.0
    assert told_since_s([flat, swapped]) is None
    assert told_since_s([]) is None


def test_doubt_begins_with_the_first_hour_after_the_last_trusted_one() -> None:
    assert doubted_since_s(HOURS, 10 * 3_600.0) == 11 * 3_600
    assert doubted_since_s(HOURS, None) == 0.0
    assert doubted_since_s(HOURS, HOURS[-1]) is None


def test_where_no_hour_of_the_running_element_is_trusted_doubt_begins_with_the_element() -> None:
    """An element taken out and not put back was in doubt since the first reading of the machine."""
    assert doubted_since_s(HOURS, None, began_s=12 * 3_600.0) == 12 * 3_600
    assert doubted_since_s(HOURS, None, began_s=12.5 * 3_600.0) == 13 * 3_600
    assert doubted_since_s(HOURS, None, began_s=-1.0) == 0.0
