"""The real spool on disk against a plain list, through any sequence of calls and restarts."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.wire import decode, encode
from tests.unit.gateway.helpers import open_spool, reading, settable_clock


class SpoolAgainstList(RuleBasedStateMachine):
    """The model: what was appended, in order; how far it was acknowledged; what was given up."""

    @initialize()
    def begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp())
        self.clock = settable_clock()
        self.spool = open_spool(self.folder / "a", self.clock)
        self.stream = self.spool.open_stream
        self.appended: list[int] = []  # seq - 1 -> reading
        self.mark = 0
        self.shed: dict[int, str] = {}
        self.pruned: set[int] = set()

    def teardown(self) -> None:
        if hasattr(self, "spool"):
            self.spool.close()
            assert verify(self.folder / "a") == []
            shutil.rmtree(self.folder)

    @rule(count=st.integers(0, 30))
    def append(self, count: int) -> None:
        first = len(self.appended) + 1
        numbers = self.spool.append([reading(n) for n in range(first, first + count)])
        assert numbers == range(first, first + count)
        self.appended += list(numbers)

    @rule(most=st.integers(1, 50), max_bytes=st.integers(1, 2000), part=st.floats(0, 1))
    def peek_and_acknowledge(self, most: int, max_bytes: int, part: float) -> None:
        batch = self.spool.peek(max_readings=most, max_bytes=max_bytes)
        waiting = range(self.mark + 1, len(self.appended) + 1)
        if batch is None:
            assert not waiting
            return
        held = list(batch.seq or ())
        last = max([*held, *(entry.last for entry in batch.shed)])
        declared = {n: entry.reason for entry in batch.shed for n in range(entry.first, entry.last + 1)}
        assert sorted([*held, *declared]) == list(range(self.mark + 1, last + 1)), (
            "a number is left out or told twice"
        )
        assert declared == {n: self.shed[n] for n in declared}
        assert batch.columns.get("engine_speed", []) == held
        assert len(held) <= most
        assert decode(encode(batch)).columns == batch.columns
        through = self.mark + int(part * (last - self.mark))
        self.spool.acknowledge(self.stream, through)
        self.mark = max(self.mark, through)

    @rule(part=st.floats(0, 1))
    def rewind(self, part: float) -> None:
        through = int(part * self.mark)
        self.spool.rewind(self.stream, through)
        if through < self.mark:
            for n in range(through + 1, self.mark + 1):
                if n in self.pruned:
                    self.shed.setdefault(n, "pruned_after_ack")
            self.mark = through

    @precondition(lambda self: self.appended)
    @rule(
        first=st.floats(0, 1), length=st.integers(0, 10), reason=st.sampled_from(["disk_budget", "refused"])
    )
    def give_up(self, first: float, length: int, reason: str) -> None:
        begin = 1 + int(first * (len(self.appended) - 1))
        end = min(begin + length, len(self.appended))
        self.spool.shed(self.stream, begin, end, reason=reason)
        for n in range(begin, end + 1):
            self.shed.setdefault(n, reason)
            self.pruned.discard(n)

    @rule()
    def prune(self) -> None:
        if self.spool._room.prune():
            # Nothing older is left in the spool: what was declared there needs no second word with reason,
            # but for a range that goes on above the mark.
            self.pruned |= set(range(1, self.mark + 1))
            first = self.mark + 1
            while first in self.shed and self.shed.get(first - 1) == self.shed[first]:
                first -= 1
            self.shed = {n: reason for n, reason in self.shed.items() if n >= first}

    @rule()
    def restart(self) -> None:
        self.spool.close()
        self.spool = open_spool(self.folder / "a", self.clock)
        assert self.spool.open_stream == self.stream

    @invariant()
    def the_account_balances(self) -> None:
        if not hasattr(self, "spool"):
            return
        whole = self.spool.state()
        assert whole.held == len(self.appended) - len(self.pruned | self.shed.keys())
        (state,) = whole.streams
        waiting = [n for n in range(self.mark + 1, len(self.appended) + 1) if n not in self.shed]
        assert state.acknowledged_through == self.mark
        assert state.appended_through == len(self.appended)
        assert state.backlog == len(waiting)


TestSpoolAgainstList = SpoolAgainstList.TestCase
TestSpoolAgainstList.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
