"""What an answer means: one case for each row of the contract's status table."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from cleanside.gateway.uplink.decision import (
    CODINGS,
    LONGEST_RETRY_AFTER_S,
    LONGEST_WAIT_S,
    Decision,
    LinkState,
    Sent,
    batch_limit,
    decide,
    full_jitter_s,
)
from cleanside.gateway.uplink.fakes import problem
from cleanside.gateway.uplink.transport import NoAnswer, Outcome, Reply
from cleanside.gateway.wire import Answer, QuarantineNote, StreamAtServer, encode_answer, encode_stream_state

STREAM = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"
NOW = datetime(2026, 12, 2, 6, 0, tzinfo=UTC)
SENT = Sent(
    stream=STREAM,
    count=100,
    first=101,
    last=200,
    highest=200,
    released=200,
    acknowledged_through=100,
    appended_through=500,
)
ASKED = replace(SENT, count=0, first=0, last=0)
STATE = LinkState(asked=frozenset({STREAM}))


def ok(mark: int, *, stream: str = STREAM, **more: object) -> Reply:
    answer = Answer(stream=stream, acknowledged_through=mark, server_time_us=1_000_000, **more)  # type: ignore[arg-type]
    return Reply(
        status=200, headers={"content-type": "application/json"}, body=encode_answer(answer), trusted=True
    )


def known(mark: int, highest: int) -> Reply:
    state = StreamAtServer(
        stream=STREAM,
        device="grader-07-intake",
        acknowledged_through=mark,
        highest=highest,
        server_time_us=1_000_000,
    )
    return Reply(
        status=200,
        headers={"content-type": "application/json"},
        body=encode_stream_state(state),
        trusted=True,
    )


def judged(outcome: Outcome, *, state: LinkState = STATE, sent: Sent = SENT, jitter: float = 0.5) -> Decision:
    return decide(state, sent, outcome, jitter=jitter, now=NOW)


def releases_nothing(decision: Decision) -> bool:
    return decision.acknowledge_through is None and not decision.shed and not decision.fork


# ---------------------------------------------------------------- 200


def test_an_answer_releases_what_it_acknowledges() -> None:
    decision = judged(ok(200), state=replace(STATE, failures=3))
    assert (decision.acknowledge_through, decision.wait_s, decision.state.failures) == (200, 0.0, 0)


def test_a_mark_that_leaps_over_what_was_sent_before_releases_it_all() -> None:
    assert judged(ok(400), sent=replace(SENT, highest=400, released=400)).acknowledge_through == 400


def test_nothing_that_this_process_never_sent_is_released_even_if_an_earlier_one_may_have() -> None:
    assert judged(ok(400), sent=replace(SENT, highest=400, released=200)).acknowledge_through == 200


PORTAL = b"<html><body>Welcome to the site's network. Please accept the terms.</body></html>"


@pytest.mark.parametrize(
    "reply",
    [
        Reply(status=200, headers={"content-type": "text/html"}, body=PORTAL, trusted=True),
        Reply(status=200, headers={"content-type": "application/json"}, body=PORTAL, trusted=True),
        Reply(status=200, headers={"content-type": "application/json"}, body=b"{}", trusted=True),
        Reply(status=200, headers={}, body=ok(200).body, trusted=True),
        Reply(status=200, headers={"content-type": "text/plain"}, body=ok(200).body, trusted=True),
        ok(200, stream="019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"),
        ok(201),
    ],
    ids=[
        "portal",
        "portal as JSON",
        "other JSON",
        "no type",
        "other type",
        "other stream",
        "beyond what was sent",
    ],
)
def test_what_is_not_an_answer_of_the_contract_releases_nothing(reply: Reply) -> None:
    decision = judged(reply)
    assert releases_nothing(decision)
    assert decision.rewind_to is None
    assert decision.state.failures == 1


def test_an_answer_that_moves_nothing_is_not_sent_again_at_once() -> None:
    decision = judged(ok(100))
    assert releases_nothing(decision)
    assert decision.wait_s > 0


# ---------------------------------------------------------------- 400, 422


def problem_400(status: int) -> Reply:
    return problem(status, "batch_refused", "the batch contradicts itself")


@pytest.mark.parametrize("status", [400, 422])
def test_a_refused_batch_is_first_sent_without_its_report(status: int) -> None:
    decision = judged(problem_400(status))
    assert decision.state.bare
    assert batch_limit(decision.state) == STATE.limit
    assert decision.wait_s == 0
    assert "contradicts" in decision.reason


@pytest.mark.parametrize("status", [400, 422])
def test_a_batch_refused_without_its_report_is_halved(status: int) -> None:
    decision = judged(problem_400(status), sent=replace(SENT, bare=True))
    assert batch_limit(decision.state) == 50
    assert decision.state.suspect_through == 200


def test_a_reading_refused_alone_is_sent_as_an_opaque_record() -> None:
    alone = replace(SENT, count=1, first=150, last=150, bare=True)
    decision = judged(problem_400(422), sent=alone)
    assert decision.state.opaque
    assert batch_limit(decision.state) == 1
    assert releases_nothing(decision)


def test_a_record_refused_even_as_opaque_is_given_up_and_a_person_is_told() -> None:
    opaque = replace(SENT, count=1, first=150, last=150, bare=True, opaque=True)
    decision = judged(problem_400(422), sent=opaque, state=replace(STATE, opaque=True))
    assert decision.shed == (150, 150, "refused")
    assert decision.needs_person
    assert not decision.state.opaque


def test_a_suspicion_ends_when_the_mark_has_passed_it() -> None:
    suspicious = replace(STATE, bare=True, suspect_through=200, trial=50, opaque=True)
    half = judged(ok(150), state=suspicious)
    assert (half.state.suspect_through, half.state.trial, half.state.bare) == (200, 25, True)
    through = judged(ok(200), state=half.state)
    assert (through.state.suspect_through, through.state.bare, through.state.opaque) == (0, False, False)


def test_shed_ranges_that_are_refused_are_retried_slowly_and_a_person_is_told() -> None:
    decision = judged(problem_400(422), sent=replace(SENT, count=0, bare=True))
    assert decision.needs_person
    assert decision.wait_s > 0
    assert releases_nothing(decision)


# ---------------------------------------------------------------- 401, 403


@pytest.mark.parametrize("status", [401, 403])
def test_a_refused_key_keeps_everything_retries_slowly_and_tells_a_person(status: int) -> None:
    decision = judged(problem(status, "key_unknown", "the key is not known"))
    assert releases_nothing(decision)
    assert decision.wait_s == 300
    assert decision.needs_person


@pytest.mark.parametrize(
    ("reply", "said"),
    [
        (problem(401, "key_unknown"), ("401, key_unknown", "revoked, or is of another server", "enrol")),
        (problem(401, "key_expired"), ("401, key_expired", "it has ended", "cleanside-gateway enrol")),
        (problem(403, "key_suspended"), ("restored from a backup", "keys confirm HANDLE")),
        (problem(403, "key_not_for_device"), ("another device", "check device in the settings", "enrol")),
        (problem(403, "role_not_allowed"), ("no key of a device", "cleanside-gateway enrol")),
        (
            Reply(status=401, headers={"content-type": "text/html"}, body=b"log in"),
            ("portal", "uplink.server"),
        ),
    ],
)
def test_a_refused_key_is_said_with_what_it_means_here_and_the_next_step(
    reply: Reply, said: tuple[str, ...]
) -> None:
    """The server's own words are for a program that makes its requests: "send the header Authorization"."""
    reason = judged(reply).reason
    assert [words for words in said if words not in reason] == []


