"""A lay-up over HTTP that the readings contradict: asked about where people look, and it moves no date."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from tests.contract.test_api_fleet import without_an_element
from tests.contract.test_api_shop import MACHINE, ask
from tests.contract.test_api_work import loaded, work
from tests.support.serving import Api, in_process


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """A machine that worked for 60 hours on end until 2026-02-22; the answers depend on no database."""
    with in_process(sqlite_database_url) as running:
        loaded(running, rise_kpa=0.05)
        yield running


def lay_up(api: Api, since: str, until: str | None = "2026-05-31") -> None:
    ask(api, "PATCH", f"{MACHINE}/papers", {"laid_up": {"from": since, "until": until}})


def test_a_machine_that_works_while_laid_up_keeps_its_dates_and_asks(api: Api) -> None:
    [before] = ask(api, "GET", "/v1/fleet")["housings"]
    parts = work(api)["parts"]
    assert before["worked_laid_up"] is None
    lay_up(api, "2026-02-10")
    [found] = ask(api, "GET", "/v1/fleet", asks="true")["housings"]
    assert (found["due_at"], found["laid_up"]["from"]) == (before["due_at"], "2026-02-10")
    assert found["worked_laid_up"]["code"] == "worked_laid_up"
    assert found["worked_laid_up"]["values"]["hours_per_day"] > 8.0
    assert "worked_laid_up" in {said["code"] for said in found["evidence_said"]}
    assert work(api)["parts"] == parts
    [job] = work(api)["jobs"]
    assert job["has_question"]
    [site] = ask(api, "GET", "/v1/digest")["sites"]
    assert [asked["said"]["code"] for asked in site["questions"]] == ["worked_laid_up"]


@pytest.mark.parametrize("language", LANGUAGES)
def test_pages_ask_whether_it_is_back(api: Api, language: str) -> None:
    lay_up(api, "2026-02-10")
    sentence = str(table(language)["said.worked_laid_up"]).rpartition("}")[2]
    for path in ("/fleet", "/machines/grader-07"):
        assert sentence in api.get(path, key="planner", headers={"Accept-Language": language}).text


@pytest.mark.parametrize(
    ("answer", "laid_up"), [("back", None), ("stands", {"from": "2026-02-22", "until": "2026-05-31"})]
)
def test_an_answer_ends_the_lay_up_or_lets_it_begin_today(
    api: Api, answer: str, laid_up: dict[str, str] | None
) -> None:
    lay_up(api, "2026-02-10")
    sent = {"housing": "main", "answer": answer}
    answered = api.request("POST", "/machines/grader-07/lay-up", key="planner", data=sent)
    assert answered.status_code == 303, answered.text
    [found] = ask(api, "GET", "/v1/fleet")["housings"]
    assert (found["laid_up"], found["worked_laid_up"]) == (laid_up, None)


@pytest.mark.parametrize("language", LANGUAGES)
def test_an_answer_after_the_end_of_the_lay_up_is_a_sentence_on_the_page(api: Api, language: str) -> None:
    """The page was opened before; "stands from today on" would begin after its end."""
    lay_up(api, "2026-02-10", "2026-02-21")
    sent, headers = {"housing": "main", "answer": "stands"}, {"Accept-Language": language}
    page = api.request(
        "POST",
        "/machines/grader-07/lay-up",
        key="planner",
        data=sent,
        headers=headers,
        follow_redirects=False,
    )
    words = table(language)
    sentence = str(words["machine.lay_up_over"]).partition("{")[0]
    assert page.status_code == 409
    assert str(words["machine.lay_up_not_kept"]) in page.text
    assert sentence in page.text
    stays = ask(api, "GET", MACHINE)["laid_up"]
    assert stays == {"from": "2026-02-10", "until": "2026-02-21"}
    question = api.get("/machines/grader-07", key="planner", headers=headers).text
    assert 'value="stands"' not in question, "the answer is not offered any more"
    assert ('value="back"' in question) == (sentence in question)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("starts", ["2026-02-22", "2026-02-23"], ids=["today", "tomorrow"])
def test_a_lay_up_hides_no_missing_element(sqlite_database_url: str, language: str, starts: str) -> None:
    """30 h with an element, then 10 h at a tenth of its level, until the evening of 2026-02-21."""
    with in_process(sqlite_database_url) as api:
        api.register()
        without_an_element(api)
        words, headers = table(language), {"Accept-Language": language}
        step = str(words["fleet.next.advice_below_clean"])
        lay_up(api, starts)
        page = api.get("/fleet", key="planner", headers=headers).text
        row = page.partition("<tbody")[2]
        laid_up = str(words["fleet.laid_up_from"]).partition("{")[0]
        assert 0 < row.index(step) < row.index(laid_up)
        [job] = work(api, zone="UTC")["jobs"]
        assert (job["day"], job["reason"], job["causes"]) == ("2026-02-21", "check_first", ["below_clean"])
        listed = api.get("/work-list", key="planner", headers=headers).text
        assert str(words["work.cause.below_clean"]) in listed
        lay_up(api, "2026-02-01")  # it stands, so it worked while laid up: the question comes second
        row = api.get("/fleet", key="planner", headers=headers).text.partition("<tbody")[2]
        assert 0 < row.index(step) < row.index(str(words["fleet.next.question"]))
