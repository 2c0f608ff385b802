"""The table of plain forms: a sentence for every code that is said, and no code that is never said."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cleanside.gateway import spot_checks
from cleanside.gateway.spot_checks import FAILED, NOT_YET_SEEN, PASSED
from cleanside.ingest.restriction import Entry, Readings, WeighedEntry, verdict
from cleanside.ingest.restriction.elements import entries
from cleanside.ingest.restriction.verdict.acceptance_forms import CHECK_FORMS, VERDICT_FORMS, result_text
from cleanside.ingest.restriction.verdict.assess import SILENT_S
from cleanside.ingest.restriction.verdict.entry_words import of_entry
from cleanside.ingest.restriction.verdict.installation import NOT_MEASURED, Surroundings, accept
from cleanside.ingest.restriction.verdict.plain_forms import (
    ADVICE,
    CAUSE_FORMS,
    ENTRIES,
    HAPPENED_FORMS,
    SENTENCES,
    SILENCE_FORMS,
    STATE_FORMS,
    state_text,
    text_of,
)
from cleanside.ingest.restriction.verdict.statement import Statement, say
from cleanside.ingest.restriction.verdict.suspect import CAUSES

STATES = ("running-in", "serving", "plan", "due", "over", "silent")


def sources() -> str:
    """The modules that say something."""
    folder = Path(str(verdict.__file__)).parent
    files = [p for p in folder.glob("*.py") if not p.name.endswith("_forms.py")]
    return "\n".join(p.read_text() for p in (*files, Path(spot_checks.__file__)))


def test_every_code_that_is_said_has_a_sentence() -> None:
    said = set(re.findall(r'say\(\s*"([^"]+)"', sources()))
    assert len(said) > 50
    assert said <= set(SENTENCES)


def test_every_sentence_is_said_somewhere() -> None:
    text = sources()
    fixed = set(SENTENCES) - set(ENTRIES) - set(ADVICE)
    assert [code for code in sorted(fixed) if f'"{code}"' not in text] == []


def test_every_entry_state_cause_and_silence_has_a_form() -> None:
    verdicts = {value for name, value in vars(entries).items() if name.isupper() and isinstance(value, str)}
    assert {f"entry_{verdict}" for verdict in verdicts} == set(ENTRIES)
    codes = {*STATES, *CAUSES, "no_limit", "planned", "may_be_missing"}
    assert {f"advice_{code}" for code in codes} == set(ADVICE)
    assert set(STATE_FORMS) == {*STATES, "suspect", "no_limit", "cleaned", "age_unknown", "look"}
    assert set(CAUSE_FORMS) == set(CAUSES)
    assert set(SILENCE_FORMS) == set(SILENT_S)


# ---------------------------------------------------------------- how it reads

#: a value for every place; a list where the sentence goes by it
VALUES: dict[str, list[Any]] = {
    "as_read": ["25 inH2O", "6.2 kPa"],
    "because": list(SILENCE_FORMS),
    "clean_pa": [1500.0, None],
    "entered_kind": ["engine_speed", "air_mass_flow"],
    "evened_by": ["corrected", "from altitude"],
    "exponent_fitted": [True, False],
    "fall_s": [1_772_409_600.0, None],
    "likely": list(HAPPENED_FORMS),
    "runner": list(HAPPENED_FORMS)[::-1],
    "flow_kind": ["engine_speed", "speed_density", "air_mass_flow", "none", "speed_load"],
    "heard_s": [1_772_409_600.0, None],
    "is_clear": [True, False],
    "look_by_s": [1_772_409_600.0, None],
    "meant_unit": ["inH2O", "kPa"],
    "seen": [say("power_has_not_gone")],
    "sure": ["high", "low"],
    "unit": ["mbar", None],
    "what": ["new", "cleaned"],
    "is_question": [False, True],
    "would_s": [1_772_409_600.0, None],
    "full_flow": [True, False],
    "confirmed": [True, False],
    "anchor": ["gps", None],
    "wanted": ["idle", "high idle"],
    "times": [1, 3],
}
WHOLE = (
    *("hours", "judged_hours", "complete", "others", "days", "waiting", "machines", "readings", "missing"),
    "looks",
)


class Every(dict[str, Any]):
    """A value for any place, the nth of its choices."""

    def __init__(self, nth: int) -> None:
        self._nth = nth

    def __missing__(self, name: str) -> Any:
        choices = VALUES.get(name, [1_234 if name in WHOLE else 24.0])
        return choices[self._nth % len(choices)]


@pytest.mark.parametrize("code", sorted(SENTENCES))
def test_every_sentence_is_one_and_uses_no_private_word(code: str) -> None:
    """A capital at its beginning, a full stop at its end, at most one semicolon."""
    for nth in range(5):
        if code == "reference_unused" and VALUES["flow_kind"][nth % 4] == VALUES["entered_kind"][nth % 2]:
            continue  # then it is used
        if code == "flow_scaled" and VALUES["flow_kind"][nth % 4] == "none":
            continue  # then it is not scaled
        text = text_of(Statement(code, Every(nth)))
        assert re.fullmatch(r"[A-Z0-9+].*[.?]", text), text
        assert not re.search(
            r"\b(lately|told|strange|usual|held|nobody knows|terminal|lives?)\b|[{}]|  ", text
        ), text
        assert text.count(";") <= 1 or "by the maker's manual" in text, text


def test_restriction_reads_as_the_gauge_shows_it() -> None:
    """Source of the inch of water: NIST SP 811 (2008) B.8, 249.0889 Pa."""
    below = say("below_clean", now_pa=650.0, clean_pa=1500.0)
    assert text_of(below) == "Now 0.65 kPa; a clean element reads 1.50 kPa."
    assert text_of(below, "inH2O") == "Now 2.6 inH2O; a clean element reads 6.0 inH2O."
    assert text_of(below, "mbar") == "Now 6.5 mbar; a clean element reads 15.0 mbar."
    assert text_of(below, "Pa") == text_of(below)  # no gauge has it
    assert text_of(say("zero_moved", moved_pa=-310.0)) == "The reading at rest has moved by -0.31 kPa."


def test_an_entry_without_a_drop_asks_what_was_wrong() -> None:
    entry = WeighedEntry(
        entry=Entry(at_s=1_795_766_400.0), verdict="did_not_fall", before_pa=5440.0, after_pa=5620.0
    )
    assert text_of(of_entry(entry)) == (
        "Change entered for 2026-11-27 08:00 UTC, but no drop (5.44 kPa to 5.62 kPa). Wrong machine or time? "
        "The entry is not used until it is confirmed, corrected or taken back."
    )


def test_silence_says_since_when_and_what_came_last() -> None:
    quiet = say("quiet", because="keyed_off", heard_s=1_795_507_200.0)
    assert text_of(quiet) == "No data since 2026-11-24 08:00 UTC; last message: key off."
    assert text_of(say("quiet", because="unknown", heard_s=None)) == "No data yet; reason not known."


def test_what_people_entered_is_no_template() -> None:
    odd = say("limit_not_confirmed", as_read="{limit_pa} {x} kPa", limit_pa=6200.0)
    assert text_of(odd) == "{limit_pa} {x} kPa, not confirmed."


def test_a_machine_without_a_limit_is_not_called_too_new() -> None:
    assert state_text("running-in", has_limit=True) == "new element, too early to judge"
    assert state_text("running-in", has_limit=False) == "no change limit entered"
    assert state_text("silent", has_limit=False) == "no data"


@pytest.mark.parametrize(
    ("verdicts", "reads"),
    [
        (["passed", "not measured"], "passed"),
        (["passed", "not yet seen", "passed"], "not complete, 1 of 3 checks open"),
        (["failed", "not yet seen", "passed"], "failed, 1 of 3 checks failed"),
    ],
)
def test_a_result_says_how_many_checks_stand_against_it(verdicts: list[str], reads: str) -> None:
    assert result_text(verdicts) == reads


def test_every_check_has_a_plain_name() -> None:
    empty = Readings(at_s=np.empty(0), restriction_pa=np.empty(0))
    around = Surroundings(
        acknowledged=0,
        missing=0,
        clock_uncertainty_s=None,
        anchor=None,
        power_cycles=0,
        terminal_pa=None,
        terminal_as_read=None,
        terminal_confirmed=False,
    )
    assert [check.check for check in accept(empty, around)] == list(CHECK_FORMS)
    assert set(VERDICT_FORMS) == {PASSED, FAILED, NOT_YET_SEEN, NOT_MEASURED}
