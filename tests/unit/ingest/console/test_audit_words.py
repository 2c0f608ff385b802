"""What an entry of the audit is about, as whoever looks reads it."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import pytest
from babel import Locale

from cleanside.ingest.console.audit_words import values_of
from cleanside.ingest.console.formats import Formats
from cleanside.ingest.console.wording import Sayer

NOW_S = 1_796_018_400.0  # 2026-11-30 06:00 UTC


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("2026-11-20T05:12:36.510177+00:00", "20. Nov. 06:12"),
        ("2026-11-20T05:12:36Z", "20. Nov. 06:12"),
        ("2026-11-20T05:12:36-01:00", "20. Nov. 07:12"),
        (6.25, "6,25"),
        (12_000, "12000"),  # a number of something, as programs have it
        ("grader-07", "grader-07"),
    ],
)
def test_a_value_is_written_as_the_viewer_writes_it(value: Any, text: str) -> None:
    say = Sayer("de", Formats(Locale.parse("de"), ZoneInfo("Europe/Berlin"), NOW_S))
    [found] = values_of(say, {"values": {"anything": value}})
    assert found.text.replace("\N{NO-BREAK SPACE}", " ") == text


def test_a_corrected_boot_is_said_in_words_and_with_whole_numbers() -> None:
    """It read "Ereignis: (at seq: 421; ...; Ereignis: boot_corrected; ...; Verschiebung, s: 4.2e-05)"."""
    event = {"event": "boot_corrected", "boot": "boot-0", "first_seq": 1, "at_seq": 421, "shift_s": 4.2e-05}
    say = Sayer("de", Formats(Locale.parse("de"), ZoneInfo("Europe/Berlin"), NOW_S))
    [found] = values_of(say, {"values": {"event": event}})
    assert found.name == "Ereignis"
    assert found.text == "(Start: boot-0; ab Nummer: 1; vor Nummer: 421; Verschiebung, s: 0,000042)"


def test_what_was_left_out_of_a_request_is_no_part_of_the_act() -> None:
    say = Sayer("en", Formats(Locale.parse("en"), ZoneInfo("Europe/Berlin"), NOW_S))
    entry = {"values": {"body": {"where": {"code": "out_of_range", "after_entry": 0}, "preview": False}}}
    assert [value.text for value in values_of(say, entry)] == ["out_of_range"]
    other: dict[str, Any] = {"values": {"where": {"after_entry": 7}, "preview": True, "sure": False}}
    assert [value.text for value in values_of(say, other)] == ["7", "yes", "no"]
