"""Whether many monitors that are ahead alike tell that the server's clock is behind. Pure."""

from __future__ import annotations

import pytest

from cleanside.ingest.analysis.server_clock import MINUTE_US, AheadOfServer, ahead_alike, went_back_us

DAY = 24 * 60


def found(leads_min: dict[str, float], began_min: dict[str, float], heard_min: list[float]) -> set[str]:
    """The monitors; leads, when each began and when each was heard last in minutes."""
    ahead = {
        name: AheadOfServer(round(lead * MINUTE_US), round(began_min.get(name, 0) * MINUTE_US))
        for name, lead in leads_min.items()
    }
    return set(ahead_alike(ahead, [round(at * MINUTE_US) for at in heard_min]))


A_DAY_BEHIND = {"a": DAY, "b": DAY - 4.0, "c": DAY - 2.0}


@pytest.mark.parametrize(
    ("leads_min", "began_min", "heard_min", "expected"),
    [
        (A_DAY_BEHIND, {}, [1, 2, 3], {"a", "b", "c"}),
        (A_DAY_BEHIND, {}, [1, 2, 3, -5, -9], {"a", "b", "c"}),  # others were heard before it began
        (A_DAY_BEHIND, {}, [1, 2, 3, 4, 5, 6, 7], set()),  # most that were heard since are not ahead
        ({"a": DAY, "b": DAY}, {}, [1, 2], set()),  # two may have been set by one wrong watch
        ({"a": DAY, "b": DAY, "c": 3 * DAY}, {}, [1, 2, 3], set()),  # each by another lead
        (A_DAY_BEHIND, {"c": 3 * DAY}, [1, 2, 3], set()),  # days later: its own clock
        (A_DAY_BEHIND | {"d": 7 * DAY}, {}, [1, 2, 3, 4], {"a", "b", "c"}),  # its own clock too
        ({}, {}, [1, 2], set()),
    ],
)
def test_those_ahead_alike_are_told_from_clocks_of_their_own(
    leads_min: dict[str, float], began_min: dict[str, float], heard_min: list[float], expected: set[str]
) -> None:
    assert found(leads_min, began_min, heard_min) == expected


@pytest.mark.parametrize(
    ("newest_min", "back_min"), [(None, 0), (9.0, 0), (10.5, 0), (11.0, 0), (12.0, 2.0), (10.0 + DAY, DAY)]
)
def test_a_clock_that_went_back_beyond_a_minute_is_told(newest_min: float | None, back_min: float) -> None:
    newest_us = None if newest_min is None else round(newest_min * MINUTE_US)
    assert went_back_us(newest_us, 10 * MINUTE_US) == back_min * MINUTE_US
