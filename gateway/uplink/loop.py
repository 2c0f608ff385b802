"""
The loop that sends the readings of the spool, in order, until the server acknowledges them.

Promises: one batch in flight. A batch is sent again until an answer of the contract releases it. The loop
asks the server for its marks, so a lost reply costs a question, no repeat, and never a reading: for the
present stream after an error; for every stream of the spool at start, at intervals, and at once where the id
of the database has changed. So a restored server gets its missing readings. The loop uses the server's time
where the link is trusted.
Leaves to others: what an answer means (`gateway.uplink.decision`), the network (`gateway.uplink.transport`),
the disk.
"""

from __future__ import annotations

import gzip
import json
import logging
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from cleanside.gateway.errors import SpoolFull, SpoolUnavailable, TryAgain, UnknownStream
from cleanside.gateway.log import Log
from cleanside.gateway.private import hidden
from cleanside.gateway.spool.peek import span
from cleanside.gateway.spool.queue import MAX_BATCH_BYTES, MAX_BATCH_READINGS, Spool
from cleanside.gateway.timing.clock import Anchor, Clock
from cleanside.gateway.uplink.asking import decide_marks, question
from cleanside.gateway.uplink.decision import (
    BODY_HEADERS,
    CODINGS,
    LONGEST_WAIT_S,
    Decision,
    LinkState,
    Sent,
    back_off,
    batch_limit,
    decide,
    is_refused,
)
from cleanside.gateway.uplink.declaring import declaration, is_confirmed
from cleanside.gateway.uplink.entry_lane import EntryLane
from cleanside.gateway.uplink.link_view import LinkView
from cleanside.gateway.uplink.network import Network
from cleanside.gateway.uplink.server_time import Exchange, anchor_of
from cleanside.gateway.uplink.transport import NoAnswer, Outcome, Reply, Request, Transport
from cleanside.gateway.wire import (
    ANSWER_MEDIA_TYPE,
    DATABASE_HEADER,
    MAX_INTEGER,
    MAX_STREAMS_ASKED,
    PROBLEM_MEDIA_TYPE,
    Batch,
    Opaque,
    datetime_of,
    encode,
    zstd,
)

DEFAULT_LINGER_S: Final = (
    5.0  # chosen: a live reading is sent within five seconds, with those of the same time
)
DEFAULT_ASK_EVERY_S: Final = 300.0  # chosen: a copied database is noticed in five minutes; 150 kB a day
IDLE_S: Final = 60.0  # between two turns when nothing wakes the loop
_SPOOL_WAIT_S: Final = 5.0  # after the disk failed
_LOOK_AT_NETWORK_S: Final = 2.0  # while the link fails; chosen: a link is used within seconds
_EARLY_EVERY_US: Final = 10_000_000  # least time between two early tries (chosen)
_SPREAD_S: Final = 3.0  # machines that come into coverage together spread their tries over so long (chosen)
_LOOK_AT_CLOCK_US: Final = 60_000_000  # between two checks of the machine's own anchor
_NOTE_EVERY_US: Final = 60_000_000  # between two notes for `status`, to spare the disk
_DECLARE_AGAIN_US: Final = 60_000_000  # after it failed: readings go first meanwhile (chosen)
_LEAST_WORTH_PACKING: Final = 256  # bytes; below it compression adds more than it saves


@dataclass(frozen=True, kw_only=True, slots=True)
class Turn:
    """The outcome of one turn of the loop."""

    #: seconds without a request; 0: continue at once
    wait_s: float = 0.0
    #: there is nothing to send now
    idle: bool = False
    #: "link", "server", "key" or "disk", where there is a wait; "clock" or "readings" where it is idle
    waits_for: str | None = None
    decision: Decision | None = None


