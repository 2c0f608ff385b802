"""The dates of the indicator on a housing beside those at full flow, which every list goes by."""

from __future__ import annotations

import html
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from cleanside.ingest.analysis import assessment
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from cleanside.ingest.restriction import Assessment, Quantiles, assess
from cleanside.ingest.shop.indicator_days import FEW_DAYS
from tests.contract.test_api_fleet import register_worked
from tests.support.serving import Api, in_process

MACHINE = "/machines/grader-07"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        yield running


def apart(monkeypatch: pytest.MonkeyPatch, days: float, *, hours_left: float = 90.0) -> None:
    """From now on the indicator likely latches so many days from the date at full flow."""

    def shifted(*given: Any, **more: Any) -> Assessment:
        found = assess(*given, **more)
        assert found.due_s is not None
        by_s = days * 86_400.0
        due, left = found.due_s, hours_left
        latch = Quantiles(p10=due.p10 + by_s, p50=due.p50 + by_s, p90=due.p90 + by_s)
        study = replace(found.study, latch_hours_left=Quantiles(p10=left / 2, p50=left, p90=2 * left))
        return replace(found, latch_s=latch, study=study)

    monkeypatch.setattr(assessment, "assess", shifted)


DAYS = {"en": "8 days", "de": "8 Tage"}
LISTS = (
    *("/fleet", "/work-list?before=2026-04-20", "/visit-plan"),
    *("/fleet.csv", "/work-list.csv?before=2026-04-20", "/visit-plan.csv"),
)


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_list_names_full_flow_as_the_basis_of_its_dates(api: Api, language: str) -> None:
    """The page of a machine said to plan by the indicator, the lists went by full flow and did not say so."""
    register_worked(api, 60)
    assert api.get(f"/v1{MACHINE}/restriction").json()["latch_at"] is not None
    basis = {"en": "at full flow", "de": "bei vollem Durchsatz"}[language]
    for path in (MACHINE, *LISTS):
        assert basis in html.unescape(api.get(path, headers={"Accept-Language": language}).text), path
    page = html.unescape(api.get(MACHINE, headers={"Accept-Language": language}).text)
    assert str(table(language)["machine.lists_by_full_flow"]) in page


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize(
    ("days", "hours_left", "key"),
    [(-8, 90.0, "earlier"), (8, 90.0, "later"), (-8, 0.0, "latched"), (-1, 0.0, "latched"), (2, 9.0, "")],
)
def test_every_list_says_where_the_indicator_is_days_apart(
    api: Api, monkeypatch: pytest.MonkeyPatch, language: str, days: int, hours_left: float, key: str
) -> None:
    register_worked(api, 60)
    apart(monkeypatch, days, hours_left=hours_left)
    say = {name: str(table(language)[f"work.indicator_{name}"]) for name in ("earlier", "later", "latched")}
    said = {
        name: words.split("{at")[0].replace("{days:many by_days}", DAYS[language])
        for name, words in say.items()
    }
    for path in (MACHINE, *LISTS):
        text = html.unescape(api.get(path, headers={"Accept-Language": language}).text)
        assert [name for name, words in said.items() if words in text] == ([key] if key else []), path
    [job] = api.get("/v1/work?before=2026-04-20").json()["jobs"]
    assert job["indicator_days"] == (days if abs(days) >= FEW_DAYS else None)
