"""When the account is counted: for monitoring as set, more often where somebody waits for it."""

from __future__ import annotations

import pytest

from cleanside.ingest.keeping.accountant import AWAITED_EVERY_S, interval_of, is_due
from cleanside.ingest.writer.resources import Counted

DAY_S = 86_400
NOW_US = 1_770_000_000_000_000


@pytest.mark.parametrize(
    ("set_s", "awaited", "expected"),
    [
        (DAY_S, False, DAY_S),
        (DAY_S, True, AWAITED_EVERY_S),
        (60, True, 60),
        (0, False, None),
        (0, True, AWAITED_EVERY_S),
    ],
)
def test_the_shorter_of_what_is_set_and_what_is_awaited(
    set_s: int, awaited: bool, expected: float | None
) -> None:
    assert interval_of(set_s, awaited=awaited) == expected


@pytest.mark.parametrize(
    ("age_s", "every_s", "expected"),
    [
        (None, 900.0, True),
        (None, None, False),
        (899, 900.0, False),
        (900, 900.0, True),
        (-1, 900.0, True),  # the clock was set back
        (DAY_S, None, False),
    ],
)
def test_it_is_time_once_the_last_count_is_as_old(
    age_s: int | None, every_s: float | None, expected: bool
) -> None:
    last = None if age_s is None else Counted(1, 0, {}, NOW_US - age_s * 1_000_000)
    assert is_due(last, every_s, NOW_US) == expected
