"""A signal in the middle of stopping does not make a gateway wait for itself: `timeout` sends two at once."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator

import pytest

from cleanside.gateway.commands.stop_signals import SIGNALS, stop_on_signals

WITHIN_S = 20.0  # chosen: far beyond what it takes, so that a hang ends


@pytest.fixture
def _handlers_as_they_were() -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in SIGNALS}
    yield
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
