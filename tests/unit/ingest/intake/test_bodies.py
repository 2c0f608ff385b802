"""Undoing content codings: bounded in memory and in time, whatever a sender makes of them."""

from __future__ import annotations

import gzip
import time
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway.wire import MAX_BODY_BYTES, MAX_DECODED_BYTES
from cleanside.ingest.errors import Refused
from cleanside.ingest.intake.bodies import decompress
from tests.support.coded import refused

EMPTY = gzip.compress(b"", mtime=0)


@given(st.lists(st.binary(max_size=200), min_size=1, max_size=8), st.integers(0, 3))
def test_members_one_behind_the_other_are_one_content(parts: list[bytes], repeats: int) -> None:
    """RFC 1952 section 2.2: a file is a series of members."""
    long = [part * 1_000**repeats if repeats < 2 else part for part in parts]
    assert decompress(b"".join(gzip.compress(part) for part in long), "gzip") == b"".join(long)


@pytest.mark.parametrize("cut", [1, 9, 17, 18_000, 40_000])
def test_a_body_that_ends_within_a_member_is_broken(cut: int) -> None:
    noise = bytes((n * n * 7919) % 251 for n in range(60_000))
    body = gzip.compress(b"a") + zlib.compress(noise, level=0, wbits=31)
    with refused(Refused, "coding_broken"):
        decompress(body[:-cut], "gzip")


def test_a_bomb_ends_at_the_limit() -> None:
    with refused(Refused, "body_too_large"):
        decompress(gzip.compress(bytes(MAX_DECODED_BYTES + 1)), "gzip")
    assert len(decompress(gzip.compress(bytes(MAX_DECODED_BYTES)), "gzip")) == MAX_DECODED_BYTES


def test_very_many_members_cost_no_more_than_their_bytes() -> None:
    """
    Empty members within the limit took up to 3.4 s of the event loop: what was left was copied at each.

    Four times as many bytes take four times as long, and took sixteen times.
    """
    whole = MAX_BODY_BYTES // len(EMPTY)
    assert _took_s(EMPTY * whole) < 8 * _took_s(EMPTY * (whole // 4))


def _took_s(body: bytes) -> float:
    """The least processor time of three tries [s]."""
    tries = []
    for _ in range(3):
        began_s = time.process_time()
        assert decompress(body, "gzip") == b""
        tries.append(time.process_time() - began_s)
    return min(tries)