# ---------------------------------------------------------------- 404, and marks


@pytest.mark.parametrize("sent", [SENT, ASKED], ids=["sent", "asked"])
def test_a_stream_that_the_server_does_not_know_is_sent_again_from_its_beginning(sent: Sent) -> None:
    decision = judged(problem(404, "unknown_stream"), sent=sent)
    assert decision.rewind_to == 0


def test_a_new_stream_that_the_server_does_not_know_yet_is_no_reason_to_rewind() -> None:
    decision = judged(
        problem(404, "unknown_stream"), sent=replace(ASKED, acknowledged_through=0), state=LinkState()
    )
    assert decision.rewind_to is None
    assert decision.state.asked == {STREAM}


@pytest.mark.parametrize("outcome", [ok(40), known(40, 60)], ids=["sent", "asked"])
def test_a_lower_mark_rewinds_once_and_not_again(outcome: Reply) -> None:
    sent = ASKED if outcome.body == known(40, 60).body else SENT
    decision = judged(outcome, sent=sent)
    assert decision.rewind_to == 40
    again = judged(outcome, sent=sent, state=decision.state)
    assert again.rewind_to is None
    assert again.wait_s > 0


def test_a_server_that_knows_as_much_as_we_do_is_sent_to() -> None:
    decision = judged(known(100, 200), sent=ASKED, state=LinkState(failures=2))
    assert (decision.rewind_to, decision.fork, decision.wait_s) == (None, None, 0.0)
    assert STREAM in decision.state.asked


