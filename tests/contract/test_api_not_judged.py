"""A housing whose readings break the analysis is named, kept, and hides no other from anybody."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text
from cleanside.ingest.restriction import HousingFacts
from cleanside.ingest.restriction.verdict import study
from cleanside.ingest.restriction.verdict.measured_hours import MeasuredHours, measure_hours
from tests.support.serving import DEVICE, Api, batch, in_process

BROKEN, SOUND = "grader-07", "loader-05"
MADE_OF_THE_FLEET = (
    *("/v1/fleet", "/v1/fleet?with_trend=true", "/v1/fleet/changes", "/v1/work", "/v1/digest"),
    *("/v1/visit-plan", "/v1/element-lives", "/fleet", "/work-list", "/visit-plan", "/fleet-changes"),
    *("/element-lives", "/fleet.csv", f"/machines/{BROKEN}", f"/v1/machines/{BROKEN}/restriction"),
    *(f"/v1/machines/{BROKEN}/lives", f"/visit/{BROKEN}"),
)


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        yield running


def two_machines(api: Api) -> None:
    api.register(machine=BROKEN)
    api.register("loader-05-intake", machine=SOUND)
    api.send(batch(1, [3.0] * 20))
    api.analyse()


def test_one_that_cannot_be_judged_hides_no_other(
    api: Api, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def breaks_on_one(summaries: Any, facts: HousingFacts) -> MeasuredHours:
        if facts.machine == BROKEN:
            raise ZeroDivisionError
        return measure_hours(summaries, facts)

    monkeypatch.setattr(study, "measure_hours", breaks_on_one)  # of now, of a week ago, and what it teaches
    two_machines(api)
    caplog.set_level(logging.ERROR)
    answers = {path: api.get(path).status_code for path in MADE_OF_THE_FLEET}
    assert answers == dict.fromkeys(MADE_OF_THE_FLEET, 200)
    by_machine = {known["machine"]: known for known in api.get("/v1/fleet").json()["housings"]}
    broken = by_machine[BROKEN]
    assert (broken["state"], broken["restriction_pa"], broken["hours_left"]) == ("suspect", None, None)
    [suspicion] = broken["suspicions"]
    assert suspicion["cause"] == "not_judged"
    assert "fault of the server" in broken["advice"]
    assert by_machine[SOUND]["suspicions"] == []
    said = [record for record in caplog.records if record.message == "ingest.study_failed"]
    assert {(vars(record)["machine"], vars(record)["housing"]) for record in said} == {(BROKEN, "main")}
    assert not [record for record in caplog.records if record.message == "ingest.learning_failed"]


def test_a_reading_a_day_and_one_by_the_full_hour_are_judged(api: Api) -> None:
    """The last reading begins its hour, as each does in a series by the full hour."""
    two_machines(api)
    day_us = 86_400_000_000
    start_us = api.clock.now_us // day_us * day_us
    readings = [{"at": instant_text(start_us + d * day_us), "restriction": 3.0} for d in range(14)]
    api.clock.now_us = start_us + 14 * day_us
    api.send({"device": DEVICE, "units": {"restriction": "kPa"}, "readings": readings})
    api.analyse()
    known = {one["machine"]: one for one in api.get("/v1/fleet").json()["housings"]}[BROKEN]
    assert known["suspicions"] == []
    assert known["restriction_pa"] == pytest.approx(3000.0)
