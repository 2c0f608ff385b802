"""The days of a change as options of a select: as a template would write them."""

from __future__ import annotations

from typing import Any

from markupsafe import escape

from cleanside.ingest.console.day_options import DayOptions
from cleanside.ingest.console.work_sentences import WorkSentences


def say(key: str, **values: Any) -> str:
    return f"{key} <{values['share']}>"


def on(day: str) -> str:
    return f"{day} & so"


def test_each_day_is_an_option_with_what_it_means_escaped_and_the_chosen_one_marked() -> None:
    options = [
        {"day": "2026-12-04", "chance_at_limit_before": None, "hours_lost": None},
        {"day": "2026-12-05", "chance_at_limit_before": 0.2, "hours_lost": 3.0},
    ]
    job = {"state": "due", "day": "2026-12-04", "options": options}
    made = DayOptions(WorkSentences(say, on=on), on)(job, "2026-12-05", None)
    first = f'<option value="2026-12-04">{escape(on("2026-12-04"))}</option>'
    means = escape("work.option <0.2>")
    assert made == f'{first}<option value="2026-12-05" selected>{escape(on("2026-12-05"))}: {means}</option>'
    assert escape(made) == made  # it is markup already
