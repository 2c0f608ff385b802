"""The analysis lets a backlog go first, and is not stopped by one that lasts."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from cleanside.ingest.analysis import summarising
from cleanside.ingest.analysis.summarising import LONGEST_RESTS_S, LONGEST_STAND_BACK_S, stand_back


class Waits:
    """Adds up how long was waited; says that it is time to end after `ends_after_s`."""

    def __init__(self, ends_after_s: float = 1e9) -> None:
        self.waited_s = 0.0
        self._ends_after_s = ends_after_s

    def __call__(self, seconds: float) -> bool:
        self.waited_s += seconds
        return self.waited_s >= self._ends_after_s


def test_without_a_backlog_nothing_is_waited_for() -> None:
    waits = Waits()
    stand_back(lambda: False, waits)
    assert waits.waited_s == 0.0


def test_a_pass_waits_until_the_backlog_is_written() -> None:
    waits = Waits()
    stand_back(lambda: waits.waited_s < 1.0, waits)
    assert 1.0 <= waits.waited_s < 1.2


def test_a_backlog_that_lasts_does_not_stop_the_analysis() -> None:
    waits = Waits()
    stand_back(lambda: True, waits)
    assert abs(waits.waited_s - LONGEST_STAND_BACK_S) < 0.1


def test_a_server_that_ends_is_not_kept() -> None:
    waits = Waits(ends_after_s=0.2)
    stand_back(lambda: True, waits)
    assert waits.waited_s < 0.3


@pytest.mark.parametrize("is_in_bulk", [True, False])
def test_a_pass_that_has_begun_rests_between_housings_while_a_backlog_comes(
    monkeypatch: pytest.MonkeyPatch, is_in_bulk: bool
) -> None:
    rested: list[float] = []
    writer, stopping = SimpleNamespace(is_in_bulk=is_in_bulk), SimpleNamespace(wait=rested.append)
    given: Any = SimpleNamespace(writer=writer, stopping=stopping)
    monkeypatch.setattr(summarising, "summarise", lambda _, housing_id, hours: (housing_id, hours))
    monkeypatch.setattr(summarising, "REST_TIMES", 1e9)  # one rest is all that a pass may rest
    made: Any = summarising._summarise_all(given, given, {7: [1, 2], 9: [3]})
    assert made == [(7, [1, 2]), (9, [3])]
    assert rested == ([LONGEST_RESTS_S] if is_in_bulk else [])
