"""
The meaning of an answer and the next action: pure, one branch for each row of the contract's status table.

Promises: only an answer of the contract releases readings; after any other answer they stay.
One bad reading never blocks those behind it. The same state and outcome give the same decision.
Leaves to others: sending and waiting (`gateway.uplink.loop`), what is on disk (`gateway.spool.queue`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from cleanside.gateway.spool.queue import MAX_BATCH_READINGS
from cleanside.gateway.units import counted
from cleanside.gateway.uplink.refused_key import step_for_key, why_refused
from cleanside.gateway.uplink.retry_after import retry_after_s
from cleanside.gateway.uplink.transport import NoAnswer, Outcome, Reply
from cleanside.gateway.wire import (
    ANSWER_MEDIA_TYPE,
    BATCH_MEDIA_TYPE,
    PROBLEM_MEDIA_TYPE,
    Answer,
    Mark,
    StreamAtServer,
    decode_answer,
    decode_stream_state,
    zstd,
)

#: content codings that this program makes, the best first
CODINGS = ("zstd", "gzip", "identity") if zstd.IS_INSTALLED else ("gzip", "identity")
FIRST_WAIT_S = 1.0  # chosen: a lost packet costs little
LONGEST_WAIT_S = 300.0  # chosen; a network that comes back ends it early (`gateway.uplink.network`)
REFUSED_KEY_WAIT_S = 300.0  # chosen: a person has to act; five minutes after that it continues
LONGEST_RETRY_AFTER_S = 3_600.0  # chosen: no mistake may silence a machine for longer
CONFLICT_CODE = "number_conflict"
#: of a request with one of our bodies
BODY_HEADERS: Mapping[str, str] = {
    "Content-Type": BATCH_MEDIA_TYPE,
    "Accept": f"{ANSWER_MEDIA_TYPE}, {PROBLEM_MEDIA_TYPE}",
}
#: statuses of a server that does not know a request, or will never accept it
_REFUSALS = frozenset({400, 404, 405, 409, 413, 415, 422})
#: why a server has a lower mark than it gave; its answer does not say which
_WHY_AGAIN = "a person at the shop asked for them, or the server was restored from a backup"
#: code of an answer after which the batch waits -> what a person reads; any other: the server is busy
_BUSY: Mapping[str, str] = {
    "store_full": "the server's disk is full",
    "store_read_only": "the server's disk or database can only be read",
    "store_unavailable": "the server's database does not answer",
    "standby_away": "the server has no second machine that confirms it",
    "over_quota": "this key sends more than its quota",
    "too_many_gaps": "the stream has more gaps than the server keeps",
}
_STORE_CODES = frozenset({"standby_away", "store_full", "store_read_only", "store_unavailable"})


@dataclass(frozen=True, kw_only=True, slots=True)
class LinkState:
    """State from the last answers. In memory only: a restart learns it again."""

    #: index into CODINGS
    coding: int = 0
    #: most readings a batch may have; halved by 413
    limit: int = MAX_BATCH_READINGS
    #: failures in a row, for the back-off
    failures: int = 0
    #: longest wait after a failure: the asking interval where that is shorter
    longest_wait_s: float = LONGEST_WAIT_S
    #: a number at or below this one caused a refusal; 0: none
    suspect_through: int = 0
    #: readings a batch may have while there is a suspect; halved with each answer
    trial: int = 0
    #: send no report: a batch was refused, perhaps because of it
    bare: bool = False
    #: send the next reading as an opaque record
    opaque: bool = False
    #: (stream, mark) that were rewound to: once each until the mark has passed it, so that nothing loops
    rewound: frozenset[tuple[str, int]] = frozenset()
    #: streams whose state at the server was asked since the start or the last error
    asked: frozenset[str] = frozenset()


@dataclass(frozen=True, kw_only=True, slots=True)
class Sent:
    """The facts about a sent batch that judging its answer needs."""

    stream: str
    #: readings; 0 for a batch of shed ranges alone, or for a question
    count: int = 0
    #: its lowest and highest number; 0: a question
    first: int = 0
    last: int = 0
    #: highest number of the stream that was ever sent, or may have been by an earlier process
    highest: int = 0
    #: highest number that this process sent: nothing beyond it is released
    released: int = 0
    acknowledged_through: int = 0
    appended_through: int = 0
    opaque: bool = False
    bare: bool = False
    #: the stream was forked: conflicts under it are appended to the new one
    forked: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Decision:
    """What to do about an answer, in this order."""

    state: LinkState
    #: release 1..n
    acknowledge_through: int | None = None
    #: ranges in conflict at the server, to append to the open stream
    again: Sequence[tuple[int, int]] = ()
    #: send again from n + 1
    rewind_to: int | None = None
    #: open a new stream, and why
    fork: str | None = None
    #: the old stream belongs to another spool: move its unsent readings to the new one
    move: bool = False
    #: shed this range, and why: the server refuses it in every form
    shed: tuple[int, int, str] | None = None
    wait_s: float = 0.0
    #: reason of the wait: "link": no answer of our server; "server": it answered, and accepts it later;
    #: "key": a person has to act; "": no wait
    waits_for: str = ""
    #: event to log; None: none
    event: str | None = None
    #: the event is a trouble; False: it says what was done
    is_trouble: bool = True
    reason: str = ""
    #: a person has to act
    needs_person: bool = False
    answer: Answer | None = None


def decide(state: LinkState, sent: Sent, outcome: Outcome, *, jitter: float, now: datetime) -> Decision:
    """
    The next action after the outcome of sending `sent`.

    jitter : random, 0 to 1. now : our own clock, used only for a Retry-After date without a Date field.
    """
    if isinstance(outcome, NoAnswer):
        return back_off(state, outcome.reason, jitter, waits_for="link")
    if outcome.status == 200:
        return _on_ok(state, sent, outcome, jitter)
    if outcome.status in (400, 422):
        return _on_refused(state, sent, outcome)
    if outcome.status in (401, 403):
        return _on_key_refused(state, outcome)
    if outcome.status == 404 and problem_code(outcome) == "unknown_stream":
        return on_mark(state, sent, 0, "the server does not know the stream", jitter)
    if outcome.status == 409 and problem_code(outcome) in ("stream_bound", "stream_forked"):
        return _on_conflict(state, sent, str(problem_code(outcome)), jitter)
    if outcome.status == 413:
        return _on_too_large(state, sent)
    if outcome.status == 415:
        return _on_coding(state, jitter)
    if outcome.status in (429, 503) or problem_code(outcome) == "too_many_gaps":
        return _on_busy(state, outcome, jitter, now)
    # 408, 500, 502, 504; and answers that are not our server's: 404 without our code, 3xx, other 2xx, all
    # others.
    waits_for = "server" if outcome.status in (408, 500, 502, 504) else "link"
    return back_off(
        state, f"status {outcome.status} {outcome.media_type}".strip(), jitter, waits_for=waits_for
    )


def problem_code(reply: Reply) -> str | None:
    """The code of a problem report (RFC 9457) of our server, or None where the reply is none."""
    if reply.media_type != PROBLEM_MEDIA_TYPE:
        return None
    code = (reply.document or {}).get("code")
    return code if isinstance(code, str) else None


def is_refused(outcome: Outcome) -> bool:
    """True where our server refuses a request that an older one does not know: the link works."""
    return isinstance(outcome, Reply) and outcome.status in _REFUSALS and problem_code(outcome) is not None


def full_jitter_s(failures: int, jitter: float, longest_s: float = LONGEST_WAIT_S) -> float:
    """A wait between 0 and a bound that doubles with each failure up to `longest_s`, evenly spread."""
    return jitter * min(longest_s, FIRST_WAIT_S * 2.0 ** min(failures, 30))


def back_off(state: LinkState, reason: str, jitter: float, *, waits_for: str = "server") -> Decision:
    """Send the same again after a wait."""
    # The batch stays the same: if the server stored it and only the reply was lost, it recognises the repeat.
    wait_s = full_jitter_s(state.failures, jitter, state.longest_wait_s)
    failed = replace(state, failures=state.failures + 1, asked=frozenset())
    return Decision(
        state=failed, wait_s=wait_s, waits_for=waits_for, event="gateway.no_answer", reason=reason
    )


def _on_ok(state: LinkState, sent: Sent, reply: Reply, jitter: float) -> Decision:
    try:
        if reply.media_type != ANSWER_MEDIA_TYPE:
            raise ValueError(f"the answer is {reply.media_type or 'of no type'}, not {ANSWER_MEDIA_TYPE}")
        if not sent.last:
            return on_stream_state(state, sent, decode_stream_state(reply.body, stream=sent.stream), jitter)
        answer = decode_answer(reply.body, stream=sent.stream, highest_sent=sent.highest)
    except ValueError as error:
        return back_off(
            state, f"not an answer: {error}", jitter, waits_for="link"
        )  # a portal's page, a proxy's: nothing is released
    return _on_answer(state, sent, answer, jitter)


def on_stream_state(state: LinkState, sent: Sent, known: StreamAtServer | Mark, jitter: float) -> Decision:
    """The answer to a question about one stream."""
    if known.highest > sent.appended_through and not sent.forked:
        return _on_conflict(state, sent, "stream_forked", jitter)
    return on_mark(state, sent, known.acknowledged_through, "the server asks for them", jitter)


def on_mark(state: LinkState, sent: Sent, mark: int, why: str, jitter: float) -> Decision:
    """The server's mark in answer to a question, or 0 for a stream that it does not know."""
    asked = _passed(replace(state, asked=state.asked | {sent.stream}), sent.stream, mark)
    if mark < sent.acknowledged_through:
        return _rewind(asked, sent, mark, why, jitter)
    through = _releasable(sent, mark)
    moved = through > sent.acknowledged_through
    # Only a mark that moved, or an empty spool, ends the waits: a whole fleet must not ask a server each
    # second that answers questions and accepts no batch.
    well = moved or sent.acknowledged_through >= sent.appended_through
    return Decision(
        state=replace(_cleared(asked, through), failures=0 if well else state.failures),
        acknowledge_through=through if moved else None,
    )


