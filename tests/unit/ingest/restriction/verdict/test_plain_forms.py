"""The table of plain forms: a sentence for every code that is said, and no code that is never said."""

from __future__ import annotations

import re
from pathlib import Path

from cleanside.ingest.restriction import verdict
from cleanside.ingest.restriction.elements import entries
from cleanside.ingest.restriction.verdict.assess import SILENT_S
from cleanside.ingest.restriction.verdict.plain_forms import ADVICE, ENTRIES, SENTENCES, SILENCE
from cleanside.ingest.restriction.verdict.suspect import CAUSES

STATES = ("running-in", "serving", "plan", "due", "over", "silent")


def sources() -> str:
    """The modules that say something."""
    folder = Path(str(verdict.__file__)).parent
    return "\n".join(p.read_text() for p in folder.glob("*.py") if p.name != "plain_forms.py")


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
    assert {f"advice_{code}" for code in (*STATES, *CAUSES, "no_limit")} == set(ADVICE)
    assert set(SILENCE) == set(SILENT_S)
