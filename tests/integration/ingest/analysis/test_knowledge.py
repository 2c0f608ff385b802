"""No request waits for a fit: what was learned is kept with it, and until it is there forecasts are wide."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest.analysis import knowledge, working_out
from cleanside.ingest.analysis.assessment import Judge, View
from cleanside.ingest.analysis.knowledge import Snapshots
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.restriction import FleetKnowledge, Life, Readings, learn_fleet, summarise_hours
from cleanside.ingest.store import fleet, hours, snapshots
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.hours import Kept
from cleanside.ingest.store.models import fleet_snapshots, housings, machines
from tests.support.serving import Api


def six_lives() -> FleetKnowledge:
    lives = []
    for number in range(6):
        age = np.arange(1.0, 300.0 + 20 * number)
        level = 1800 + 4400 * np.expm1(2 * age / age[-1]) / np.expm1(2)
        lives.append(
            Life(
                hours=age,
                restriction_pa=level,
                terminal_pa=6200.0,
                complete=number != 2,
                machine=f"grader-{number % 4}",
                kind="grader",
            )
        )
    return learn_fleet(lives)


def keep(api: Api, content: dict[str, Any]) -> None:
    api.resources.writer.call(lambda c: snapshots.put(c, 1, 0, 1, json.dumps(content)))


def test_a_snapshot_is_read_with_its_fit_and_forecasts_to_the_last_bit(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    learned = six_lives()
    keep(api, learned.as_record())
    monkeypatch.setattr(
        "cleanside.ingest.restriction.forecast.fleet_knowledge.fit_forecaster", None
    )  # to fit again would fail
    with api.resources.reading() as connection:
        known = Snapshots().of(connection, 1)
    assert known.number == 1
    life = learned.lives[3]
    for kind in ("grader", "loader"):
        for machine in ("grader-1", ""):
            made, read = (
                of.forecaster.hours_left(
                    life.hours, life.restriction_pa, terminal_pa=6200.0, kind=kind, machine=machine
                )
                for of in (learned, known.knowledge)
            )
            np.testing.assert_array_equal(made, read)


@pytest.mark.parametrize("spoil", [lambda r: r.pop("fitted"), lambda r: r["fitted"].update(version=0)])
def test_one_that_was_kept_without_a_fit_of_this_code_is_used_once_it_is_fitted(api: Api, spoil: Any) -> None:
    record = six_lives().as_record()
    spoil(record)
    keep(api, record)
    used = Snapshots()
    with api.resources.reading() as connection:
        assert used.of(connection, 1).number == 0
    used.refresh(api.resources, api.services.memory, at_once=True)
    with api.resources.reading() as connection:
        assert used.of(connection, 1).number == 1
        assert connection.scalar(sa.select(fleet_snapshots.c.number)) == 1


def test_lives_stated_in_other_air_teach_nothing_until_the_fleet_is_learned_again(api: Api) -> None:
    """The previous release stated levels in standard air and did not say so."""
    record = six_lives().as_record()
    del record["air"]
    keep(api, record)
    used = Snapshots()
    with api.resources.reading() as connection:
        assert used.of(connection, 1).knowledge.lives == ()
    used.refresh(api.resources, api.services.memory, at_once=True)
    with api.resources.reading() as connection:
        assert used.of(connection, 1).knowledge.lives == ()
    assert FleetKnowledge.from_record(six_lives().as_record()).lives != ()


def add_machine(api: Api, name: str, *, owner: str = "") -> int:
    """A machine of an owner with one hour of summaries; returns its housing's id."""
    limit = {"value": 6.2, "unit": "kPa"}
    body = {"machine": name, "housings": [{"housing": "main", "terminal_restriction": limit}]}
    assert api.post("/v1/machines", body, key=f"{owner} admin".strip()).status_code == 200
    with api.resources.reading() as connection:
        query = sa.select(housings.c.id).select_from(housings.join(machines))
        housing_id = int(connection.scalar(query.where(machines.c.name == name)) or 0)
    put_hour(api, housing_id)
    return housing_id


