"""Which cause for mistrust explains a check that fails, so that no person opens the housing for another."""

from __future__ import annotations

from dataclasses import replace

import pytest

from cleanside.ingest.analysis.acceptance_sheet import explained_by
from cleanside.ingest.restriction import HousingFacts, Study, Suspicion, study_housing
from cleanside.ingest.restriction.verdict.statement import say

BARE = study_housing((), HousingFacts(terminal_pa=6_200.0)).study


def suspected(*causes: str, in_question: bool = False) -> Study:
    found = tuple(Suspicion(cause=cause, evidence=say(cause)) for cause in causes)
    return replace(BARE, suspicions=found, element_in_question=in_question)


@pytest.mark.parametrize(
    ("causes", "explains"),
    [
        (["ports_swapped"], "ports_swapped"),
        (["zero_moved", "flat"], "flat"),
        (["zero_moved", "terminal"], None),
        ([], None),
        (["below_clean", "ports_swapped"], None),  # dust may reach the engine besides
    ],
)
def test_a_cause_explains_a_failing_check_unless_dust_may_come_in(
    causes: list[str], explains: str | None
) -> None:
    assert explained_by(suspected(*causes)) == explains
    assert explained_by(suspected(*causes, in_question=True)) is None
