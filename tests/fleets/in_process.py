"""
The app in this process as an observer: no other process, no port.

It learns the fleet every evening, or every few; a server does so on a schedule of its own.
"""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

from tests.fleets.observing import Observation, watch
from tests.fleets.rest import RestObserver
from tests.fleets.truth import Fleet
from tests.support.databases import migrated_sqlite
from tests.support.serving import Api, in_process, summarise_all


def watch_in_process(fleet: Fleet, folder: Path, *, learns_every: int = 1) -> list[Observation]:
    """
    What the app says of a fleet, evening by evening.

    folder : for its database. learns_every : so many evenings.
    """
    devices = [readings.device for machine in fleet.machines for readings in machine.readings]
    with in_process(migrated_sqlite(folder), devices=devices) as api:
        return watch(fleet, _observer(api, fleet, learns_every))


def _observer(api: Api, fleet: Fleet, learns_every: int) -> RestObserver:
    """Asks the app, and sets its clock to the fleet's time."""
    evenings = itertools.count(1)

    def answered(reply: Any) -> dict[str, Any]:
        assert reply.status_code == 200, reply.text
        return dict(reply.json())

    def ask(method: str, path: str, body: dict[str, Any] | None) -> dict[str, Any]:
        return answered(api.get(path) if method == "GET" else api.post(path, body))

    def post(device: str, body: bytes) -> dict[str, Any]:
        del device  # one key is bound to all of them
        headers = {"Content-Type": "application/json"}
        return answered(api.request("POST", "/v1/readings", key="device", content=body, headers=headers))

    def set_time(now_s: float) -> None:
        api.clock.now_us = round(now_s * 1e6)

    def settle() -> None:
        if next(evenings) % learns_every:
            summarise_all(api.resources)
        else:
            api.analyse()

    return RestObserver(fleet, ask, post, set_time=set_time, settle=settle)