class Uplink:
    """Sends one spool to one server."""

    def __init__(
        self,
        spool: Spool,
        transport: Transport,
        *,
        clock: Clock,
        random: Callable[[], float],
        log: Log,
        wake: threading.Event | None = None,
        linger_s: float = DEFAULT_LINGER_S,
        max_readings: int = MAX_BATCH_READINGS,
        max_bytes: int = MAX_BATCH_BYTES,
        network: Network | None = None,
        ask_every_s: float = DEFAULT_ASK_EVERY_S,
    ) -> None:
        """
        network : checked while the link fails, so that a link that comes back is used at once; None: waits
        end by themselves.
        random : returns numbers from 0 to 1, for the jitter. wake : set when there is something new to send.
        linger_s : how long a new reading may wait for others when there is no backlog.
        ask_every_s : longest time between two questions for the marks of all streams.
        """
        self.state = LinkState(limit=max_readings, longest_wait_s=min(LONGEST_WAIT_S, ask_every_s))
        self.wake = wake if wake is not None else threading.Event()
        self._spool = spool
        self._transport = transport
        self._clock = clock
        self._random = random
        self._log = log
        self._linger_s = linger_s
        self._max_bytes = max_bytes
        self._network = network
        self._early_us: int | None = None  # when a wait was last cut short
        self._sent: dict[str, int] = {}  # stream -> highest number this process sent
        self._kept: dict[str, int] = {}  # stream -> the same as the spool has it
        self._at_start: dict[str, int] = {}  # stream -> highest number that an earlier process may have sent
        self._looked_us: int | None = None
        self._asked_us = 0
        self._ask_every_s = ask_every_s
        self._ask_all_us = 0  # when to ask about every stream again, on this boot's clock; 0: at once
        self._left: list[str] = []  # streams to ask about one by one: the server is of the previous release
        self._ask_next_us = self._ask_apart_us = 0
        self._declare_us = 0  # when to look again for events to be confirmed, on this boot's clock
        self._events_seen = -1  # `Spool.events_added` when all were confirmed
        self._database: str | None = None  # id of the database that answered last
        self._entries = EntryLane(spool, ask_every_us=round(ask_every_s * 1e6))
        self._no_room: set[tuple[str, int]] = set()  # rewinds (stream, mark) for which the disk has no room
        self._run = secrets.token_hex(4)  # with a number it identifies a request, also across restarts
        self._requests = 0
        self._before: Anchor | None = None  # the last anchor from the server in this boot
        self._rate = _Rate(clock)
        #: the state of the link, for `status`
        self.view = LinkView(clock.since_boot_us)

    def run(self, stop: threading.Event) -> None:
        """Send until `stop` is set. Set `wake` with it."""
        while not stop.is_set():
            self.wake.clear()
            step = self.step()
            if step.wait_s > 0:
                self._wait(stop, step)
            elif step.idle and self._clock.wait(self.wake, min(IDLE_S, self._ask_in_s())):
                self._clock.wait(stop, self._linger_s)  # wait for other readings of the same time

    def _wait(self, stop: threading.Event, step: Turn) -> None:
        """Send no request for a while; where only the network is missing, until it comes back."""
        if self._network is None or step.waits_for != "link":
            # A Retry-After is waited out in full: a fleet that returns at once is the next overload.
            self._clock.wait(stop, step.wait_s)
            return
        until_us = self._clock.since_boot_us() + round(step.wait_s * 1e6)
        while (left_s := (until_us - self._clock.since_boot_us()) / 1e6) > 0:
            if self._clock.wait(stop, min(_LOOK_AT_NETWORK_S, left_s)):
                return
            if self._network.came_back():
                self._hurry(stop, left_s)
                return

    def _hurry(self, stop: threading.Event, left_s: float) -> None:
        """The network came back: try within seconds, after a random time, and then with short waits."""
        early_us = self._clock.since_boot_us()
        if self._early_us is not None and early_us - self._early_us < _EARLY_EVERY_US:
            self._clock.wait(
                stop, min(left_s, _EARLY_EVERY_US / 1e6)
            )  # a link that flaps must not cause a try each time
        self._early_us = early_us
        self._log("gateway.network_changed", before_next_try_s=round(left_s))
        self.state = replace(self.state, failures=min(1, self.state.failures))
        wait_s = min(left_s, self._random() * _SPREAD_S)
        self.view.waits("link", seconds=wait_s)
        self._clock.wait(stop, wait_s)

    def step(self) -> Turn:
        """One turn: at most one request and the actions after its answer. Temporary errors are not raised."""
        step = self._try()
        self.view.waits(step.waits_for, seconds=step.wait_s or None)
        return step

    def _try(self) -> Turn:
        try:
            self._look_at_clock()
            return self._turn()
        except (
            TryAgain,
            UnknownStream,
        ) as error:  # unknown: the file was replaced while a batch was in flight
            self._left = []  # the unknown stream may be one of these
            self._log("gateway.spool_failed", level=logging.ERROR, reason=error)
            return Turn(wait_s=_SPOOL_WAIT_S, waits_for="disk")

    def _turn(self) -> Turn:
        if self._ask_in_s() <= 0:
            return self._ask(self._left[0]) if self._left else self._ask_all()
        if (step := self._declare() or self._send_entries()) is not None:
            return step
        batch = self._spool.peek(
            max_readings=batch_limit(self.state), max_bytes=self._max_bytes, report=not self.state.bare
        )
        stream = batch.stream if batch is not None else self._spool.open_stream
        assert stream is not None
        if stream not in self.state.asked or (batch is None and self._lacks_time()):
            return self._ask(stream)
        if batch is None:
            self._note(self._rate.owed())
            return Turn(idle=True, waits_for="readings" if self._spool.is_placed else "clock")
        return self._send(batch)

    # ------------------------------------------------------------ one request

    def _ask(self, stream: str) -> Turn:
        self._asked_us = self._clock.since_boot_us()
        headers = {"Accept": f"{ANSWER_MEDIA_TYPE}, {PROBLEM_MEDIA_TYPE}"}
        request = Request(method="GET", path=f"/v1/streams/{stream}", headers=headers)
        step = self._exchange(request, self._about(stream))
        if self._left and self._left[0] == stream and stream in self.state.asked:
            self._left.pop(0)
            self._ask_next_us = self._clock.since_boot_us() + self._ask_apart_us
        return step

    def _declare(self) -> Turn | None:
        """Declare events that the server did not confirm; None: there are none, or it is too early."""
        now_us = self._clock.since_boot_us()
        if self._events_seen == self._spool.events_added or now_us < self._declare_us:
            return None
        added, left = self._spool.events_added, self._spool.unconfirmed(self._database)
        if not left.events:
            self._events_seen = added
            return None
        outcome = self._said(declaration(self._spool.device, left.events))
        if is_confirmed(outcome, len(left.events)):
            self._declare_us = now_us + _DECLARE_AGAIN_US  # where the disk fails, readings go first
            self._spool.confirm(left.through, self._database)
            self._declare_us = 0
            return Turn()
        if is_refused(outcome):
            self._declare_us = now_us + round(self._ask_every_s * 1e6)
            self._log("gateway.events_refused", level=logging.WARNING, events=len(left.events))
            return Turn()
        return self._declare_later(outcome)

    def _declare_later(self, outcome: Outcome) -> Turn:
        """After a failure of the link or the server: wait as for any request, then send readings first."""
        self._declare_us = self._clock.since_boot_us() + _DECLARE_AGAIN_US
        sent = self._about(self._spool.open_stream)
        if isinstance(outcome, Reply) and outcome.status == 200:
            decision = back_off(self.state, "not an answer: events are not confirmed", self._random())
        else:
            now = datetime_of(self._clock.utc_us())
            decision = decide(self.state, sent, outcome, jitter=self._random(), now=now)
        self.state = decision.state
        self.view.exchanged(outcome, decision)
        self._say(decision, sent, recovered=False)
        return Turn(wait_s=decision.wait_s, decision=decision, waits_for=decision.waits_for or None)

    def _send_entries(self) -> Turn | None:
        """What people entered at the machine; None: there is nothing, or the link has to work first."""
        if self.state.failures:
            return None
        batch = self._entries.due(self._clock.since_boot_us())
        if batch is None:
            return None
        outcome = self._said(self._entries.request(batch))
        failed = self._entries.answered(batch, outcome, self._clock.since_boot_us())
        if failed is not None:
            self._log("gateway.entries_not_sent", level=logging.WARNING, reason=failed)
        return Turn()

    def _ask_in_s(self) -> float:
        """Seconds until the next question for the marks, at least a moment; 0 or less: now."""
        due_us = self._ask_next_us if self._left else self._ask_all_us
        return (due_us - self._clock.since_boot_us()) / 1e6

    def _ask_all(self) -> Turn:
        """Ask for the marks of every stream of the spool, in one request if there are not very many."""
        self._asked_us = self._clock.since_boot_us()
        step = Turn()
        streams = self._spool.held_streams
        for piece in (streams[i : i + MAX_STREAMS_ASKED] for i in range(0, len(streams), MAX_STREAMS_ASKED)):
            sents = [self._about(stream) for stream in piece]
            outcome = self._said(question(self._spool.device, sents))
            asked = decide_marks(
                self.state, sents, outcome, jitter=self._random(), now=datetime_of(self._clock.utc_us())
            )
            if asked.one_by_one:
                self._left = streams
                break
            if asked.answered:  # now: a disk that fails below must not make us ask for ever
                self._ask_again_later()
            for sent, decision in asked.decisions:
                self._carry_out(decision, sent)
                self.view.exchanged(outcome, decision)
                waits_for = decision.waits_for or None
                step = Turn(wait_s=max(step.wait_s, decision.wait_s), decision=decision, waits_for=waits_for)
            if not asked.answered:
                self._ask_all_us = 0
                return step
        self._ask_again_later()
        return step

    def _ask_again_later(self) -> None:
        """
        Set the next question within the interval, at a random time, so that a fleet does not ask at one
        moment.
        """
        now_us = self._clock.since_boot_us()
        every_us = self._ask_every_s * 1e6 * (1 - 0.2 * self._random())
        self._ask_all_us = now_us + round(every_us)
        self._ask_apart_us = round(every_us / (len(self._left) + 1))
        self._ask_next_us = now_us

    def _lacks_time(self) -> bool:
        """
        True where this boot is not placed and the last question is a while ago: an answer has the time too.
        """
        now_us = self._clock.since_boot_us()
        return not self._spool.is_placed and now_us - self._asked_us >= _LOOK_AT_CLOCK_US

    def _send(self, batch: Batch) -> Turn:
        stream = batch.stream
        assert stream is not None  # a spool's batch is numbered
        opaque = self.state.opaque and len(batch) == 1
        if opaque:
            batch = _as_opaque(batch)
        first, last = span(batch)
        self._sent[stream] = max(last, self._sent.get(stream, 0))
        sent = self._about(
            stream,
            count=len(batch) or int(opaque),
            first=first,
            last=last,
            opaque=opaque,
            bare=self.state.bare,
        )
        body, coding = _packed(encode(batch), CODINGS[self.state.coding])
        headers = dict(BODY_HEADERS)
        if coding != "identity":
            headers["Content-Encoding"] = coding
        return self._exchange(Request(method="POST", path="/v1/readings", headers=headers, body=body), sent)

    def _about(
        self,
        stream: str,
        *,
        count: int = 0,
        first: int = 0,
        last: int = 0,
        opaque: bool = False,
        bare: bool = False,
    ) -> Sent:
        row = self._spool.stream(stream)
        if row.sent_through < self._kept.get(stream, 0):
            self._sent[stream] = last  # a person ran `rewind` meanwhile: earlier sends do not count any more
        self._kept[stream] = row.sent_through
        released = max(row.sent_through, self._sent.get(stream, 0))
        forked = row.state == "forked"
        # In a forked stream the server has numbers of another spool too: its mark may be anything.
        before = MAX_INTEGER if forked else self._at_start.setdefault(stream, row.appended_through)
        return Sent(
            stream=stream,
            count=count,
            first=first,
            last=last,
            highest=max(released, before),
            released=released,
            acknowledged_through=row.acknowledged_through,
            appended_through=row.appended_through,
            opaque=opaque,
            bare=bare or forked,
            forked=forked,
        )

    def _exchange(self, request: Request, sent: Sent) -> Turn:
        outcome = self._said(request)
        now = datetime_of(self._clock.utc_us())
        decision = decide(self.state, sent, outcome, jitter=self._random(), now=now)
        self._carry_out(decision, sent)
        self.view.exchanged(outcome, decision)
        return Turn(wait_s=decision.wait_s, decision=decision, waits_for=decision.waits_for or None)

    def _said(self, request: Request) -> Outcome:
        """Send one request; use the time in the answer, whatever else it says."""
        self._requests += 1
        request_id = f"{self._run}{self._requests:06x}"
        fresh = {"Cache-Control": "no-store", "Request-Id": request_id}
        before_us = self._clock.since_boot_us()
        outcome = self._transport.send(replace(request, headers={**request.headers, **fresh}))
        after_us = self._clock.since_boot_us()
        down_bytes = outcome.down_bytes if isinstance(outcome, Reply) else 0
        is_sent = isinstance(outcome, Reply) or outcome.was_connected
        up_bytes = request.up_bytes if is_sent else 0
        self._spool.count_traffic(up_bytes=up_bytes, down_bytes=down_bytes)
        self._anchor(outcome, request_id, before_us, after_us)
        self._look_at_database(outcome)
        return outcome

    def _look_at_database(self, outcome: Outcome) -> None:
        """A new database id means that readings may be missing there: ask at once, and forget rewinds."""
        if isinstance(outcome, NoAnswer) or not outcome.trusted:
            return
        answered = outcome.headers.get(DATABASE_HEADER.lower())
        if answered is None or answered == self._database:
            return
        if self._database is not None:
            self._log("gateway.server_restored", level=logging.WARNING, database=answered)
            self._ask_all_us, self._left = 0, []
            self._events_seen, self._declare_us = -1, 0
            self._entries.ask_again()
            self.state = replace(self.state, rewound=frozenset())
        self._database = answered

    # ------------------------------------------------------------ after the answer

    def _carry_out(self, decision: Decision, sent: Sent) -> None:
        if decision.acknowledge_through is not None:
            self._spool.acknowledge(sent.stream, decision.acknowledge_through, again=decision.again)
            self._rate.count(decision.acknowledge_through - sent.acknowledged_through)
        if decision.rewind_to is not None and not self._rewind(decision, sent):
            return
        if decision.fork is not None:
            self._fork(decision, sent)
        if decision.shed is not None:
            first, last, reason = decision.shed
            self._spool.shed(sent.stream, first, last, reason=reason)
        # Only now: if the disk failed above, the next answer has to lead to the same decision.
        recovered = self.state.failures > 0 and decision.state.failures == 0
        self._take(decision)
        self._say(decision, sent, recovered=recovered)

    def _rewind(self, decision: Decision, sent: Sent) -> bool:
        """
        Send again what the server lost. False: the disk has no room for what files set aside have of it.

        Other streams go first then, which frees room; the next question about this one tries again.
        """
        assert decision.rewind_to is not None
        try:
            self._spool.rewind(sent.stream, decision.rewind_to)
        except SpoolFull as error:
            self._log("gateway.rewind_waits", level=logging.ERROR, reason=error, stream=sent.stream)
            self._no_room.add((sent.stream, decision.rewind_to))
            self._take(decision)
            return False
        self._no_room.discard((sent.stream, decision.rewind_to))
        return True

    def _take(self, decision: Decision) -> None:
        """Follow the state of a decision; a rewind without room does not count as made."""
        self.state = replace(decision.state, rewound=decision.state.rewound - self._no_room)

    def _fork(self, decision: Decision, sent: Sent) -> None:
        assert decision.fork is not None
        if sent.forked:
            self._spool.give_over(sent.stream)
        elif sent.stream == self._spool.open_stream:
            self._spool.fork(decision.fork, move=decision.move)

    def _say(self, decision: Decision, sent: Sent, *, recovered: bool) -> None:
        if decision.event is not None:
            level = logging.WARNING if decision.is_trouble else logging.INFO
            level = logging.ERROR if decision.needs_person else level
            self._log(
                decision.event, level=level, reason=decision.reason, stream=sent.stream, first=sent.first
            )
        if recovered:
            self._log("gateway.link_back", stream=sent.stream)
        if decision.answer is not None:
            for note in decision.answer.quarantined:
                self._log(
                    "gateway.readings_quarantined",
                    level=logging.WARNING,
                    first=note.first,
                    last=note.last,
                    code=note.code,
                )
        self._note(self._rate.note(decision, recovered=recovered))

    def _note(self, note: dict[str, object] | None) -> None:
        if note is not None:
            self._spool.note("link", note)

    # ------------------------------------------------------------ time

    def _anchor(self, outcome: Outcome, request_id: str, asked_us: int, answered_us: int) -> None:
        """Use the server's time as an anchor."""
        if isinstance(outcome, NoAnswer):
            return
        exchange = Exchange(
            request_id=request_id,
            asked_us=asked_us,
            answered_us=answered_us,
            before=self._before,
            shown=datetime_of(self._clock.utc_us()),
        )
        if (anchor := anchor_of(outcome, exchange)) is not None:
            self._use(anchor)

    def _look_at_clock(self) -> None:
        now_us = self._clock.since_boot_us()
        if self._looked_us is None or now_us - self._looked_us >= _LOOK_AT_CLOCK_US:
            self._looked_us = now_us
            if (anchor := self._clock.evidence()) is not None:
                self._use(anchor)

    def _use(self, anchor: Anchor) -> None:
        try:
            is_new = self._spool.anchor(anchor)
        except (SpoolFull, SpoolUnavailable) as error:
            # Go on: another answer tells the time again.
            self._log("gateway.spool_failed", level=logging.ERROR, reason=error)
            return
        self._before = anchor
        if is_new:
            self._log("gateway.clock_anchored", kind=anchor.kind, uncertainty_s=anchor.uncertainty_us / 1e6)


