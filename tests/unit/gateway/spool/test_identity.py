"""Streams have names that are never given twice."""

from __future__ import annotations

import os
from uuid import UUID

import pytest

from cleanside.gateway.spool.identity import uuid7
from tests.unit.gateway.helpers import counted_bytes


def test_the_vector_of_rfc_9562_is_made() -> None:
    # RFC 9562 appendix A.6: 2022-02-22T14:22:22-05:00, rand_a 0xCC3, rand_b 0b01 then 0x8C4DC0C0C07398F.
    noise = (0xCC3 << 68 | 0x18C4DC0C0C07398F).to_bytes(10, "big")
    assert uuid7(unix_ms=1645557742000, random=lambda _: noise) == "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"


def test_version_and_variant_are_those_of_the_rfc() -> None:
    name = UUID(uuid7(unix_ms=0, random=os.urandom))
    assert (name.version, name.variant) == (7, "specified in RFC 4122")


def test_two_names_of_one_millisecond_differ() -> None:
    random = counted_bytes()
    assert uuid7(unix_ms=5, random=random) != uuid7(unix_ms=5, random=random)


@pytest.mark.parametrize("unix_ms", [-1, 2**48])
def test_a_time_beyond_48_bits_is_refused(unix_ms: int) -> None:
    with pytest.raises(ValueError, match="48 bits"):
        uuid7(unix_ms=unix_ms, random=os.urandom)
