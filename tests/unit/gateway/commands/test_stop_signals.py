"""
A signal ends a gateway whatever its main thread is doing.

In the middle of stopping it does not wait for itself (`timeout` sends two at once), and a signal that comes
just before a long wait is not left until that wait ends.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from collections.abc import Iterator

import pytest

from cleanside.gateway.commands.stop_signals import SIGNALS, stop_on_signals

WITHIN_S = 20.0  # chosen: far beyond what it takes, so that a hang ends


@pytest.fixture
def _handlers_as_they_were() -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in SIGNALS}
    written_to = signal.set_wakeup_fd(-1)
    yield
    signal.set_wakeup_fd(written_to)
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.usefixtures("_handlers_as_they_were")
@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_while_another_is_handled_is_handled_after_it(number: signal.Signals) -> None:
    lock, calls, done = threading.Lock(), list[str](), threading.Event()

    def stop() -> None:
        assert lock.acquire(timeout=WITHIN_S)  # as the Event's own: not reentrant
        calls.append(threading.current_thread().name)
        if len(calls) == 2:
            done.set()
        lock.release()

    stop_on_signals(stop)
    with lock:  # the main thread is in the middle of a step that holds it
        signal.raise_signal(number)
        signal.raise_signal(number)
    assert done.wait(WITHIN_S)
    assert calls == ["signals", "signals"]


_MAIN_THREAD_SLEEPS = """
import os, signal, threading
from cleanside.gateway.commands.stop_signals import stop_on_signals

def stop():
    print("stopped", flush=True)
    os._exit(0)

stop_on_signals(stop)
# Another thread takes the signal: it does not wake the main one, as if it came just before the wait.
signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
print("waits", flush=True)
threading.Event().wait(3600)
"""


def test_a_signal_that_does_not_wake_the_main_thread_stops_all_the_same() -> None:
    command = [sys.executable, "-c", _MAIN_THREAD_SLEEPS]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "waits\n"
        process.send_signal(signal.SIGTERM)
        try:
            out, _ = process.communicate(timeout=WITHIN_S)
        finally:
            process.kill()
    assert out == "stopped\n"
    assert process.returncode == 0
