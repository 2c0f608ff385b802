"""What a page says of an entry that no reading has checked yet: one thing, and no day that is past."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import pytest
from babel import Locale

from cleanside.ingest.console.formats import Formats
from cleanside.ingest.console.said_words import said
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import Sayer, table

NOW_S = 1_790_000_000.0
HOUR_S = 3600.0


def sentence(language: str, **values: Any) -> str:
    formats = Formats(Locale.parse(language), ZoneInfo("Europe/Berlin"), NOW_S)
    given = {"what": "new", "at_s": NOW_S - 90_000, "look_by_s": None, "is_question": False}
    given |= {"confirmed": False, "by_code": False, **values}
    return str(said(Sayer(language, formats), {"code": "entry_not_seen_yet", "values": given}))


@pytest.mark.parametrize("language", LANGUAGES)
def test_an_entry_by_code_does_not_count_and_not_count_at_once(language: str) -> None:
    words = table(language)
    shown = sentence(language, is_question=True, by_code=True, look_by_s=NOW_S + HOUR_S)
    assert shown == f"{words['said.entry_not_seen_yet_unused']} {words['said.entry_until']}"


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_entry_counts_until_a_day_that_is_past(language: str) -> None:
    words = table(language)
    open_ = str(words["said.entry_not_seen_yet_open"])
    assert sentence(language, look_by_s=NOW_S - 2 * HOUR_S) == open_
    assert sentence(language, look_by_s=None) == open_
    assert sentence(language, look_by_s=NOW_S + 2 * HOUR_S) != open_
