"""
Signals that ask a gateway to stop, handed to a thread.

Promises: any number of signals at any moment ends in as many calls, one after the other. A handler in Python
would run between two steps of the main thread, which has two faults. It may interrupt itself, and then wait
for ever for a lock that is already its own. And a signal that comes just before the main thread begins to
wait is handled when that wait ends, an hour later. So the interpreter writes the number of each signal to a
socket at once (Python's documentation of `signal.set_wakeup_fd`), and the thread reads it there.
Leaves to others: what stopping means (`gateway.commands.run`).
"""

from __future__ import annotations

import signal
import socket
import threading
from collections.abc import Callable
from typing import Final

SIGNALS: Final = (signal.SIGTERM, signal.SIGINT)


def stop_on_signals(stop: Callable[[], None]) -> None:
    """Call `stop` once for each signal that asks for an end. To be called from the main thread."""
    read_from, written_to = socket.socketpair()
    written_to.setblocking(False)

    def wait() -> None:
        while numbers := read_from.recv(64):
            for number in numbers:
                if number in SIGNALS:
                    stop()

    threading.Thread(target=wait, name="signals", daemon=True).start()
    # The file descriptor alone is passed on: it must stay open for as long as signals may come.
    signal.set_wakeup_fd(written_to.detach(), warn_on_full_buffer=False)
    for number in SIGNALS:
        signal.signal(number, lambda *_: None)
