"""
The thread that learns from fleets, and makes what follows from a snapshot ready.

Promises: what fails is logged, and tried again later; it ends once `resources.stopping` is set.
Leaves to others: learning (`knowledge`), looks back (`ready_looks`).
"""

from __future__ import annotations

import logging
import threading

from cleanside.ingest.analysis.knowledge import Snapshots
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.analysis.ready_looks import ReadyLooks
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.writer.resources import Resources

log = logging.getLogger("cleanside.ingest")

LOOK_EVERY_S = 0.5  # whether anything is to be learned (chosen: a look costs next to nothing)


class Learner:
    """A thread that learns: a fit takes seconds, and the summaries must not wait for it."""

    def __init__(
        self, resources: Resources, snapshots_used: Snapshots, memory: Memory, looks: ReadyLooks | None = None
    ) -> None:
        """looks : that are kept ready; None: no request comes to this process."""
        self._resources = resources
        self._snapshots = snapshots_used
        self._memory = memory
        self._looks = looks
        self._thread = threading.Thread(target=self._work, name="learner", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def join(self) -> None:
        """Wait for the end, after `resources.stopping` was set."""
        self._thread.join()

    def _work(self) -> None:
        stopping = self._resources.stopping
        while not stopping.wait(LOOK_EVERY_S):
            try:
                self._learn()
            except TryAgain as error:  # stopping, or the database does not answer
                if not stopping.is_set():
                    log.info("ingest.learning_waits", extra={"reason": error.reason})
            except Exception:
                log.exception("ingest.learning_failed")
        self._snapshots.give_back()

    def _learn(self) -> None:
        looks = self._looks
        before_use = None if looks is None else looks.work_out
        self._snapshots.refresh(self._resources, self._memory, before_use=before_use)
        if looks is not None:
            looks.refresh(self._resources, self._snapshots.of)