def test_a_server_that_answers_questions_and_takes_nothing_is_asked_ever_more_slowly() -> None:
    state, waits = LinkState(), []
    for _ in range(8):
        state = judged(known(100, 200), sent=ASKED, state=state).state
        refused = judged(problem(500, "server_broken"), state=state, jitter=1.0)
        state = refused.state
        waits.append(refused.wait_s)
    assert waits == [min(LONGEST_WAIT_S, 2.0**n) for n in range(8)]


def test_after_a_lost_reply_the_mark_releases_what_was_stored() -> None:
    for mark, through in ((150, 150), (200, 200), (100, None)):
        decision = judged(known(mark, 200), sent=ASKED, state=LinkState(failures=2))
        assert (decision.acknowledge_through, decision.state.failures) == (through, 0 if through else 2)
        assert (decision.wait_s, decision.rewind_to, decision.again) == (0.0, None, ())


def test_an_answer_to_a_question_ends_the_trouble_where_nothing_waits() -> None:
    nothing_waits = replace(ASKED, acknowledged_through=500, highest=500, released=500)
    decision = judged(known(500, 500), sent=nothing_waits, state=LinkState(failures=2))
    assert (decision.state.failures, decision.acknowledge_through, decision.wait_s) == (0, None, 0.0)


def test_a_mark_told_on_a_question_releases_nothing_that_this_process_never_sent() -> None:
    restarted = replace(ASKED, highest=500, released=100)
    assert releases_nothing(judged(known(300, 400), sent=restarted))
    some_sent = replace(ASKED, highest=500, released=200)
    assert judged(known(300, 400), sent=some_sent).acknowledge_through == 200


def test_a_mark_above_all_that_was_ever_sent_releases_nothing() -> None:
    assert releases_nothing(judged(known(201, 201), sent=ASKED))


def test_of_a_forked_stream_a_question_releases_nothing() -> None:
    assert releases_nothing(judged(known(200, 200), sent=replace(ASKED, forked=True)))


@pytest.mark.parametrize(
    "reply",
    [
        Reply(status=200, headers={"content-type": "text/html"}, body=PORTAL, trusted=True),
        Reply(status=200, headers={"content-type": "application/json"}, body=PORTAL, trusted=True),
        Reply(status=200, headers={}, body=known(200, 200).body, trusted=True),
        Reply(
            status=200,
            headers={"content-type": "application/json"},
            body=known(200, 200).body.replace(STREAM.encode(), b"019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"),
            trusted=True,
        ),
        Reply(
            status=200,
            headers={"content-type": "application/json"},
            body=known(200, 200).body.replace(b"200", b'"200"'),
            trusted=True,
        ),
        replace(known(200, 200), status=203),
    ],
    ids=["portal", "portal as JSON", "no type", "other stream", "a number as text", "other status"],
)
def test_what_is_no_answer_to_a_question_releases_nothing(reply: Reply) -> None:
    decision = judged(reply, sent=ASKED)
    assert releases_nothing(decision)
    assert (decision.rewind_to, decision.state.failures) == (None, 1)


def test_a_suspect_that_turns_out_to_be_stored_is_none_any_more() -> None:
    suspicious = replace(STATE, suspect_through=180, trial=1, bare=True, opaque=True, failures=1)
    assert judged(known(150, 150), sent=ASKED, state=suspicious).state.opaque
    after = judged(known(180, 180), sent=ASKED, state=suspicious).state
    assert (after.suspect_through, after.trial, after.bare, after.opaque) == (0, 0, False, False)


