"""
Signals that ask a gateway to stop, handed to a thread.

Promises: any number of signals at any moment ends in as many calls, one after the other. A handler runs
between two steps of the main thread and may interrupt itself: a lock that it takes there may already be its
own, and it then waits for ever. `SimpleQueue.put` takes none (Python's documentation of `queue`: reentrant).
Leaves to others: what stopping means (`gateway.commands.run`).
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from queue import SimpleQueue
from typing import Final

SIGNALS: Final = (signal.SIGTERM, signal.SIGINT)


def stop_on_signals(stop: Callable[[], None]) -> None:
    """Call `stop` once for each signal that asks for an end. To be called from the main thread."""
    asked: SimpleQueue[None] = SimpleQueue()

    def wait() -> None:
        while True:
            asked.get()
            stop()

    threading.Thread(target=wait, name="signals", daemon=True).start()
    for number in SIGNALS:
        signal.signal(number, lambda *_: asked.put(None))
