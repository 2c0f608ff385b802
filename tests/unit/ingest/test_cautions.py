"""The cautions: one table, and every place that somebody acts at shows the ones that belong to it."""

from __future__ import annotations

import pytest

from cleanside.ingest.cautions import CAUTIONS, SITUATIONS, shown, words
from cleanside.ingest.restriction.verdict import acceptance_forms


def test_every_situation_has_known_cautions_and_defers_to_the_maker_first() -> None:
    for codes in SITUATIONS.values():
        assert codes[0] == "maker_first"
        assert set(codes) <= set(CAUTIONS)
        assert len(set(codes)) == len(codes)


def test_no_caution_is_in_the_table_for_nothing() -> None:
    assert {code for codes in SITUATIONS.values() for code in codes} == set(CAUTIONS)


@pytest.mark.parametrize("situation", SITUATIONS)
def test_an_answer_and_a_page_say_the_same(situation: str) -> None:
    assert tuple(entry["caution"] for entry in shown(situation)) == words(situation)
    assert tuple(entry["code"] for entry in shown(situation)) == SITUATIONS[situation]


def test_the_check_at_high_idle_says_the_caution_of_the_table() -> None:
    assert CAUTIONS["high_idle"] == acceptance_forms.BEFORE_HIGH_IDLE