def test_a_server_that_has_seen_numbers_we_never_gave_means_a_copied_disk() -> None:
    assert judged(known(100, 501), sent=ASKED).fork == "stream_forked"


# ---------------------------------------------------------------- 409


def test_a_forked_stream_gets_a_new_one_and_is_sent_to_its_end() -> None:
    decision = judged(problem(409, "stream_forked"))
    assert (decision.fork, decision.move) == ("stream_forked", False)


def test_a_stream_bound_to_another_device_takes_its_readings_to_a_new_one() -> None:
    decision = judged(problem(409, "stream_bound"))
    assert (decision.fork, decision.move) == ("stream_bound", True)


def test_what_is_refused_even_as_a_forked_stream_goes_to_the_new_one() -> None:
    assert judged(problem(409, "stream_forked"), sent=replace(SENT, forked=True)).move


def test_conflicts_under_a_forked_stream_are_appended_again() -> None:
    notes = (
        QuarantineNote(first=110, last=120, code="number_conflict", detail=""),
        QuarantineNote(first=130, last=130, code="time_in_future", detail=""),
    )
    assert judged(ok(200, quarantined=notes), sent=replace(SENT, forked=True)).again == ((110, 120),)


def test_more_conflicts_than_are_listed_are_asked_for_in_smaller_batches() -> None:
    notes = (QuarantineNote(first=110, last=110, code="number_conflict", detail=""),)
    answer = ok(200, quarantined=notes, quarantined_more=1)
    decision = judged(answer, sent=replace(SENT, forked=True))
    assert (decision.acknowledge_through, decision.again) == (None, ())
    assert batch_limit(decision.state) == SENT.count // 2


def test_a_conflict_means_a_copied_spool_and_opens_a_new_stream() -> None:
    """What conflicts goes to it with the next answer, as that of a forked stream."""
    notes = (QuarantineNote(first=110, last=120, code="number_conflict", detail=""),)
    decision = judged(ok(200, quarantined=notes))
    assert (decision.fork, decision.move, decision.again) == ("number_conflict", False, ())
    assert decision.acknowledge_through is None
    assert judged(ok(200, quarantined=notes), sent=replace(SENT, forked=True)).fork is None


def test_another_409_is_as_no_answer() -> None:
    decision = judged(problem(409, "something_else"))
    assert releases_nothing(decision)
    assert decision.wait_s > 0


# ---------------------------------------------------------------- no answer, and what is not our server


@pytest.mark.parametrize(
    "outcome",
    [
        NoAnswer("connection refused"),
        *(Reply(status=status, headers={}, body=b"") for status in (408, 500, 502, 504)),
        *(
            Reply(status=status, headers={}, body=b"")
            for status in (201, 202, 204, 301, 302, 307, 308, 405, 410)
        ),
        Reply(status=404, headers={"content-type": "text/html"}, body=PORTAL),
        problem(404, "not_found"),
        Reply(status=404, headers={"content-type": "application/problem+json"}, body=b"not JSON"),
    ],
    ids=lambda outcome: "no answer" if isinstance(outcome, NoAnswer) else str(outcome.status),
)
def test_without_an_answer_the_same_batch_goes_again_after_a_while(outcome: Outcome) -> None:
    decision = judged(outcome, state=replace(STATE, failures=2))
    assert releases_nothing(decision)
    assert decision.rewind_to is None
    assert decision.wait_s == pytest.approx(0.5 * 4.0)
    assert batch_limit(decision.state) == batch_limit(STATE)
    assert decision.state.asked == frozenset(), "the server is asked where it stands after an error"


@pytest.mark.parametrize("failures", [0, 1, 5, 9, 500])
def test_waits_are_spread_from_zero_to_a_bound_that_grows_up_to_minutes(failures: int) -> None:
    assert full_jitter_s(failures, 0.0) == 0
    assert full_jitter_s(failures, 1.0) == min(LONGEST_WAIT_S, 2.0 ** min(failures, 30))


