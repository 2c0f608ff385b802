"""Every page in German: no sentence of it is left in English, and neither is what went wrong."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from markupsafe import escape

from cleanside.gateway.spool.queue import MOVED
from cleanside.gateway.spool.rescue import DAMAGED_REASON
from cleanside.gateway.spool.room import BUDGET_REASON
from cleanside.ingest.console.backlog_page import fault_said
from cleanside.ingest.console.declared_words import shed_said
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import has_words, table
from cleanside.ingest.error_texts import SENTENCES
from cleanside.ingest.intake.codes import TITLES
from cleanside.ingest.store.account import FAULTS, BalanceFault
from cleanside.ingest.store.gateway_reports import DECLARED_NAMES
from cleanside.ingest.store.second_readings import GIVEN_TO_ANOTHER, TAKEN_BACK
from tests.contract.test_pages import PAGES
from tests.support.databases import migrated_sqlite
from tests.support.german import GERMAN, english_on, is_in_english
from tests.support.people import quick_passwords, signed_in
from tests.support.serving import DEVICE, Api, batch, in_process
from tests.unit.ingest.console.test_reason_words import sayer

#: problems that a gateway has alone: no page sends numbered readings
OF_GATEWAYS = {"not_a_batch", "stream_bound", "stream_forked", "too_many_gaps"}
WRONG = (
    *("/nothing-here", "/machines/none", "/monitors/none", "/visit/none", "/machines/grader-07?from=x"),
    *("/audit?cursor=zz", "/quarantine/group?code=xx&device=yy", "/visit/grader-07?housing=none"),
)


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    """A machine with readings, a gap, quarantined readings, an entry, and a code that is open."""
    with in_process(migrated_sqlite(tmp_path_factory.mktemp("german"))) as running:
        running.register()
        running.send(batch(1, [3.0] * 50 + [900.0], gateway={"appended_through": 90}))
        running.send(batch(60, [3.0, 3.1]) | {"units": {}})
        running.post("/v1/sites", {"site": "oberkies"}).raise_for_status()
        code = {"device": "loader-02-intake", "machine": "grader-07"}
        running.post("/v1/enrolments", code).raise_for_status()
        entered = {"meter_hours": 8120, "at": "2026-03-02T06:00:00Z"}
        running.post("/v1/machines/grader-07/meter-readings", entered).raise_for_status()
        yield running


def path_of(template: str) -> str:
    """The address of a page, of the machine and monitor that there are."""
    return template.replace("{machine}", "grader-07").replace("{device}", DEVICE)


#: in English for everybody, or no page
NO_PAGE = ("/docs", "/static", "/calendars", "/phone/pages", "/worker.js", "/visit/{machine}/")


@pytest.mark.parametrize(
    "page", sorted(p for method, p in PAGES if method == "GET" and not p.startswith(NO_PAGE) and "." not in p)
)
def test_no_sentence_of_a_page_is_in_english(api: Api, page: str) -> None:
    assert english_on(api.get(path_of(page), headers=GERMAN).text) == []


def test_nor_on_what_is_a_persons_own(api: Api) -> None:
    quick_passwords(api)
    mara = signed_in(api, "mara", "technician")
    for page in ("/me", "/messages", "/visit"):
        assert english_on(mara.get(page, headers=GERMAN).text) == []


@pytest.mark.parametrize("address", WRONG)
def test_neither_is_what_went_wrong(api: Api, address: str) -> None:
    answer = api.get(address, headers=GERMAN)
    assert 400 <= answer.status_code < 500
    assert english_on(answer.text) == []


@pytest.mark.parametrize("key", ["planner", "integrator"])
def test_neither_is_a_refusal_for_the_role(api: Api, key: str) -> None:
    for page in ("/keys", "/people", "/webhooks", "/audit"):
        assert english_on(api.get(page, key=key, headers=GERMAN).text) == []


def test_every_problem_of_a_page_has_words() -> None:
    assert {code for code in TITLES if not has_words(f"problem.{code}")} == OF_GATEWAYS


@pytest.mark.parametrize("code", FAULTS)
@pytest.mark.parametrize("language", LANGUAGES)
def test_what_does_not_balance_is_said_in_the_language(code: str, language: str) -> None:
    values = {"one": "stored", "other": "shed", "reached": 12_000, "highest": 11_000}
    fault = BalanceFault(code, values, ((1, 1), (3, 9), (12, 13), (15, 16), (18, 19), (21, 22)))
    assert str(fault)
    said = str(fault_said(sayer(language), fault))
    assert is_in_english(said) is (language == "en" and is_in_english(said))
    if "numbers" in str(table(language)[f"backlog.fault.{code}"]):
        assert "3\N{EN DASH}9" in said


def test_every_reason_for_no_plan_has_words() -> None:
    cases = {code for code in SENTENCES if code.startswith("plan_")} - {
        "plan_outdated",
        "plan_taken_back_since",
    }
    assert {case for case in cases if not has_words(f"visit_plan.none.{case}")} == set()


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_gateways_declare_stands_in_words_with_the_next_step(api: Api, language: str) -> None:
    """Of a gateway newer than the server too."""
    told: list[dict[str, Any]] = [
        {"content": {"event": event, "id": event}} for event in (*DECLARED_NAMES, "spool_of_tomorrow")
    ]
    told.append({"content": {"event": "readings_lost", "count": 6, "id": "again"}})
    api.post("/v1/declared-events", {"device": DEVICE, "events": told}, key="device").raise_for_status()
    words = table(language)
    page = api.get("/backlog?counted=true", headers={"Accept-Language": language}).text
    for event in DECLARED_NAMES:
        assert str(escape(words[f"declared.{event}.what"])) in page
        assert str(escape(words[f"declared.{event}.next"])) in page
        assert event not in page
    assert "spool_of_tomorrow" in page
    assert str(escape(words["declared.newer.next"])) in page


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_reason_of_shed_numbers_has_words(language: str) -> None:
    reasons = {BUDGET_REASON, DAMAGED_REASON, MOVED, TAKEN_BACK, GIVEN_TO_ANOTHER, "pruned_after_ack"}
    assert {f"declared.shed.{reason}" for reason in reasons} <= table(language).keys()
    assert "of_tomorrow" in shed_said(sayer(language), "of_tomorrow")
