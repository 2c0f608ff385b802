"""
Hours in which a monitor sent, and restriction was not among what it sent.

A monitor whose transducer died goes on sending: nothing at all in its readings, or what the engine's control
unit tells it. Its housing is heard, so silence says nothing, and its last level stays as it was.
Promises: computed over time-ordered summaries alone. One hour with restriction ends it.
Leaves to others: what to do about it (`plain_forms.ADVICE`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.forecast.duty import Duty
from cleanside.ingest.restriction.measure.summary import EVIDENCE, BoolArray, Summaries
from cleanside.ingest.restriction.verdict.statement import say
from cleanside.ingest.restriction.verdict.suspect import Suspicion

#: hours of sending without restriction that are a fault, for a machine that works less a day: a long shift
#: with its breaks (chosen: a sensor that warms up, or a line that is read late, is done within the hour)
LEAST_HOURS = 12.0
#: what an hour keeps of its readings beside restriction; all NaN: no quantity that counts was among them
_OTHERS = (
    *("ambient_pressure_pa", "temperature_k", "altitude_m", "last_supply_voltage_v"),
    *("last_engine_speed_rad_s", "latitude_deg", "longitude_deg"),
)


class HoursUnread(NamedTuple):
    """What the newest hours of a housing lack."""

    hours: int  # in which something was sent, since the last one with restriction
    restriction_s: float | None  # newest reading of that one; None: there never was one. [s since 1970 UTC]
    measured_s: float | None  # newest reading of the last hour with any quantity; None: there never was one


def unread_of(table: Summaries) -> HoursUnread:
    """table : the hours of a housing as all its devices saw them."""
    last_s = table.column("last_s")
    with_restriction = _has_restriction(table)
    read = np.flatnonzero(with_restriction)
    since = int(read[-1]) + 1 if len(read) else 0
    others = np.flatnonzero(np.any([~np.isnan(table.hours[name][since:]) for name in _OTHERS], axis=0))
    measured = since + int(others[-1]) if len(others) else since - 1
    return HoursUnread(
        hours=len(table) - since,
        restriction_s=float(last_s[since - 1]) if since else None,
        measured_s=float(last_s[measured]) if measured >= 0 else None,
    )


def _has_restriction(table: Summaries) -> BoolArray:
    """Hours with a reading of restriction, shape (n,)."""
    of_restriction_alone = table.hours["evidence"] == EVIDENCE.index("restriction")
    unanswered = ~np.isnan(table.column("unanswered_s"))  # it was read, and is left out of the bins
    return np.asarray(table.working | (table.hours["off_count"] > 0) | of_restriction_alone | unanswered)


def no_restriction(unread: HoursUnread, duty: Duty) -> list[Suspicion]:
    """More than a usual day's work was sent without restriction."""
    if unread.hours <= max(LEAST_HOURS, duty.hours_per_day):
        return []
    if unread.restriction_s is None:
        return [Suspicion(cause="no_restriction", evidence=say("never_restriction", hours=unread.hours))]
    evidence = say("no_restriction", at_s=unread.restriction_s, hours=unread.hours)
    return [Suspicion(cause="no_restriction", evidence=evidence)]