def put_hour(api: Api, housing_id: int, *, record: bytes | None = None) -> None:
    """One summary of a housing. record : in place of the right one, as a damaged page would leave it."""
    at_s = 1_772_398_800.0 + np.arange(0.0, 3600.0, 60.0)
    summaries = summarise_hours(Readings(at_s=at_s, restriction_pa=np.full(60, 3000.0)))
    [packed] = summaries.packed()
    row = Kept(int(at_s[0] // 3600), packed.hour if record is None else record, packed.bins)
    with api.resources.reading() as connection:
        revision = fleet.revision_of(connection, housing_id)
    api.resources.writer.call(lambda c: hours.put_summaries(c, housing_id, revision, [row]))


def shown(api: Api, machine: str, *, key: str = "admin") -> dict[str, Any]:
    document: dict[str, Any] = api.get(f"/v1/machines/{machine}/restriction", key=key).json()
    return document


def test_one_owners_failure_stops_no_other_and_is_shown_with_the_age_of_what_was_learned(api: Api) -> None:
    add_machine(api, "grader-07")
    api.analyse()
    learned = instant_text(api.clock())
    api.clock.advance(3 * 86_400)
    put_hour(api, add_machine(api, "hauler-21"), record=b"damaged")
    add_machine(api, "loader-02", owner="quarry")
    api.analyse()
    now = instant_text(api.clock())
    mine, theirs = shown(api, "grader-07"), shown(api, "loader-02", key="quarry admin")
    names = "snapshot", "learned_at", "learning_failed_at"
    assert [mine[name] for name in names] == [1, learned, now]
    assert [theirs[name] for name in names] == [1, now, None]
    assert len(mine["evidence"]) == len(theirs["evidence"]) + 1  # the failure
    figures = api.get("/metrics").text.splitlines()
    assert "cleanside_learning_failing_owners 1.0" in figures
    assert "cleanside_learned_age_seconds 259200.0" in figures


def test_what_failed_is_tried_again_after_pauses_that_grow_until_it_succeeds(
    api: Api, caplog: pytest.LogCaptureFixture
) -> None:
    monotonic_s, tries = 0.0, []
    used = Snapshots(lambda: monotonic_s)
    housing_id = add_machine(api, "grader-07")
    put_hour(api, housing_id, record=b"damaged")
    while monotonic_s < 4000.0:
        before = len(caplog.records)
        used.refresh(api.resources, Memory())
        if any(record.message == "ingest.learning_failed" for record in caplog.records[before:]):
            tries.append(monotonic_s)
        monotonic_s += 30.0
    assert tries == [0.0, 60.0, 180.0, 420.0, 900.0, 1860.0, 3780.0]
    assert used.failing == 1
    put_hour(api, housing_id)
    used.refresh(api.resources, Memory(), at_once=True)
    assert used.failing == 0


# ---------------------------------------------------------------- a fleet that is not in memory


@pytest.mark.parametrize("path", ["/v1/fleet", "/v1/work", "/fleet"])
def test_a_fleet_that_takes_too_long_is_refused_until_all_of_it_is_worked_out(
    api: Api, monkeypatch: pytest.MonkeyPatch, path: str
) -> None:
    monkeypatch.setattr(working_out, "WORK_OUT_S", 0.0)
    for machine in ("grader-07", "hauler-21", "loader-02"):
        add_machine(api, machine)
    json_wanted = {"Accept": "application/json"}
    answers = [api.get(path, headers=json_wanted) for _ in range(4)]
    assert [answer.status_code for answer in answers] == [503, 503, 200, 200]
    assert answers[0].json()["code"] == "fleet_being_worked_out"
    assert int(answers[0].headers["retry-after"]) >= 1


def test_what_changed_of_a_fleet_has_one_limit_for_the_present_and_the_past(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three studies of each, one a request. Each had a limit of its own."""
    monkeypatch.setattr(working_out, "WORK_OUT_S", 0.0)
    for machine in ("grader-07", "hauler-21", "loader-02"):
        add_machine(api, machine)
    answers = [api.get("/v1/fleet/changes") for _ in range(6)]
    assert [answer.status_code for answer in answers] == [503] * 5 + [200]


def test_the_page_of_a_fleet_that_is_being_worked_out_says_so(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(working_out, "WORK_OUT_S", 0.0)
    for machine in ("grader-07", "hauler-21"):
        add_machine(api, machine)
    answer = api.get("/fleet", headers={"Accept": "text/html", "Accept-Language": "en"})
    assert (answer.status_code, answer.headers["content-type"][:9]) == (503, "text/html")
    words = tomllib.loads(Path("ingest/console/words/error.en.toml").read_text())
    assert words["fleet_being_worked_out"]["what"] in answer.text
    wait_s = answer.headers["retry-after"]
    assert f'<meta http-equiv="refresh" content="{wait_s}">' in answer.text, "without scripts too"
    assert f'href="/fleet">{words["again"]}' in answer.text
    assert api.get("/fleet", headers={"Accept": "text/html"}).status_code == 200


@pytest.mark.parametrize("at_once", [1, 2, 20])
def test_the_background_works_the_fleet_out_in_pieces(
    api: Api, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    monkeypatch.setattr(working_out, "WORK_OUT_S", 0.0)
    monkeypatch.setattr(knowledge, "HOUSINGS_AT_ONCE", at_once, raising=False)
    for machine in ("grader-07", "hauler-21", "loader-02"):
        add_machine(api, machine)
    api.analyse()
    assert [api.get(path).status_code for path in ("/v1/fleet", "/v1/work")] == [200, 200]


def test_a_new_snapshot_is_used_once_each_housing_is_studied_by_it(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also while the background studies by the new one, requests find those by the old one in memory."""
    for machine in ("grader-07", "hauler-21", "loader-02"):
        add_machine(api, machine)
    api.analyse()
    keep_next(api, six_lives().as_record())
    monkeypatch.setattr(working_out, "WORK_OUT_S", 0.0)
    answers, looking_at = [], Judge.looking_at

    def asked_meanwhile(
        judge: Judge, housings: Sequence[HousingRow], *, whole_owner: bool
    ) -> Callable[[HousingRow], View]:
        view = looking_at(judge, housings, whole_owner=whole_owner)

        def view_then_ask(housing: HousingRow) -> View:
            seen = view(housing)
            answers.append(api.get("/v1/fleet"))
            return seen

        return view if whole_owner else view_then_ask

    monkeypatch.setattr(Judge, "looking_at", asked_meanwhile)
    api.analyse()
    assert len(answers) >= 3
    assert {answer.status_code for answer in answers} == {200}
    assert api.get("/v1/fleet").json()["housings"][0]["snapshot"] >= 2


def test_working_out_ends_when_the_server_stops(api: Api) -> None:
    add_machine(api, "grader-07")
    api.resources.stopping.set()
    with pytest.raises(TryAgain) as ended:
        knowledge.in_pieces(api.resources, 1, lambda *_: pytest.fail("it looked"))
    assert ended.value.case == "server_stopping"


def keep_next(api: Api, content: dict[str, Any]) -> None:
    """A snapshot of another process, after the one in use."""
    with api.resources.reading() as connection:
        newest = snapshots.newest(connection, 1)
    number = newest.number if newest is not None else 0
    api.resources.writer.call(lambda c: snapshots.put(c, 1, number, 2, json.dumps(content)))
