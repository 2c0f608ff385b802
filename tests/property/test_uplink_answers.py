"""
Whatever a server or what is in between answers, the gateway decides: nothing of it ends the uplink.

An answer that is not the contract's is no answer; what is taken from one has the types of the contract.
"""

from __future__ import annotations

import json
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway.spool.machine_entries import EntriesToSend
from cleanside.gateway.uplink.asking import decide_marks
from cleanside.gateway.uplink.decision import LinkState, Sent, decide
from cleanside.gateway.uplink.declaring import is_confirmed
from cleanside.gateway.uplink.entry_lane import _mark
from cleanside.gateway.uplink.link_view import word_of
from cleanside.gateway.uplink.server_time import Exchange, anchor_of
from cleanside.gateway.uplink.transport import Reply

STREAM = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"
NOW = datetime(2026, 12, 2, tzinfo=UTC)
EXCHANGE = Exchange(request_id="a", asked_us=0, answered_us=1, before=None, shown=NOW)
WORDS = ["number_conflict", "unknown_stream", "stream_forked", "2026-03-02T06:00:00Z", STREAM]
MEMBERS = ["seq", "last_seq", "code", "detail", "other_is", "stream", "acknowledged_through", "highest"]

odd: st.SearchStrategy[Any] = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-3, 12), st.floats(), st.sampled_from(WORDS)),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(MEMBERS), inner, max_size=4),
    max_leaves=8,
)
counts = st.integers(0, 9)
notes = st.fixed_dictionaries(
    {"seq": counts | odd, "code": st.just("number_conflict") | odd, "detail": st.just("why") | odd},
    optional={"last_seq": counts | odd, "other_is": odd},
)
spans = st.lists(st.tuples(counts, counts), max_size=2)
answers = st.fixed_dictionaries(
    {
        "stream": st.just(STREAM),
        "acknowledged_through": counts | odd,
        "stored": counts | odd,
        "duplicates": counts,
        "gaps": spans | odd,
        "quarantined": st.lists(notes, max_size=3) | odd,
        "server_time": st.just("2026-03-02T06:00:00Z") | odd,
    },
    optional={"quarantined_more": counts | odd, "highest": counts | odd, "device": st.just("a") | odd}
    | dict.fromkeys(["code", "detail", "streams", "unknown", "confirmed"], odd),
)


@given(
    document=answers | odd,
    status=st.sampled_from([200, 200, 200, 401, 404, 409, 422, 429, 500, 503]),
    media_type=st.sampled_from(["application/json", "application/problem+json"]),
    forked=st.booleans(),
    is_question=st.booleans(),
    mark=counts,
)
def test_every_answer_leads_to_a_decision(
    document: Any, status: int, media_type: str, forked: bool, is_question: bool, mark: int
) -> None:
    body = json.dumps(document).replace("Infinity", "1e999").encode()
    reply = Reply(status=status, headers={"content-type": media_type}, body=body, trusted=True)
    sent = Sent(
        stream=STREAM,
        count=0 if is_question else 3,
        first=0 if is_question else mark + 1,
        last=0 if is_question else mark + 3,
        highest=mark + 3,
        released=mark + 3,
        acknowledged_through=mark,
        appended_through=mark + 5,
        forked=forked,
    )
    decision = _decided(reply, sent)
    for first, last in decision.again:
        assert type(first) is type(last) is int
        assert 0 <= first <= last <= mark + 3
    for note in decision.answer.quarantined if decision.answer is not None else ():
        assert isinstance(note.code, str)


@pytest.mark.parametrize("status", [200, 401, 404, 409, 422, 500, 503])
@pytest.mark.parametrize("media_type", ["application/json", "application/problem+json"])
def test_an_answer_nested_without_end_is_none(status: int, media_type: str) -> None:
    """Python's parser gives up on it with an error of its own, which ended the thread that sends."""
    reply = Reply(status=status, headers={"content-type": media_type}, body=b"[" * 200_000, trusted=True)
    decision = _decided(reply, Sent(stream=STREAM, count=1, first=1, last=1, highest=1, released=1))
    assert decision.acknowledge_through is None


def _decided(reply: Reply, sent: Sent) -> Any:
    """What the uplink makes of a reply, by each way in which it looks at one."""
    decision = decide(LinkState(), sent, reply, jitter=0.5, now=NOW)
    decide_marks(LinkState(), [sent], reply, jitter=0.5, now=NOW)
    anchor_of(reply, EXCHANGE)
    word_of(reply)
    is_confirmed(reply, 1)
    with suppress(ValueError):  # as its caller expects it
        _mark(EntriesToSend(STREAM, 1, ()), reply)
    return decision
