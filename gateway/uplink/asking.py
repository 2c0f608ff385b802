"""
Ask the server for the marks of all streams in the spool in one question, and what the answer means.

Promises: pure. A mark below the known one sends again from there, for a forked stream too. It releases only
readings that this process sent. A server of the previous release, which does not know the question, gets one
for each stream.
Leaves to others: when to ask (`gateway.uplink.loop`), what one mark means (`gateway.uplink.decision`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from cleanside.gateway.uplink.decision import (
    BODY_HEADERS,
    Decision,
    LinkState,
    Sent,
    back_off,
    decide,
    is_refused,
    on_mark,
    on_stream_state,
)
from cleanside.gateway.uplink.transport import Outcome, Reply, Request
from cleanside.gateway.wire import (
    ANSWER_MEDIA_TYPE,
    AskedStream,
    Mark,
    decode_marks,
    encode_marks_question,
)

PATH = "/v1/streams/marks"


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """What to do about the answer to a question for several streams."""

    #: for each stream, in this order; each state builds on the one before. One entry where it failed.
    decisions: Sequence[tuple[Sent, Decision]] = ()
    #: the answer has the marks
    answered: bool = False
    #: the server does not know the question: ask for each stream
    one_by_one: bool = False


def question(device: str, sents: Sequence[Sent]) -> Request:
    """The question for these streams."""
    streams = [
        AskedStream(
            stream=sent.stream,
            acknowledged_through=sent.acknowledged_through,
            appended_through=sent.appended_through,
        )
        for sent in sents
    ]
    body = encode_marks_question(device, streams)
    return Request(method="POST", path=PATH, headers=BODY_HEADERS, body=body)


def decide_marks(
    state: LinkState, sents: Sequence[Sent], outcome: Outcome, *, jitter: float, now: datetime
) -> Asked:
    """What to do about the outcome of asking for `sents`; jitter, now : as for `decide`."""
    if is_refused(outcome):
        return Asked(one_by_one=True)
    if not isinstance(outcome, Reply) or outcome.status != 200:
        return Asked(decisions=[(sents[0], decide(state, sents[0], outcome, jitter=jitter, now=now))])
    try:
        if outcome.media_type != ANSWER_MEDIA_TYPE:
            raise ValueError(f"the answer is {outcome.media_type or 'of no type'}, not {ANSWER_MEDIA_TYPE}")
        marks = decode_marks(outcome.body, asked=[sent.stream for sent in sents])
    except ValueError as error:
        return Asked(decisions=[(sents[0], back_off(state, f"not an answer: {error}", jitter))])
    decisions = []
    for sent in sents:
        decision = _on(state, sent, marks[sent.stream], jitter)
        state = replace(decision.state, asked=decision.state.asked | {sent.stream})
        decisions.append((sent, replace(decision, state=state)))
    return Asked(decisions=decisions, answered=True)


def _on(state: LinkState, sent: Sent, mark: Mark | None, jitter: float) -> Decision:
    if mark is None:
        return on_mark(state, sent, 0, "the server does not know the stream", jitter)
    return on_stream_state(state, sent, mark, jitter)
