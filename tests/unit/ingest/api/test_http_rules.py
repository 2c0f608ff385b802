"""What a head must be, and how long its bytes may take: cases of RFC 9112 and RFC 9110."""

from __future__ import annotations

import pytest

from cleanside.ingest.api.http_rules import (
    LARGE_HEAD,
    LONG_TARGET,
    MAX_TARGET_BYTES,
    ONE_HOST,
    SLOWEST_BYTES_PER_S,
    UNKNOWN_CODING,
    UNKNOWN_VERSION,
    Fault,
    fault_of_head,
    is_late,
)

HOST = (b"host", b"shop.example")


@pytest.mark.parametrize(
    ("version", "target", "fields", "fault"),
    [
        ("1.1", b"/", [HOST], None),
        ("1.0", b"/", [], None),
        ("1.1", b"/", [], ONE_HOST),
        ("1.1", b"/", [HOST, HOST], ONE_HOST),
        ("1.0", b"/", [HOST, HOST], ONE_HOST),
        ("0.9", b"/", [], UNKNOWN_VERSION),
        ("2.0", b"/", [HOST], UNKNOWN_VERSION),
        ("1.1", b"a" * MAX_TARGET_BYTES, [HOST], None),
        ("1.1", b"a" * (MAX_TARGET_BYTES + 1), [HOST], LONG_TARGET),
        ("1.1", b"/", [HOST, (b"transfer-encoding", b"Chunked")], None),
        ("1.1", b"/", [HOST, (b"transfer-encoding", b"gzip, chunked")], UNKNOWN_CODING),
        ("1.1", b"/", [HOST, *[(b"a", b"b")] * 99], None),
        ("1.1", b"/", [HOST, *[(b"a", b"b")] * 100], LARGE_HEAD),
        ("1.1", b"/", [HOST, (b"a", b"b" * 20_000)], LARGE_HEAD),
    ],
)
def test_a_head_is_sound_or_has_one_fault(
    version: str, target: bytes, fields: list[tuple[bytes, bytes]], fault: Fault | None
) -> None:
    assert fault_of_head(version, target, fields) == fault


@pytest.mark.parametrize(
    ("host", "sound"),
    [
        (b"", True),
        (b"shop.example:8750", True),
        (b"192.0.2.1:", True),
        (b"[2001:db8::1]:443", True),
        (b"shop_1", True),
        (b"shop.example/path", False),
        (b"user@shop.example", False),
        (b"shop.example, other.example", False),
        (b"shop example", False),
        (b"shop.example:http", False),
        (b"2001:db8::1", False),
        (b"sh\xf6p", False),
    ],
)
def test_a_host_is_a_name_or_an_address_and_perhaps_a_port(host: bytes, sound: bool) -> None:
    """RFC 9110 section 7.2 with RFC 3986 section 3.2.2."""
    assert (fault_of_head("1.1", b"/", [(b"host", host)]) is None) is sound


def test_a_slow_link_has_the_time_it_needs_and_one_that_stopped_has_not() -> None:
    wait_s = 60.0
    assert not is_late(60.0, wait_s)
    assert is_late(60.1, wait_s)
    for seconds in range(0, 4_000, 50):  # a mebibyte at 300 B/s, a satellite modem, takes 58 minutes
        assert not is_late(seconds, wait_s, body_bytes=300 * seconds)
    assert is_late(61.0 + 1_000 / SLOWEST_BYTES_PER_S, wait_s, body_bytes=1_000)
