"""What an answer says of the time: which ones are believed, and how wide."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from cleanside.gateway.timing.clock import Anchor
from cleanside.gateway.uplink.server_time import Exchange, anchor_of, resolution_us
from cleanside.gateway.uplink.transport import Reply
from cleanside.gateway.wire import instant_text

NOON_US = 1_796_169_600_000_000  # 2026-12-02T00:00:00Z
SAID_US = NOON_US + 123_457
EXCHANGE = Exchange(
    request_id="0123456789ab",
    asked_us=1_000_000,
    answered_us=1_300_000,
    before=None,
    shown=datetime(2026, 12, 2, tzinfo=UTC),
)


def answer(said: object = SAID_US, *, code: str | None = None, **headers: str) -> Reply:
    """An answer; code: a refusal. said: the time in it, microseconds or as it is; None: it says none."""
    document = {} if said is None else {"server_time": instant_text(said) if type(said) is int else said}
    if code is not None:
        document["code"] = code
    kind = "application/json" if code is None else "application/problem+json"
    fields = {name.replace("_", "-"): value for name, value in headers.items()}
    return Reply(
        status=200 if code is None else 404,
        headers={"content-type": kind, "request-id": EXCHANGE.request_id} | fields,
        body=json.dumps(document).encode(),
        trusted=True,
    )


def without_id(reply: Reply) -> Reply:
    return replace(reply, headers={k: v for k, v in reply.headers.items() if k != "request-id"})


@pytest.mark.parametrize("code", [None, "unknown_stream", "over_quota", "store_unavailable"])
def test_every_answer_of_our_server_tells_the_time_refusals_too(code: str | None) -> None:
    anchor = anchor_of(answer(code=code), EXCHANGE)
    assert anchor is not None
    assert (anchor.kind, anchor.since_boot_us) == ("server", 1_150_000)
    assert abs(anchor.utc_us - SAID_US) <= 1
    assert 150_000 < anchor.uncertainty_us <= 150_000 + 100


@pytest.mark.parametrize(
    ("us", "step_us"),
    [(1, 1), (1_234_560, 10), (1_234_000, 1_000), (1_200_000, 100_000), (1_000_000, 1_000_000), (0, 10**6)],
)
def test_a_time_may_have_been_cut_by_a_step_of_its_last_digit(us: int, step_us: int) -> None:
    assert resolution_us(us) == step_us


def test_a_time_in_whole_seconds_may_lie_anywhere_in_its_second() -> None:
    anchor = anchor_of(answer(NOON_US), EXCHANGE)
    assert anchor is not None
    assert anchor.utc_us == NOON_US + 500_000
    assert anchor.uncertainty_us >= 150_000 + 500_000


@pytest.mark.parametrize(
    "reply",
    [
        replace(answer(), trusted=False),
        answer(age="0"),  # RFC 9111 section 5.1: a cache gave it out
        answer(request_id="another request"),
        answer(None),
        answer("yesterday"),
        answer([7]),
        replace(answer(), body=b"<html>"),
        replace(answer(), body=b"[1]"),
        replace(answer(), headers={"content-type": "text/html"}),
        replace(answer(), headers={"content-type": "application/problem+json"}),
    ],
    ids=[
        *("no trust", "cached", "of another", "no time", "no instant", "a list in its place", "no JSON"),
        *("a list", "a page", "a problem that is not ours"),
    ],
)
def test_what_may_not_be_our_servers_word_of_this_moment_is_no_anchor(reply: Reply) -> None:
    assert anchor_of(reply, EXCHANGE) is None


DATE = "Wed, 02 Dec 2026 00:00:00 GMT"


def test_a_date_is_read_of_refusals_of_the_previous_release_alone() -> None:
    anchor = anchor_of(answer(None, code="unknown_stream", date=DATE), EXCHANGE)
    assert anchor is not None
    assert anchor.uncertainty_us >= 2_000_000 + 150_000
    assert anchor.utc_us - anchor.uncertainty_us <= NOON_US
    assert anchor_of(answer(None, date=DATE), EXCHANGE) is None  # an answer without the field is not ours
    proxy = Reply(status=502, headers={"content-type": "text/html", "date": DATE}, body=b"", trusted=True)
    assert anchor_of(proxy, EXCHANGE) is None
    assert anchor_of(answer(None, code="unknown_stream", date="soon"), EXCHANGE) is None


def test_a_time_from_before_the_question_is_an_answer_that_was_kept() -> None:
    """RFC 9111 lets a cache leave out Age where it is an HTTP/1.0 one, and proxies drop unknown fields."""
    before = Anchor(kind="ntp", since_boot_us=500_000, utc_us=SAID_US + 60_000_000, uncertainty_us=10_000)
    known = replace(EXCHANGE, before=before)
    assert anchor_of(without_id(answer()), known) is None
    later = replace(before, utc_us=SAID_US - 500_000)
    assert anchor_of(without_id(answer()), replace(EXCHANGE, before=later)) is not None


def test_a_server_whose_clock_was_set_back_is_believed_where_its_answer_is_proved_to_be_new() -> None:
    before = Anchor(kind="server", since_boot_us=500_000, utc_us=SAID_US + 60_000_000, uncertainty_us=10_000)
    assert anchor_of(answer(), replace(EXCHANGE, before=before)) is not None