def _as_opaque(batch: Batch) -> Batch:
    assert batch.seq is not None
    content = json.dumps(batch.as_sent(0), ensure_ascii=False).encode()
    return Batch(
        device=batch.device, stream=batch.stream, shed=batch.shed, opaque=Opaque(batch.seq[0], content)
    )


def _packed(body: bytes, coding: str) -> tuple[bytes, str]:
    if len(body) < _LEAST_WORTH_PACKING or coding == "identity":
        return body, "identity"
    if coding == "zstd":
        return zstd.packed(body, level=3), coding
    return gzip.compress(body, 6, mtime=0), coding


class _Rate:
    """The rate at which the backlog drains, and the last trouble: for `status`, written seldom."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._window_us = clock.since_boot_us()
        self._noted_us: int | None = None
        self._readings = 0
        self._error: str | None = None
        self._waits_for = ""
        self._is_failing = False
        self._is_noted_failing = False  # in the last note

    def count(self, readings: int) -> None:
        """Count readings that were acknowledged."""
        self._readings += readings

    def note(self, decision: Decision, *, recovered: bool) -> dict[str, object] | None:
        """The note to write now, or None where it can wait, at the latest until `owed`."""
        self._is_failing = decision.state.failures > 0
        is_trouble = decision.event is not None and decision.is_trouble
        failed_anew = is_trouble and hidden(decision.reason) != self._error
        if is_trouble:
            self._error = hidden(decision.reason)  # the server's text may repeat a secret that it was sent
            self._waits_for = decision.waits_for
        now_us = self._clock.since_boot_us()
        due = self._noted_us is None or now_us - self._noted_us >= _NOTE_EVERY_US
        if not (due or ((failed_anew or recovered) and now_us - (self._noted_us or 0) >= 1_000_000)):
            return None
        return self._written(now_us)

    def owed(self) -> dict[str, object] | None:
        """
        The note to write before a pause without requests, so that `status` never shows a trouble that is
        over.
        """
        if self._is_failing == self._is_noted_failing:
            return None
        return self._written(self._clock.since_boot_us())

    def _written(self, now_us: int) -> dict[str, object]:
        self._is_noted_failing = self._is_failing
        passed_s = max(1e-6, (now_us - self._window_us) / 1e6)
        rate_per_s = self._readings / passed_s
        self._window_us, self._readings, self._noted_us = now_us, 0, now_us
        return {
            "noted_us": self._clock.utc_us(),
            "failing": self._is_failing,
            "last_error": self._error,
            "waits_for": self._waits_for,
            "rate_per_s": round(rate_per_s, 3),
        }