def _releasable(sent: Sent, mark: int) -> int:
    """
    How far a mark in answer to a question releases: a batch with a lost reply need not be sent again.

    0 where it is above every number that was sent. 0 for a forked stream too: there the mark is of two
    spools, and a conflict shows only when the readings are sent.
    """
    if sent.forked or mark > sent.highest:
        return sent.acknowledged_through
    return max(sent.acknowledged_through, min(mark, sent.released))


def _passed(state: LinkState, stream: str, mark: int) -> LinkState:
    """
    The state once the server's mark is known: a rewind that it has passed is done, and may happen again.
    """
    if not state.rewound:
        return state
    left = frozenset((name, to) for name, to in state.rewound if name != stream or to >= mark)
    return replace(state, rewound=left)


def _cleared(state: LinkState, through: int) -> LinkState:
    """The state once numbers up to `through` are released: a suspect among them is cleared."""
    if not state.suspect_through or through < state.suspect_through:
        return state
    return replace(state, suspect_through=0, trial=0, bare=False, opaque=False)


def _rewind(state: LinkState, sent: Sent, mark: int, why: str, jitter: float) -> Decision:
    if (sent.stream, mark) in state.rewound:
        return back_off(state, f"sent again from {mark + 1} on before, and still {why}", jitter)
    numbers = f"{mark + 1} to {sent.acknowledged_through}"
    return Decision(
        state=replace(state, rewound=state.rewound | {(sent.stream, mark)}),
        rewind_to=mark,
        event="gateway.rewound",
        is_trouble=False,
        reason=f"sends {numbers} again, which were acknowledged, because {why}: {_WHY_AGAIN}",
    )


