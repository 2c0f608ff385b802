"""
Plans in this process's memory: made once for each problem, one at a time.

Promises: never stale, because the key of a plan is its whole problem. A problem that is proven to have none
is remembered too. At most `MOST_WAITING_FOR_PLANS` wait for the solver; the rest is asked to come back, so
that plans never take all threads of requests. The solver itself lets other threads run.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable

from cleanside.ingest.errors import TryAgain
from cleanside.ingest.planning.visit_plan import VisitPlan, make_visit_plan
from cleanside.ingest.planning.visit_problem import NoVisitPlan, VisitProblem

MOST_KEPT_PLANS = 64  # of some 200 kB each for 300 machines; chosen
NOT_FOUND = "plan_not_found_in_time"  # not proven to have none: it may be found another time
MOST_WAITING_FOR_PLANS = 4  # chosen: of the 40 threads that requests have


class KeptPlans:
    """The plans made last, safe between threads."""

    def __init__(
        self,
        make: Callable[[VisitProblem], VisitPlan] = make_visit_plan,
        *,
        most_waiting: int = MOST_WAITING_FOR_PLANS,
    ) -> None:
        self._make = make
        self._kept: OrderedDict[VisitProblem, VisitPlan | NoVisitPlan] = OrderedDict()
        self._solving = threading.Lock()
        self._waiting = threading.BoundedSemaphore(most_waiting + 1)

    def of(self, problem: VisitProblem) -> VisitPlan:
        """The plan of a problem. Raises NoVisitPlan where there is none, TryAgain where too many wait."""
        if not self._waiting.acquire(blocking=False):
            raise TryAgain("plans_wait", retry_after_s=10)
        try:
            with self._solving:
                found = self._kept.get(problem) or self._made(problem)
                self._keep(problem, found)
        finally:
            self._waiting.release()
        if isinstance(found, NoVisitPlan):
            raise found
        return found

    def known(self, problem: VisitProblem) -> VisitPlan | None:
        """The plan of a problem, if it is remembered; nothing is made, and no thread waits."""
        found = self._kept.get(problem)
        return None if isinstance(found, NoVisitPlan) else found

    def remembered(self) -> list[tuple[VisitProblem, VisitPlan]]:
        """The problems that are remembered with a plan."""
        kept = list(self._kept.items())
        return [(problem, found) for problem, found in kept if not isinstance(found, NoVisitPlan)]

    def __len__(self) -> int:
        """How many problems are remembered."""
        return len(self._kept)

    def _made(self, problem: VisitProblem) -> VisitPlan | NoVisitPlan:
        try:
            return self._make(problem)
        except NoVisitPlan as none:
            return none

    def _keep(self, problem: VisitProblem, found: VisitPlan | NoVisitPlan) -> None:
        if isinstance(found, NoVisitPlan) and found.case == NOT_FOUND:
            return
        self._kept[problem] = found
        self._kept.move_to_end(problem)
        while len(self._kept) > MOST_KEPT_PLANS:
            self._kept.popitem(last=False)