@pytest.mark.parametrize(
    "outcome", [NoAnswer("cut"), problem(500, "internal_error"), problem(503, "store_full")]
)
def test_no_wait_after_a_failure_is_longer_than_the_asking_interval(outcome: Outcome) -> None:
    state = replace(STATE, failures=500, longest_wait_s=20.0)
    decision = decide(state, SENT, outcome, jitter=1.0, now=NOW)
    assert decision.wait_s == 20.0
    assert decision.state.longest_wait_s == 20.0, "the next failure too"


# ---------------------------------------------------------------- 413, 415


def test_a_batch_over_the_limit_is_halved_for_good() -> None:
    decision = judged(problem(413, "too_large"))
    assert batch_limit(decision.state) == 50
    assert batch_limit(judged(ok(150), state=decision.state).state) == 50


def test_one_reading_over_the_limit_goes_the_way_of_a_culprit() -> None:
    assert judged(problem(413, "too_large"), sent=replace(SENT, count=1, first=101, last=101)).state.opaque


def test_a_content_coding_that_is_not_supported_is_followed_by_the_next_and_at_last_by_none() -> None:
    state, used = STATE, [CODINGS[STATE.coding]]
    for _ in range(2):
        state = judged(problem(415, "coding_not_supported"), state=state).state
        used.append(CODINGS[state.coding])
    assert used == ["zstd", "gzip", "identity"]
    last = judged(problem(415, "coding_not_supported"), state=state)
    assert last.wait_s > 0
    assert releases_nothing(last)


# ---------------------------------------------------------------- 429, 503


def test_what_meets_too_many_gaps_is_kept_and_sent_again_after_a_wait() -> None:
    decision = judged(problem(409, "too_many_gaps"), jitter=1.0)
    assert (decision.wait_s > 0, decision.waits_for, decision.fork) == (True, "server", None)
    assert "more gaps than the server keeps" in str(decision.reason)
    assert releases_nothing(decision)


@pytest.mark.parametrize("status", [429, 503])
@pytest.mark.parametrize(
    ("value", "wait_s"),
    [
        ("120", 120.0),  # RFC 9110 section 10.2.3
        ("Sun, 06 Nov 1994 08:49:37 GMT", 37.0),  # section 5.6.7, the three forms of one instant
        ("Sunday, 06-Nov-94 08:49:37 GMT", 37.0),
        ("Sun Nov  6 08:49:37 1994", 37.0),
    ],
)
def test_a_busy_server_is_left_alone_as_long_as_it_asks(status: int, value: str, wait_s: float) -> None:
    reply = problem(status, "overloaded", retry_after=value, date="Sun, 06 Nov 1994 08:49:00 GMT")
    assert judged(reply, jitter=0.0).wait_s == wait_s
    assert wait_s <= judged(reply, jitter=1.0).wait_s <= 1.1 * wait_s + 1e-9
    assert releases_nothing(judged(reply))


@pytest.mark.parametrize(
    ("answer", "is_known"),
    [
        (problem(503, "overloaded", retry_after="3"), True),  # refused before it was looked at
        (problem(429, "over_quota"), True),
        (problem(503, "store_unavailable"), False),  # whether it was committed is not known
        (Reply(status=503, headers={}, body=b""), False),  # a proxy's: whatever stood behind it
    ],
)
def test_after_a_refusal_for_want_of_room_the_mark_needs_no_question(answer: Reply, is_known: bool) -> None:
    asked = frozenset({SENT.stream})
    after = judged(answer, state=replace(STATE, asked=asked)).state
    assert after.asked == (asked if is_known else frozenset())


@pytest.mark.parametrize("value", [None, "soon"])
def test_a_busy_server_that_does_not_say_how_long_is_backed_off_from(value: str | None) -> None:
    headers = {} if value is None else {"retry_after": value}
    assert judged(problem(503, "overloaded", **headers), state=replace(STATE, failures=3)).wait_s == 4.0


def test_no_server_silences_a_machine_for_longer_than_an_hour() -> None:
    assert (
        judged(problem(503, "overloaded", retry_after="999999"), jitter=0.0).wait_s == LONGEST_RETRY_AFTER_S
    )


def test_a_detail_that_is_no_json_does_no_harm() -> None:
    reply = Reply(status=422, headers={"content-type": "application/problem+json"}, body=b"\xff")
    assert "no detail" in judged(reply).reason
    assert json.loads(problem(422, "x", "why").body)["detail"] == "why"
