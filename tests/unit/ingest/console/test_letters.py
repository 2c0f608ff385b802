"""What a letter says of the work list: the sentences of the page, in text and HTML, in both languages."""

from __future__ import annotations

from typing import Any

import pytest
from markupsafe import escape

from cleanside.ingest.console.letters import letter_of
from cleanside.ingest.console.wording import table
from tests.support.letters import outgoing

SITE: dict[str, Any] = {"site": "oberkies", "display_name": "Oberkies, upper pit"}
LISTS = ("jobs", "questions", "done")
EMPTY: dict[str, Any] = {name: [] for name in LISTS} | {f"{name}_more": 0 for name in LISTS}
LATER: dict[str, Any] = {"machine": "grader-07", "display_name": "Grader <7>", "housing": "main"}
LATER |= {"site": "oberkies", "state": "plan", "due_at": None, "reason": "service", "day": "2026-03-12"}
LATER |= {"planned": None, "service": {"service": "500 h", "meter_hours": None, "on": "2026-03-12"}}
LATER |= {"laid_up": None, "chance_at_limit_before": 0.2}
CARRY: dict[str, Any] = {"day": "2026-03-04", "site": "oberkies", "part": "KG-0715", "pieces": 2}
CARRY |= {"from_site": "kargrund", "site_display_name": "Oberkies, upper pit", "from_site_display_name": None}
EARLIER: dict[str, Any] = {"now": "2026-03-02T05:30:00Z", "zone": "Europe/Vienna", "day": "2026-03-02"}
EARLIER |= {"before": "2026-03-09", "jobs_count": 0, "questions_count": 0, "orders": [], "matters": []}


def digest(**more: Any) -> dict[str, Any]:
    return EARLIER | {"sites": [SITE | EMPTY | more.pop("site", {})]} | more


def words(language: str, key: str, **values: str) -> str:
    return str(table(language)[key]).format(**values)


@pytest.mark.parametrize(
    ("language", "day", "before"), [("en", "Thu 12 Mar", "Mon 9 Mar"), ("de", "Do. 12. März", "Mo. 9. März")]
)
def test_a_digest_says_what_stands_later_as_the_work_list_does(language: str, day: str, before: str) -> None:
    about = digest(site={"later": [LATER], "later_more": 3})
    letter = letter_of(outgoing("digest", about, language))
    stands = words(language, "work.later_by.service", service="500 h", on=day)
    heading = words(language, "work.later", before=before)
    for said in (heading, f"Grader <7>: {stands}."):
        assert said in letter.text
    assert f"<bdi>Grader &lt;7&gt;</bdi></b></a>: {escape(stands)}." in letter.html
    assert str(escape(heading)) in letter.html


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_digest_says_what_to_bring_from_another_site(language: str) -> None:
    letter = letter_of(outgoing("digest", digest(carries=[CARRY]), language))
    template = str(table(language)["work.carry"]).replace("{n:count}", "2")
    said = template.format(site="Oberkies, upper pit", part="KG-0715", from_site="kargrund")
    assert said in letter.text
    assert said in letter.html


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_digest_that_an_earlier_version_wrote_still_goes_out(language: str) -> None:
    letter = letter_of(outgoing("digest", digest(), language))
    assert str(table(language)["letter.digest.bring"]) not in letter.text
