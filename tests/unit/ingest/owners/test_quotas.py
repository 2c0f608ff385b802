"""Limits: how much a key may ask, how often an address may try; bounded in memory."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway.wire import MAX_BODY_BYTES
from cleanside.ingest.errors import Refused
from cleanside.ingest.owners.quotas import BURST_S, LATEST_S, Buckets, Limits, address_of


class Seconds:
    """A clock of the test's own."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def limits(clock: Seconds, **more: float) -> Limits:
    rates = {"key_requests_per_s": 2.0, "key_bytes_per_s": 1000.0, "address_tries_per_minute": 6.0} | more
    return Limits(monotonic_s=clock, **rates)


def test_a_key_may_save_up_twenty_seconds_and_no_more() -> None:
    clock = Seconds()
    those = limits(clock)
    clock.now_s += 3600
    for _ in range(int(2 * BURST_S)):
        those.spend(1, 0)
    with pytest.raises(Refused) as refused:
        those.spend(1, 0)
    assert (refused.value.status, refused.value.code) == (429, "over_quota")


def test_who_comes_back_when_told_to_gets_through() -> None:
    clock = Seconds()
    those = limits(clock)
    for _ in range(int(2 * BURST_S)):
        those.spend(1, 0)
    with pytest.raises(Refused) as refused:
        those.spend(1, 0)
    clock.now_s += float(refused.value.headers["Retry-After"])
    those.spend(1, 0)


def test_one_key_over_its_quota_is_no_matter_to_another() -> None:
    those = limits(Seconds())
    for _ in range(int(2 * BURST_S)):
        those.spend(1, 0)
    with pytest.raises(Refused):
        those.spend(1, 0)
    those.spend(2, 0)


def test_bytes_count_and_what_was_not_read_is_given_back() -> None:
    clock = Seconds()
    those = limits(clock, key_requests_per_s=0, key_bytes_per_s=20_000.0)
    those.spend(1, MAX_BODY_BYTES)  # passes once: a full bucket lets any one request through
    with pytest.raises(Refused) as refused:
        those.spend(1, 1)
    assert (refused.value.code, refused.value.case) == ("over_quota", "key_bytes_spent")
    owed_s = (MAX_BODY_BYTES - 20_000 * BURST_S) / 20_000
    assert int(refused.value.headers["Retry-After"]) == pytest.approx(owed_s, abs=1)
    those.give_back(1, MAX_BODY_BYTES - 100)
    those.spend(1, int(20_000 * BURST_S) - 101)
    those.spend(1, MAX_BODY_BYTES)
    those.give_back(1, 10 * MAX_BODY_BYTES)  # a bucket never holds more than it does
    those.spend(1, int(20_000 * BURST_S))
    with pytest.raises(Refused):
        those.spend(1, 1)


def test_nobody_is_sent_away_for_longer_than_two_minutes() -> None:
    those = limits(Seconds(), key_requests_per_s=0)
    those.spend(1, 10**15)
    with pytest.raises(Refused) as refused:
        those.spend(1, 1)
    assert int(refused.value.headers["Retry-After"]) == LATEST_S == 120


@given(st.lists(st.tuples(st.floats(0, 5), st.integers(1, 30)), min_size=1, max_size=200))
def test_over_any_time_no_more_passes_than_the_rate_the_burst_and_one_request(
    steps: list[tuple[float, int]],
) -> None:
    """The defining property of a token bucket, here with one request of debt."""
    clock = Seconds()
    bucket: Buckets[str] = Buckets(3.0, burst=10.0, monotonic_s=clock)
    began_s, passed, largest = clock.now_s, 0, 0
    for pause_s, tokens in steps:
        clock.now_s += pause_s
        if bucket.take("a", tokens) == 0.0:
            passed += tokens
            largest = max(largest, tokens)
        assert passed <= 10.0 + 3.0 * (clock.now_s - began_s) + largest + 1e-6


def test_a_rate_of_nothing_means_no_limit() -> None:
    those = limits(Seconds(), key_requests_per_s=0, key_bytes_per_s=0, address_tries_per_minute=0)
    for _ in range(10_000):
        those.spend(1, MAX_BODY_BYTES)
        those.tried_in_vain("192.0.2.1")
    those.may_try("192.0.2.1")


def test_an_address_that_tries_too_often_has_to_wait_and_others_need_not() -> None:
    clock = Seconds()
    those = limits(clock)
    for _ in range(6):
        those.may_try("192.0.2.1")
        those.tried_in_vain("192.0.2.1")
    with pytest.raises(Refused) as refused:
        those.may_try("192.0.2.1")
    assert refused.value.status == 429
    those.may_try("192.0.2.2")
    clock.now_s += float(refused.value.headers["Retry-After"])
    those.may_try("192.0.2.1")


def test_memory_is_bounded_and_those_beyond_the_bound_share_one_bucket() -> None:
    clock = Seconds()
    buckets: Buckets[int] = Buckets(1.0, burst=2.0, most=100, monotonic_s=clock)
    for name in range(100):
        buckets.take(name, 2.0)
    assert buckets.take(1000, 2.0) == 0.0
    assert buckets.take(1001, 2.0) > 0.0  # the same bucket, which is empty now
    assert len(buckets) <= 101
    clock.now_s += 2.0  # all are full again: they say nothing, and go
    assert buckets.take(1001, 1.0) == 0.0
    assert len(buckets) <= 2


@pytest.mark.parametrize(
    ("host", "counted"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::"),
        ("2001:db8:1:2:ffff::1", "2001:db8:1:2::"),
        ("fe80::1%eth0", "fe80::"),
        ("testclient", "unknown"),
        (None, "unknown"),
    ],
)
def test_a_network_of_ipv6_is_one_address(host: str | None, counted: str) -> None:
    """RFC 6177: a site has at least a /64 to itself; documentation addresses of RFC 5737 and 3849."""
    assert address_of(host) == counted
