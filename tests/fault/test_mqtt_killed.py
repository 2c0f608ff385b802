"""Between broker and spool: whoever is killed at whatever moment, no reading is lost or doubled."""

from __future__ import annotations

import random
import threading
from functools import partial
from pathlib import Path

from cleanside.gateway.spool.peek import span
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.wire import instant_text, parse_instant
from tests.support.brokering import Broker
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.unit.gateway.helpers import settable_clock

READINGS = 300
GATEWAY_KILLS = 5
TOPIC = "crusher-genset-1/intake"


def test_readings_with_their_own_time_are_on_disk_once_whoever_is_killed(tmp_path: Path) -> None:
    chance = random.Random(7)
    begin_us = parse_instant("2026-03-02T06:00:00Z").us
    messages = [{"dp": n / 100, "at": instant_text(begin_us + n * 1_000_000)} for n in range(1, READINGS + 1)]
    with Broker(tmp_path) as broker:
        source = {
            "use": "mqtt",
            "host": "127.0.0.1",
            "port": broker.port,
            "client": "crusher-genset-1",
            "topics": {TOPIC: {"dp": "restriction kPa"}},
        }
        # No server listens at the server's address: the gateway collects.
        gateway = GatewayProcess(
            tmp_path, device="crusher-genset-1-intake", key="k", server="http://127.0.0.1:9", source=source
        )
        try:
            gateway.start()
            while not gateway.appended():  # until the topic is taken nothing published would come
                broker.publish(TOPIC, messages[0])
            publisher = threading.Thread(target=broker.publish, args=(TOPIC, *messages[1:150]))
            publisher.start()
            for _ in range(GATEWAY_KILLS):
                before = gateway.appended()
                more = chance.randint(1, 20)
                wait_until(partial(_holds, gateway, min(150, before + more)), "some more")
                gateway.kill()
                gateway.start()
            publisher.join(60)
            wait_until(lambda: gateway.appended() >= 150, "all so far")
            broker.kill()
            broker.start()
            broker.publish(TOPIC, *messages[150:])
            wait_until(lambda: gateway.appended() >= READINGS, "all of them")
            assert gateway.stop() == 0
        finally:
            gateway.close()
    assert _found(gateway) == [(begin_us + n * 1_000_000, n / 100) for n in range(1, READINGS + 1)]


def _holds(gateway: GatewayProcess, count: int) -> bool:
    return gateway.appended() >= count


def _found(gateway: GatewayProcess) -> list[tuple[int | None, float | None]]:
    """Instant and restriction of every reading in its spool, by instant."""
    found: list[tuple[int | None, float | None]] = []
    with Spool(gateway.spool_path, device=gateway.device, clock=settable_clock()) as spool:
        while (batch := spool.peek()) is not None:
            assert batch.stream is not None
            found += zip(batch.at_us, batch.columns["restriction"], strict=True)
            spool.acknowledge(batch.stream, span(batch)[1])
    return sorted(found, key=lambda one: one[0] or 0)
