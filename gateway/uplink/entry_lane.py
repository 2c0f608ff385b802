"""
Sending what people entered at the machine: when, and what an answer means. Readings never wait for it.

Promises: in order, until an answer of the contract says that the server has them; a server that has less than
before is sent them again. A server of the previous release, which answers 404 there, keeps them on the
machine and is asked again later. Whatever fails here ends no wait and begins none for readings.
Leaves to others: what is kept (`gateway.spool.machine_entries`), the request itself (`gateway.uplink.loop`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from cleanside.gateway.spool.machine_entries import EntriesToSend
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.uplink.decision import BODY_HEADERS, is_refused, problem_code
from cleanside.gateway.uplink.transport import NoAnswer, Outcome, Reply, Request
from cleanside.gateway.wire import ANSWER_MEDIA_TYPE, decode_entries_mark, encode_entries

ENTRIES_PATH: Final = "/v1/device-entries"
_AGAIN_US: Final = 60_000_000  # after it failed: a person's entry is a matter of minutes (chosen)
_LOOK_US: Final = 10_000_000  # while the time of the next entry is not known (chosen)


class EntryLane:
    """The entries of one spool on their way."""

    def __init__(self, spool: Spool, *, ask_every_us: int) -> None:
        """ask_every_us : between two tries at a server that does not know the request."""
        self._spool = spool
        self._ask_every_us = ask_every_us
        self._due_us = 0  # nothing is sent before, on this boot's clock
        self._seen = -1  # `Spool.entries_added` when none was left
        self._questions: Sequence[EntriesToSend] | None = None  # None: not looked up yet

    def ask_again(self) -> None:
        """Another database answers than before: it may have less."""
        self._questions, self._seen, self._due_us = None, -1, 0

    def due(self, now_us: int) -> EntriesToSend | None:
        """What is to be sent now; without entries it is a question. None: nothing now."""
        if now_us < self._due_us:
            return None
        if self._questions is None:
            self._questions = self._spool.entry_streams()
        if self._questions:
            return self._questions[0]
        added = self._spool.entries_added
        if self._seen == added:
            return None
        batch = self._spool.next_entries()
        if batch is None and self._spool.entries_waiting() == 0:
            self._seen = added
        elif batch is None:
            self._due_us = now_us + _LOOK_US
        return batch

    def request(self, batch: EntriesToSend) -> Request:
        """The request that sends them, or asks."""
        body = encode_entries(
            device=self._spool.device, stream=batch.stream, kept_from=batch.kept_from, entries=batch.entries
        )
        return Request(method="POST", path=ENTRIES_PATH, headers=BODY_HEADERS, body=body)

    def answered(self, batch: EntriesToSend, outcome: Outcome, now_us: int) -> str | None:
        """Carry out what the outcome means. Returns why it failed; None: it went well."""
        try:
            mark = _mark(batch, outcome)
        except ValueError as error:
            is_unknown = is_refused(outcome)
            self._due_us = now_us + (self._ask_every_us if is_unknown else _AGAIN_US)
            return str(error)
        self._spool.acknowledge_entries(batch.stream, mark)
        if self._questions and self._questions[0] == batch:
            self._questions = self._questions[1:]
        elif mark < batch.entries[0].seq:  # it took none: no reason to hurry
            self._due_us = now_us + _AGAIN_US
        return None


def _mark(batch: EntriesToSend, outcome: Outcome) -> int:
    """How far the server has the stream. Raises ValueError where it does not say."""
    if isinstance(outcome, NoAnswer):
        raise ValueError(outcome.reason)
    if outcome.status != 200 or outcome.media_type != ANSWER_MEDIA_TYPE:
        raise ValueError(_said(outcome))
    last_sent = batch.entries[-1].seq if batch.entries else None
    return decode_entries_mark(outcome.body, stream=batch.stream, last_sent=last_sent)


def _said(reply: Reply) -> str:
    return f"status {reply.status} {problem_code(reply) or reply.media_type}".strip()
