"""What the work list says of a change: the strictest sentence first, and why a date is unsure."""

from __future__ import annotations

from typing import Any

import pytest
from markupsafe import Markup

from cleanside.ingest.api.routes.described_kinds import UnsureReason
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from cleanside.ingest.console.work_sentences import WorkSentences
from tests.unit.ingest.console.test_reason_words import sayer

JOB: dict[str, Any] = {"state": "plan", "reason": "early_date", "causes": [], "service_fit": None}
JOB |= {"planned": None, "service": None, "unsure_because": [], "share_used_percent": 33.0}
JOB |= {"due_at": {"p10": "2026-03-04T10:00:00Z", "p50": "2026-05-01T10:00:00Z", "p90": None}}
PLANNED = {"reason": "planned", "planned": {"on": "2026-03-09", "by": "mara.lindt"}}


def why(language: str, **changed: Any) -> list[str]:
    return WorkSentences(sayer(language).plain, on=str).why(JOB | changed)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize(("state", "reason"), [("over", "over_limit"), ("due", "change_due")])
def test_the_stricter_sentence_survives_a_planned_day(language: str, state: str, reason: str) -> None:
    strict, planned = why(language, state=state, **PLANNED)
    assert strict == table(language)[f"work.reason.{reason}"]
    assert "mara.lindt" in planned
    assert why(language, state=state, reason=reason) == [strict]


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_machine_over_its_limit_says_which_day_is_planned(language: str) -> None:
    planned = {"on": "2026-03-29", "by": "mara.lindt", "state": "open"}
    strict, later = why(language, state="over", reason="over_limit", planned=planned)
    assert strict == table(language)["work.reason.over_limit"]
    assert "2026-03-29" in later
    assert "mara.lindt" in later


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_machine_in_service_says_why_its_date_is_unsure(language: str) -> None:
    both = ["not_read", "little_used"]
    [said] = why(language, state="serving", unsure_because=both)
    words = table(language)
    assert str(words["work.unsure.not_read"]) in said
    assert "33" in said
    [late] = why(language, unsure_because=both, due_at=JOB["due_at"] | {"p50": None})
    assert late != said
    assert why(language) == [words["work.reason.early_date"]]


@pytest.mark.parametrize("language", LANGUAGES)
def test_of_a_machine_that_is_laid_up_the_fault_is_said_before_the_lay_up(language: str) -> None:
    words, sentences = table(language), WorkSentences(sayer(language).plain, on=str)
    later: dict[str, Any] = {"reason": "laid_up", "laid_up": {"until": None}, "planned": None}
    later |= {"chance_at_limit_before": None, "causes": ["below_clean"]}
    first, cause, where = sentences.not_listed(later | {"state": "suspect"})
    assert first == (words["fleet.next.advice_below_clean"], True)
    assert cause == (words["work.cause.below_clean"], False)
    assert where == (f"{words['work.later_by.laid_up_open']}.", False)
    assert why(language, state="suspect", reason="check_first", causes=["below_clean"])[0] == first[0]
    assert why(language, state="suspect", reason="check_first") == [words["work.reason.check_first"]]
    [where, warning] = sentences.not_listed(later | {"state": "over", "causes": []})
    assert warning == (words["work.reason.over_limit"], True)


def test_reasons_are_escaped_once_on_a_page() -> None:
    say = sayer("en")
    [said] = WorkSentences(say, on=str).why(JOB | {"unsure_because": ["not_read", "outlier"]})
    assert isinstance(said, Markup)
    assert "&amp;" not in said


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_reason_of_an_unsure_date_has_words(language: str) -> None:
    reasons = UnsureReason.__value__.__args__[0].__args__
    assert {f"work.unsure.{reason}" for reason in reasons} <= table(language).keys()
