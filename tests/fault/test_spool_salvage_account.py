"""
A spool is damaged in the middle of its work: at the end the server's account leaves no number open.

Forty seeded damages in miniature, through a real uplink into a real server: pages of noise, bits, a log that
is gone or cut short, a file cut short, a file that is gone.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.errors import CalledWrongly, SpoolDamaged
from cleanside.gateway.log import unheard
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import SettableClock
from cleanside.gateway.uplink.loop import Uplink
from cleanside.gateway.uplink.transport import Outcome, Reply, Request
from tests.fault.test_spool_rescue import PAGE_BYTES
from tests.support.serving import Api, in_process
from tests.unit.gateway.helpers import DEVICE, open_spool, readings, settable_clock

TRIALS = 40
STATES = ("stored", "quarantined", "discarded", "shed", "gap", "pending")


class Link:
    """The way to the app in this process."""

    def __init__(self, api: Api) -> None:
        self._api = api

    def send(self, request: Request) -> Outcome:
        answer = self._api.request(
            request.method, request.path, key="device", headers=request.headers, content=request.body
        )
        headers = {name.lower(): value for name, value in answer.headers.items()}
        return Reply(status=answer.status_code, headers=headers, body=answer.content)

    def close(self) -> None:
        """Nothing is open."""


class Trial:
    """One spool from its beginning over its damage to its end."""

    def __init__(self, path: Path, api: Api, clock: SettableClock, chance: random.Random) -> None:
        self.path = path
        self.chance = chance
        self.clock = clock
        self.api = api
        #: stream -> how many numbers it gave
        self.given: dict[str, int] = {}
        self.next = 1

    def open(self) -> tuple[Spool, Uplink]:
        spool = open_spool(self.path, self.clock)
        uplink = Uplink(
            spool,
            Link(self.api),
            clock=self.clock,
            random=lambda: 0.5,
            log=unheard,
            max_readings=self.chance.choice((20, 50)),
        )
        return spool, uplink

    def append(self, spool: Spool, count: int) -> None:
        for _ in range(3):
            with suppress(SpoolDamaged):
                numbers = spool.append(readings(self.next, self.next + count - 1))
                self.given[spool.open_stream] = numbers[-1]
                self.next += count
                return

    def work(self) -> None:
        """Append and send by turns; then the key goes off, with the log as it is."""
        spool, uplink = self.open()
        for _ in range(self.chance.randrange(2, 8)):
            for _ in range(self.chance.randrange(1, 5)):
                self.append(spool, self.chance.choice((1, 7, 60)))
            for _ in range(self.chance.randrange(0, 4)):
                self.clock.advance(uplink.step().wait_s)
            if self.chance.random() < 0.3:
                spool._disk.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        off = self.path.with_name("off")
        off.mkdir()
        for part in ("", "-wal", ".mark"):
            shutil.copyfile(f"{self.path}{part}", off / f"a{part}")
        spool.close()
        for part in ("", "-wal", ".mark"):
            shutil.copyfile(off / f"a{part}", f"{self.path}{part}")

    def damage(self) -> str:
        damage: Callable[[], object] = self.chance.choice(
            (self.noise, self.noise, self.bits, self.no_log, self.cut_log, self.cut_file, self.gone)
        )
        damage()
        return damage.__name__

    def noise(self) -> None:
        content = bytearray(self.path.read_bytes())
        for _ in range(self.chance.randrange(1, 4)):
            begin = self.chance.randrange(1, max(2, len(content) // PAGE_BYTES)) * PAGE_BYTES
            content[begin : begin + PAGE_BYTES] = self.chance.randbytes(PAGE_BYTES)
        self.path.write_bytes(content)

    def bits(self) -> None:
        for part in ("", "-wal"):
            path = Path(f"{self.path}{part}")
            content = bytearray(path.read_bytes())
            for _ in range(5 if len(content) > 200 else 0):
                content[self.chance.randrange(100, len(content))] ^= 1 << self.chance.randrange(8)
            path.write_bytes(content)

    def no_log(self) -> None:
        Path(f"{self.path}-wal").unlink()

    def cut_log(self) -> None:
        log = Path(f"{self.path}-wal")
        log.write_bytes(log.read_bytes()[: self.chance.randrange(log.stat().st_size + 1)])

    def cut_file(self) -> None:
        size = self.path.stat().st_size
        self.path.write_bytes(self.path.read_bytes()[: self.chance.randrange(PAGE_BYTES, size + 1)])

    def gone(self) -> None:
        for part in ("", "-wal"):
            Path(f"{self.path}{part}").unlink()

    def go_on(self) -> None:
        spool, uplink = self.open()
        self.append(spool, 2)
        for turn in range(300):
            with suppress(SpoolDamaged):
                more = spool.salvage()
            step = uplink.step()
            self.clock.advance(step.wait_s)
            if step.idle and not more:
                break
            if turn == 20:
                self.append(spool, 1)
        else:
            raise AssertionError("not sent to its end after 300 turns")
        self.append(spool, 1)
        while not uplink.step().idle:
            pass
        spool.close()


@pytest.fixture
def shop(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url, devices=(DEVICE,)) as api:
        api.register(DEVICE)
        yield api


def test_after_any_damage_the_account_leaves_no_number_open(tmp_path: Path, shop: Api) -> None:
    clock = settable_clock()
    left: list[dict[str, Any]] = []
    refused = 0
    for seed in range(TRIALS):
        trial = Trial(tmp_path / f"{seed}" / "a", shop, clock, random.Random(seed))
        trial.path.parent.mkdir()
        shop.clock.now_us = clock.true_us() + 10**13
        trial.work()
        which = trial.damage()
        try:
            trial.go_on()
        except CalledWrongly:  # another's file as far as can be told: it is left alone, and none is begun
            refused += 1
            continue
        lines = {line["stream"]: line for line in shop.account()["streams"]}
        for stream, count in trial.given.items():
            line = lines.get(stream, {})
            states = [line.get(state, 0) for state in STATES]
            is_open = line.get("highest") != count or line["gap"] or line["pending"] or sum(states) != count
            if is_open or not line["balances"]:
                left.append({"trial": seed, "damage": which, "given": count} | line)
    assert left == [], "\n".join(map(str, left))
    assert shop.account()["balances"]
    assert refused <= 2
