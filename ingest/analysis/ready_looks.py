"""
Looks back that people will take, worked out in the background before they ask.

A look at a fleet a week ago studies each housing again: seconds for a few hundred. So those that people are
likely to take are made after a start, after each midnight, and by each new snapshot before its first use.
Promises: a look that was made ahead is the one a request would make (`back_then`). At most `LOOKS_AHEAD` of
an owner; the work stands back for intake and rests `ROUND_REST_TIMES` as long as it took. Nothing is
written: after a start it is worked out again.
Leaves to others: the look itself (`back_then`), the thread (`learner`).
"""

from __future__ import annotations

import logging
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Sequence
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.analysis.assessment import SnapshotInUse
from cleanside.ingest.analysis.back_then import SPAN_DAYS, PastLooks, back_then, midnight_us
from cleanside.ingest.analysis.knowledge import in_pieces
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.analysis.working_out import WorkingOut
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store import calendars, fleet, message_choices
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.writer.resources import Resources

log = logging.getLogger("cleanside.ingest")

LOOKS_AHEAD = 4  # of an owner; chosen: two zones and two spans
LEAST_ROUND_REST_S = 30.0  # between two rounds: soon after midnight a look is ready; chosen
ROUND_REST_TIMES = 20.0  # as long as a round took: a twentieth of the time, as learning takes; chosen
FAILED_ROUND_REST_S = 600.0  # the same data would mostly fail again; chosen
FIRST_ZONE = "UTC"  # where no person has said a zone yet: that of an address without one


class Span(NamedTuple):
    """How far back a person looks, and where their days begin."""

    days: int
    zone: str


class ReadyLooks:
    """The looks of each owner that are kept ready, safe between threads."""

    def __init__(
        self, memory: Memory, past: PastLooks, monotonic_s: Callable[[], float] = time.monotonic
    ) -> None:
        """memory : with the summaries of now."""
        self._memory, self._past = memory, past
        self._monotonic_s = monotonic_s
        self._asked: dict[int, OrderedDict[Span, None]] = {}
        self._not_before_s = 0.0
        self._lock = threading.Lock()

    def note(self, owner_id: int, span: Span) -> None:
        """A person looked back: the same look is ready from now on."""
        with self._lock:
            asked = self._asked.setdefault(owner_id, OrderedDict())
            asked[span] = None
            asked.move_to_end(span)
            if len(asked) > LOOKS_AHEAD:
                asked.popitem(last=False)

    def spans(self, connection: sa.Connection, owner_id: int) -> Sequence[Span]:
        """The looks of an owner that are kept ready: those taken last, then a week in its people's zones."""
        with self._lock:
            asked = list(reversed(self._asked.get(owner_id, ())))
        zones = {
            *message_choices.zones_of_owner(connection, owner_id),
            *calendars.zones_of_owner(connection, owner_id),
        }
        likely = [Span(SPAN_DAYS, zone) for zone in sorted(zones) or [FIRST_ZONE]]
        return list(dict.fromkeys((*asked, *likely)))[:LOOKS_AHEAD]

    def work_out(self, resources: Resources, owner_id: int, known: SnapshotInUse) -> None:
        """Make the looks of an owner by a snapshot, those that are not in memory."""
        horizon_days = float(resources.settings.planning_horizon_days)
        with resources.reading() as connection:
            spans = self.spans(connection, owner_id)
        for then_us in sorted({midnight_us(resources.clock(), *span) for span in spans}):

            def look(connection: sa.Connection, piece: Sequence[HousingRow], then_us: int = then_us) -> None:
                back_then(
                    connection,
                    self._memory,
                    self._past,
                    known,
                    piece,
                    then_us,
                    horizon_days=horizon_days,
                    working_out=WorkingOut(waits=False),
                )

            in_pieces(resources, owner_id, look)

    def refresh(self, resources: Resources, in_use: Callable[[sa.Connection, int], SnapshotInUse]) -> None:
        """
        Make what is missing, of all owners, after a rest. in_use : the snapshot of an owner.

        Raises TryAgain while the server stops. One owner's failure stops no other.
        """
        began_s = self._monotonic_s()
        if began_s < self._not_before_s:
            return
        with resources.reading() as connection:
            known = {owner_id: in_use(connection, owner_id) for owner_id in fleet.every_owner(connection)}
        least_rest_s = LEAST_ROUND_REST_S
        for owner_id, snapshot in known.items():
            try:
                self.work_out(resources, owner_id, snapshot)
            except (TryAgain, sa.exc.SQLAlchemyError):  # the database, for all of them
                raise
            except Exception:
                log.exception("ingest.looks_failed", extra={"owner": owner_id})
                least_rest_s = FAILED_ROUND_REST_S
        took_s = self._monotonic_s() - began_s
        self._not_before_s = self._monotonic_s() + max(least_rest_s, ROUND_REST_TIMES * took_s)
