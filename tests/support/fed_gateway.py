"""A real gateway process that is given readings all the while, and what the server has of them."""

from __future__ import annotations

import itertools
import threading
from pathlib import Path

import pytest

from cleanside.ingest.store import database
from tests.support import held
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.serving import DEVICE

EVERY_S = 0.02
TRIES_WITHIN_S = 180.0  # beyond the longest pause between two tries on a busy machine; chosen


def _pressure_kpa(number: int) -> float:
    return 3.0 + number % 50 / 100


class FedGateway(threading.Thread):
    """The gateway `run` with one more line of standard input every `EVERY_S`."""

    def __init__(self, folder: Path, *, key: str, server: str) -> None:
        super().__init__(daemon=True)
        self._gateway = GatewayProcess(folder, device=DEVICE, key=key, server=server, ask_every_s=1.0)
        self._enough = threading.Event()
        #: lines that it was given
        self.fed = 0
        #: the most readings that waited in it, of the moments at which somebody looked
        self.most_waiting = 0

    def run(self) -> None:
        self._gateway.start()
        for number in itertools.count(1):
            if self._enough.wait(EVERY_S):
                return
            self._gateway.write({"restriction": _pressure_kpa(number)})
            self.fed = number

    def wait_until_through(self) -> None:
        """Until all that waits in it now is acknowledged."""
        fed = self.fed
        wait_until(lambda: self._took() >= fed, "it takes every line", deadline_s=TRIES_WITHIN_S)
        self.most_waiting = max(self.most_waiting, self._gateway.state().backlog)
        wait_until(lambda: self._gateway.released() >= fed, self._gateway.log(), deadline_s=TRIES_WITHIN_S)

    def _took(self) -> int:
        assert self.is_alive(), self._gateway.log()
        return self._gateway.appended()

    def finish(self) -> None:
        """No more lines; it sends what it has, and ends by itself."""
        self._enough.set()
        self.join()
        self._gateway.end_input()
        assert self._gateway.wait() == 0, self._gateway.log()

    def require_all_there_once(self, database_url: str) -> None:
        """Every line is a reading on the server, in order and once, with its value."""
        [stream] = self._gateway.state().streams
        assert stream.acknowledged_through == stream.appended_through == self.fed > 0
        engine = database.reading_engine(database_url)
        with engine.connect() as connection:
            rows = [row for row in held.stored(connection) if row["stream"] == stream.stream]
        engine.dispose()
        assert [row["seq"] for row in rows] == list(range(1, self.fed + 1))
        assert [row["restriction_pa"] for row in rows] == pytest.approx(
            [1000 * _pressure_kpa(number) for number in range(1, self.fed + 1)]
        )

    def close(self) -> None:
        """Kill it if it still runs."""
        self._enough.set()
        if self.ident is not None:
            self.join()
        self._gateway.close()
