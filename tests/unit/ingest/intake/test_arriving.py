"""What a key is charged for a body, and what it gets back."""

from __future__ import annotations

import pytest

from cleanside.ingest.intake.arriving import Arriving, declared_bytes


def never(size_bytes: int) -> None:
    pytest.fail(f"charged {size_bytes}")


@pytest.mark.parametrize(
    ("length", "is_chunked", "declared"),
    [("38", False, 38), (None, False, 0), (None, True, None), ("no number", False, None)],
)
def test_a_size_is_declared_or_it_is_not(length: str | None, is_chunked: bool, declared: int | None) -> None:
    assert declared_bytes(length, is_chunked=is_chunked) == declared


@pytest.mark.parametrize(
    ("declared", "came", "reserved", "given_back"),
    [
        (38, 38, 38, []),
        (38, 10, 38, [28]),
        (10**15, 0, 1000, [1000]),
        (None, 300, 1000, [700]),
        (None, 1_001, 1000, []),
        (0, 0, 0, []),
    ],
)
def test_at_most_the_limit_is_reserved_and_what_was_not_read_is_given_back(
    declared: int | None, came: int, reserved: int, given_back: list[int]
) -> None:
    found: list[int] = []
    arriving = Arriving(limit_bytes=1000, declared_bytes=declared)
    assert arriving.reserved_bytes == reserved
    arriving.was_charged(found.append, never)
    arriving.came_bytes = came
    arriving.end()
    assert found == given_back


@pytest.mark.parametrize(
    ("came", "decoded", "charged"), [(1_000, 8_000, []), (1_000, 3_000, []), (1_000, 80_000, [9_000])]
)
def test_what_decompresses_to_much_more_is_charged_for_it(
    came: int, decoded: int, charged: list[int]
) -> None:
    found: list[int] = []
    arriving = Arriving(limit_bytes=10_000, declared_bytes=came)
    arriving.was_charged(never, found.append)
    arriving.came(came, more=False)
    arriving.decompressed(decoded)
    arriving.end()
    assert found == charged


@pytest.mark.parametrize(
    ("declared", "came", "too_large"),
    [(1000, 1000, False), (1001, 0, True), (None, 1000, False), (None, 1001, True), (10, 1001, True)],
)
def test_it_is_too_large_by_its_header_or_by_what_came(
    declared: int | None, came: int, too_large: bool
) -> None:
    arriving = Arriving(limit_bytes=1000, declared_bytes=declared)
    arriving.came_bytes = came
    assert arriving.is_too_large is too_large
