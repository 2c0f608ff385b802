"""A name whose look-up hangs costs its own try, and nothing else."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Iterator

import pytest

from cleanside.ingest.errors import AddressRefused
from cleanside.ingest.store.outbox import Delivery
from cleanside.ingest.store.webhook_secrets import Opened
from cleanside.ingest.webhooks import looking_up, sending
from cleanside.ingest.webhooks.looking_up import MOST_LOOK_UPS, looked_up
from cleanside.ingest.webhooks.sending import Failed, Sender, Taken

PUBLIC = "93.184.216.34"
URL = "https://receiver.example/hook"
EVENT = Delivery(1, 7, "waiting", 0, None, 0, None, None, None, "cleanside.state.changed", "s", 0, "{}")
MANY = 40  # more than a loop has threads, on any machine of few processors
HANGS_S = 20.0  # far longer than the test takes where nothing waits for it


class Hanging:
    """A resolver without an answer, until it is let go."""

    def __init__(self) -> None:
        self.let_go = threading.Event()
        self.asked = 0

    def __call__(self, host: str, port: int) -> list[str]:
        self.asked += 1
        self.let_go.wait(HANGS_S)
        raise OSError(f"no answer about {host}:{port}")


@pytest.fixture
def hanging(monkeypatch: pytest.MonkeyPatch) -> Iterator[Hanging]:
    monkeypatch.setattr(sending, "TRY_S", 0.2)
    made = Hanging()
    yield made
    made.let_go.set()
    until_s = time.monotonic() + HANGS_S
    while looking_up._room._value < MOST_LOOK_UPS and time.monotonic() < until_s:
        time.sleep(0.01)


async def _tried(sender: Sender, count: int) -> list[Taken | Failed]:
    webhook = Opened(1, 1, URL, "secret")
    async with sender.client() as http:
        return await asyncio.gather(*(sender.try_once(http, webhook, EVENT) for _ in range(count)))


def test_look_ups_that_hang_hold_up_neither_other_work_nor_the_end(hanging: Hanging) -> None:
    async def work() -> tuple[float, list[Taken | Failed]]:
        tries = asyncio.create_task(_tried(Sender(allowed=(), clock=lambda: 0, resolve=hanging), MANY))
        async with asyncio.timeout(HANGS_S):
            while hanging.asked < MANY:
                await asyncio.sleep(0)
        began_s = time.monotonic()
        await asyncio.to_thread(lambda: None)
        return time.monotonic() - began_s, await tries

    began_s = time.monotonic()
    waited_s, outcomes = asyncio.run(work())
    assert hanging.asked == MANY
    assert {outcome.why.code for outcome in outcomes if isinstance(outcome, Failed)} == {"no_answer"}
    assert waited_s < HANGS_S / 4
    assert time.monotonic() - began_s < HANGS_S / 2


def test_look_ups_that_hang_are_bounded(hanging: Hanging) -> None:
    sender = Sender(allowed=(), clock=lambda: 0, resolve=hanging)
    outcomes = asyncio.run(_tried(sender, MOST_LOOK_UPS + 3))
    assert hanging.asked == MOST_LOOK_UPS
    assert [o.why.code for o in outcomes if isinstance(o, Failed)].count("not_sent") == 3
    hanging.let_go.set()


def test_what_a_look_up_finds_and_what_it_refuses_comes_back() -> None:
    target = asyncio.run(looked_up(URL, (), lambda *_: [PUBLIC]))
    assert target.connect_url == f"https://{PUBLIC}:443/hook"
    with pytest.raises(AddressRefused):
        asyncio.run(looked_up(URL, (), lambda *_: ["10.0.0.1"]))
    with pytest.raises(OSError, match="has no address"):
        asyncio.run(looked_up(URL, (), lambda *_: []))
