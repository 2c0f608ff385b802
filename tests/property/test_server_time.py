"""A stated width of time holds the truth: whatever the link, the server and the digits do."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from email.utils import formatdate

from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway.timing.placement import GROWTH_PPB
from cleanside.gateway.uplink.server_time import Exchange, anchor_of
from cleanside.gateway.uplink.transport import Reply
from cleanside.gateway.wire import instant_text

BEGIN_US = 1_796_169_600_000_000
delays_us = st.one_of(st.integers(0, 5_000), st.integers(0, 2_000_000), st.integers(0, 40_000_000))
drifts_ppb = st.integers(-GROWTH_PPB, GROWTH_PPB)
SHOWN = datetime(1970, 1, 1, tzinfo=UTC)


def exchange_of(before_us: int, after_us: int, drift_ppb: int, since_us: int) -> Exchange:
    """As a boot's clock sees it that runs `drift_ppb` fast."""
    took_us = before_us + after_us
    measured_us = took_us + took_us * drift_ppb // 10**9
    return Exchange(
        request_id="0123456789ab",
        asked_us=since_us,
        answered_us=since_us + measured_us,
        before=None,
        shown=SHOWN,
    )


def misses_us(reply: Reply, exchange: Exchange, answered_true_us: int) -> int:
    """How far outside its stated width the truth lies at the end of the exchange; 0 or less: it is within."""
    anchor = anchor_of(reply, exchange)
    assert anchor is not None
    to_end_us = exchange.answered_us - anchor.since_boot_us
    said_us = anchor.utc_us + to_end_us
    width_us = anchor.uncertainty_us + to_end_us * GROWTH_PPB // 10**9 + 1  # as a placement has it there
    return abs(said_us - answered_true_us) - width_us


@given(
    start_us=st.integers(0, 10**12),
    before_us=delays_us,
    paused_us=delays_us,
    after_us=delays_us,
    digits=st.integers(0, 6),
    drift_ppb=drifts_ppb,
    refused=st.booleans(),
)
def test_the_truth_lies_within_the_width_that_an_answer_states(
    start_us: int,
    before_us: int,
    paused_us: int,
    after_us: int,
    digits: int,
    drift_ppb: int,
    refused: bool,
) -> None:
    """The server reads its clock, and may be paused before it and after it; it cuts to so many digits."""
    asked_us = BEGIN_US + start_us
    stamped_us = asked_us + before_us
    said_us = stamped_us // 10 ** (6 - digits) * 10 ** (6 - digits)
    answered_us = stamped_us + paused_us + after_us
    document = {"server_time": instant_text(said_us)} | ({"code": "unknown_stream"} if refused else {})
    reply = Reply(
        status=404 if refused else 200,
        headers={"content-type": f"application/{'problem+' if refused else ''}json"},
        body=json.dumps(document).encode(),
        trusted=True,
    )
    exchange = exchange_of(before_us, paused_us + after_us, drift_ppb, 3_600_000_000)
    assert misses_us(reply, exchange, answered_us) <= 0


@given(
    start_us=st.integers(0, 10**12),
    before_us=delays_us,
    after_us=delays_us,
    lag_us=st.integers(0, 3_999_999),
    drift_ppb=drifts_ppb,
)
def test_the_truth_lies_within_the_width_that_a_date_of_the_previous_release_states(
    start_us: int, before_us: int, after_us: int, lag_us: int, drift_ppb: int
) -> None:
    """Its library makes the `Date` once a second or later, and cuts it to whole seconds."""
    stamped_us = BEGIN_US + start_us + before_us
    date = formatdate((stamped_us - lag_us) // 1_000_000, usegmt=True)
    reply = Reply(
        status=404,
        headers={"content-type": "application/problem+json", "date": date},
        body=b'{"code": "unknown_stream"}',
        trusted=True,
    )
    exchange = exchange_of(before_us, after_us, drift_ppb, 3_600_000_000)
    anchor = anchor_of(reply, exchange)
    assert anchor is not None
    assert anchor.uncertainty_us >= 2_000_000 + (before_us + after_us) // 2 - 5_000
    assert misses_us(reply, exchange, stamped_us + after_us) <= 0
