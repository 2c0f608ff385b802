"""The checksum of a reading: each bit of each part of it counts."""

from __future__ import annotations

from zlib import crc32

from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway.spool.checksum import number_share, reading_share, row_sum, row_sums, unit_seed

STREAM = "01a23556-a300-7000-8000-000000000008"
PAYLOAD = "[1004.25,1795]"
SEED = unit_seed((("restriction", "Pa"), ("engine_speed", "r/min")))
TIME_US = 1_796_191_200_000_000

times = st.integers(-(2**62), 2**62)


def sum_of(
    boot: int | None = 3,
    time_us: int = TIME_US,
    uncertainty_s: float | None = None,
    seed: int = SEED,
    payload: str = PAYLOAD,
    stream: str = STREAM,
    seq: int = 17,
) -> int:
    return row_sum(payload, reading_share(boot, time_us, uncertainty_s, seed) + number_share(stream, seq))


def test_the_polynomial_is_that_of_ieee_802_3() -> None:
    """Check value of CRC-32/ISO-HDLC for "123456789": ITU-T V.42, 8.1.1.6.2; the value from memory."""
    assert crc32(b"123456789") == 0xCBF43926


@given(times, st.integers(0, 62))
def test_each_bit_of_a_time_counts(time_us: int, bit: int) -> None:
    assert sum_of(time_us=time_us) != sum_of(time_us=time_us ^ 1 << bit)


@given(st.integers(1, 2**40), st.integers(0, 40))
def test_each_bit_of_a_number_and_of_a_boot_counts(number: int, bit: int) -> None:
    assert sum_of(seq=number) != sum_of(seq=number ^ 1 << bit)
    assert sum_of(boot=number) != sum_of(boot=number ^ 1 << bit)


def test_each_bit_of_a_payload_counts() -> None:
    for place in range(len(PAYLOAD)):
        for bit in range(7):
            other = PAYLOAD[:place] + chr(ord(PAYLOAD[place]) ^ 1 << bit) + PAYLOAD[place + 1 :]
            assert sum_of(payload=other) != sum_of()


def test_what_stands_beside_the_values_counts() -> None:
    changed = [
        sum_of(boot=None),
        sum_of(uncertainty_s=2.5),
        sum_of(uncertainty_s=0.0),
        sum_of(seed=unit_seed((("restriction", "kPa"), ("engine_speed", "r/min")))),
        sum_of(stream=STREAM[:-1] + "9"),
    ]
    assert len({sum_of(), *changed}) == len(changed) + 1


@given(st.lists(st.tuples(times, st.text("0123456789.,-", max_size=20)), max_size=60))
def test_many_at_once_have_the_sums_of_one_at_a_time(rows: list[tuple[int, str]]) -> None:
    shares = [reading_share(3, time_us, None, SEED) for time_us, _ in rows]
    at_once = row_sums([payload for _, payload in rows], shares, number_share(STREAM, 17))
    each = [sum_of(time_us=time_us, payload=text, seq=17 + i) for i, (time_us, text) in enumerate(rows)]
    assert at_once == each
    assert all(-(2**31) <= one < 2**31 for one in at_once)
