"""The days of a change as options of a select: as a template would write them."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import pytest
from babel import Locale
from markupsafe import escape

from cleanside.ingest.console.day_options import DayOptions, MoveOptions
from cleanside.ingest.console.formats import Formats
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import Sayer
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


@pytest.mark.parametrize("language", LANGUAGES)
def test_each_move_of_a_visit_is_an_option_with_its_cost_escaped_and_a_day_after_the_plan_is_none(
    language: str,
) -> None:
    found = [("2026-12-04", 12.4, 0.034), ("2026-12-05", -12.4, 0.2), ("2026-12-04", 1_250.0, 0.1)]
    sayer = Sayer(language, Formats(Locale.parse(language), ZoneInfo("UTC"), 1_772_442_000.0))
    name, expected = escape('m"1/main'), ""
    for day, cost, share in found:
        key = "visit_plan.option_less" if cost < 0 else "visit_plan.option_more"
        said = sayer.plain(key, day=on(day), cost=abs(cost), currency=" <EUR>", share=share)
        expected += f'<option value="{name}/{day}">{escape(said)}</option>'
    moves = [
        {"day": day, "more_cost": cost, "chance_at_limit_before": share}
        for day, cost, share in [*found, (None, 5.0, 0.3)]
    ]
    made = MoveOptions(sayer, on, " <EUR>")('m"1/main', moves)
    assert made == expected
    assert "12 &lt;EUR&gt;" in made