def _on_answer(state: LinkState, sent: Sent, answer: Answer, jitter: float) -> Decision:
    mark = answer.acknowledged_through or 0
    if not sent.forked and any(note.code == CONFLICT_CODE for note in answer.quarantined):
        # Another spool uses these numbers too, a copy of this one or its original. It releases no reading:
        # sent again as a forked stream, the answer shows which readings belong in the new one.
        return replace(_on_conflict(state, sent, CONFLICT_CODE, jitter), answer=answer)
    state = _passed(state, sent.stream, mark)
    if mark < sent.acknowledged_through:
        return _rewind(state, sent, mark, "the server asks for them", jitter)
    if sent.forked and answer.quarantined_more and sent.count > 1:
        # A smaller batch will list the other conflicts.
        fewer = replace(state, suspect_through=sent.last, trial=max(1, sent.count // 2))
        return Decision(state=fewer, event="gateway.batch_halved", reason="more conflicts than are listed")
    through = min(mark, sent.released)
    if through == sent.acknowledged_through:  # the mark did not move: the same again would loop
        stuck = f"the mark stays at {mark}"
        return replace(back_off(state, stuck, jitter), answer=answer)
    again = tuple(
        (note.first, min(note.last, through))
        for note in answer.quarantined
        if sent.forked and note.code == CONFLICT_CODE and note.first <= through
    )
    cleared = through >= state.suspect_through
    return Decision(
        state=replace(
            state,
            failures=0,
            opaque=False,
            bare=state.bare and not cleared,
            suspect_through=0 if cleared else state.suspect_through,
            trial=0 if cleared else max(1, state.trial // 2),
        ),
        acknowledge_through=through,
        again=again,
        answer=answer,
    )


def _on_refused(state: LinkState, sent: Sent, reply: Reply) -> Decision:
    """Find the culprit by halves: the report is the first suspect, then the readings, then the record."""
    reason = f"status {reply.status}: {_detail(reply)}"
    if not sent.last:
        return back_off(state, reason, 1.0)
    if not sent.bare:
        return Decision(state=replace(state, bare=True), event="gateway.batch_refused", reason=reason)
    if sent.count > 1:
        halved = replace(state, suspect_through=sent.last, trial=max(1, sent.count // 2))
        return Decision(state=halved, event="gateway.batch_refused", reason=reason)
    if not sent.opaque and sent.count:
        return Decision(state=replace(state, opaque=True), event="gateway.reading_refused", reason=reason)
    if sent.count:
        return Decision(
            state=replace(state, opaque=False),
            shed=(sent.first, sent.last, "refused"),
            event="gateway.reading_given_up",
            reason=reason,
            needs_person=True,
        )
    return replace(back_off(state, reason, 1.0), event="gateway.shed_refused", needs_person=True)


def _detail(reply: Reply) -> str:
    return str((reply.document or {}).get("detail", "no detail"))[:200]


def _on_key_refused(state: LinkState, reply: Reply) -> Decision:
    code = problem_code(reply)
    said = f"status {reply.status}" if code is None else f"status {reply.status}, {code[:64]}"
    return Decision(
        state=replace(state, failures=state.failures + 1, asked=frozenset()),
        wait_s=REFUSED_KEY_WAIT_S,
        waits_for="key",
        event="gateway.key_refused",
        reason=f"the server refuses the key ({said}): {why_refused(code)}; {step_for_key(code)}",
        needs_person=True,
    )


def _on_conflict(state: LinkState, sent: Sent, code: str, jitter: float) -> Decision:
    # Once more under its own numbers, without a report, so that the server can distinguish repeat and
    # conflict.
    # Readings of another device's stream, or refused again, go to the new stream. Waits grow: a server that
    # answers so for every stream must not cause a new one each second.
    return Decision(
        state=replace(state, asked=state.asked | {sent.stream}, failures=state.failures + 1),
        fork=code,
        move=code == "stream_bound" or sent.forked,
        wait_s=full_jitter_s(state.failures, jitter, state.longest_wait_s),
        waits_for="server",
        event="gateway.stream_forked",
        reason=code,
    )


def _on_too_large(state: LinkState, sent: Sent) -> Decision:
    if sent.count > 1:
        smaller = replace(state, limit=max(1, sent.count // 2))
        return Decision(state=smaller, event="gateway.batch_too_large", reason=counted(sent.count, "reading"))
    # A single reading over the limit cannot be sent as a reading: treat it as the culprit.
    return _on_refused(
        replace(state, bare=True), replace(sent, bare=True), Reply(status=413, headers={}, body=b"")
    )


def _on_coding(state: LinkState, jitter: float) -> Decision:
    if state.coding + 1 == len(CODINGS):
        return back_off(state, "status 415: no content coding is accepted", jitter)
    coding = state.coding + 1
    return Decision(
        state=replace(state, coding=coding), event="gateway.coding_changed", reason=f"to {CODINGS[coding]}"
    )


def _on_busy(state: LinkState, reply: Reply, jitter: float, now: datetime) -> Decision:
    asked_s = retry_after_s(reply.headers.get("retry-after"), date=reply.headers.get("date"), now=now)
    code = problem_code(reply)
    reason = f"status {reply.status}: {_BUSY.get(code or '', 'the server is busy')}"
    event = "gateway.server_cannot_store" if code in _STORE_CODES else "gateway.server_busy"
    if code is not None:
        reason += f" ({code})"
    decision = back_off(state, reason, jitter)
    if code is not None and code not in _STORE_CODES:
        # Refused before it was looked at: what the server holds is as it said, and needs no question.
        decision = replace(decision, state=replace(decision.state, asked=state.asked))
    if asked_s is None:
        return replace(decision, event=event) if code in _STORE_CODES else decision
    # A little later than asked, by a random time: a fleet that returns at once is the next overload.
    wait_s = min(asked_s, LONGEST_RETRY_AFTER_S) * (1 + 0.1 * jitter)
    return replace(decision, wait_s=wait_s, event=event)


def batch_limit(state: LinkState) -> int:
    """Most readings of the next batch: the limit, or fewer while one is suspected."""
    if state.opaque:
        return 1
    return min(state.limit, state.trial) if state.suspect_through else state.limit
