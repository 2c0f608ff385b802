"""Webhooks and transfers as pages: a secret and a code are shown once, an end asks first."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, get_args

import pytest
import sqlalchemy as sa

from cleanside.ingest.api.routes.described_kinds import DeliveryFailureCode
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from cleanside.ingest.store import outbox
from cleanside.ingest.store.coded_failures import kept
from cleanside.ingest.store.delivery_failures import SENTENCES, Failure
from cleanside.ingest.store.outbox import Event
from cleanside.ingest.webhooks.announcing import TYPES
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process

HOSTILE = "<script>alert(1)</script>"
URL = "https://shop.example/hook?token=s3cret"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        running.register()
        yield running


def send(api: Api, path: str, key: str = "admin", **fields: Any) -> Any:
    return api.request("POST", path, key=key, data=fields)


def test_a_webhook_is_made_shown_once_and_ended_once_somebody_is_sure(api: Api) -> None:
    made = send(api, "/webhooks", url=URL, types=["cleanside.state.changed"], note=HOSTILE)
    secret = re.search(r'id="secret" value="([^"]+)"', made.text)
    assert secret is not None
    listed = api.get("/webhooks").text
    assert secret[1] not in listed
    assert "s3cret" not in listed
    assert HOSTILE not in listed
    assert "a housing went from one state to another" in listed
    [webhook] = api.get("/v1/webhooks").json()["webhooks"]
    end = f"/webhooks/{webhook['webhook']}/end"
    assert send(api, end).status_code == 200  # asks first
    assert len(api.get("/v1/webhooks").json()["webhooks"]) == 1
    assert send(api, end, sure="yes").status_code == 303
    assert api.get("/v1/webhooks").json()["webhooks"] == []


@pytest.mark.parametrize("fields", [{"url": "http://shop.example"}, {"url": URL}, {}])
def test_what_is_wrong_with_a_webhook_is_said_on_the_page(api: Api, fields: dict[str, str]) -> None:
    refused = send(api, "/webhooks", **fields)
    assert (refused.status_code, 'role="alert"' in refused.text) == (422, True)


def given_up(api: Api, **values: Any) -> None:
    """A webhook with one delivery that was given up. values : why, as columns."""
    api.post("/v1/webhooks", {"url": URL, "types": ["cleanside.state.changed"]})
    event = Event(type="cleanside.state.changed", subject="machines/grader-07", at_us=0, data={})

    def save(connection: sa.Connection) -> None:
        owner_id = connection.execute(sa.text("SELECT min(owner_id) FROM webhooks")).scalar_one()
        outbox.put(connection, owner_id, event, outbox.wanted(connection))
        [webhook] = outbox.wanted(connection)
        [*_, delivery] = outbox.deliveries_of(connection, webhook.id, state="waiting")
        outbox.settle(connection, delivery, {"state": "dead", **values})

    api.resources.writer.call(save)


@pytest.mark.parametrize("language", LANGUAGES)
def test_why_a_delivery_was_given_up_is_said_in_the_language_of_the_reader(api: Api, language: str) -> None:
    given_up(api, **kept(Failure("no_connection", {"detail": "refused <b>"})))
    page = api.get("/webhooks", headers={"Accept-Language": language}).text
    assert str(table(language)["webhooks.failed.no_connection"]) in page
    assert '<bdi lang="en">refused &lt;b&gt;</bdi>' in page


@pytest.mark.parametrize(
    "columns",
    [
        {"reason": "status 500"},  # of an earlier release
        kept(Failure("no_answer", {"seconds": 10})) | {"reason": "status 500"},  # which tried again since
        {"reason": "status 500", "failure": '{"code": "of_a_newer_release", "values": {}}'},
    ],
)
def test_a_reason_of_another_release_reads_as_it_was_written(api: Api, columns: dict[str, Any]) -> None:
    given_up(api, **columns)
    assert '<bdi lang="en">status 500</bdi>' in api.get("/webhooks", headers={"Accept-Language": "de"}).text


def test_every_failure_of_a_delivery_has_words_and_is_described() -> None:
    for language in LANGUAGES:
        assert {f"webhooks.failed.{code}" for code in SENTENCES} <= table(language).keys()
    assert set(get_args(get_args(DeliveryFailureCode.__value__)[0])) == set(SENTENCES)


def test_every_event_has_words_in_both_languages() -> None:
    for language in LANGUAGES:
        keys = {f"webhooks.type.{t.removeprefix('cleanside.').replace('.', '_')}" for t in TYPES}
        assert keys <= table(language).keys()


def test_a_machine_is_offered_by_one_owner_and_taken_over_by_the_other(api: Api) -> None:
    made = send(api, "/transfers", machine="grader-07", note=HOSTILE)
    code = re.search(r'id="code" value="([^"]+)"', made.text)
    assert code is not None
    assert code[1] not in api.get("/transfers").text
    assert HOSTILE not in api.get("/transfers").text
    taken = send(api, "/transfers/accept", key="quarry admin", code=code[1], name="crusher-03")
    assert taken.status_code == 200
    assert "crusher-03" in taken.text
    assert api.get("/v1/machines/crusher-03", key="quarry admin").status_code == 200
    again = send(api, "/transfers/accept", key="quarry admin", code=code[1])
    assert (again.status_code, 'role="alert"' in again.text) == (403, True)


def test_an_offer_is_taken_back_once_somebody_is_sure(api: Api) -> None:
    send(api, "/transfers", machine="grader-07")
    [offer] = api.get("/v1/transfers").json()["transfers"]
    back = f"/transfers/{offer['transfer']}/take-back"
    assert send(api, back).status_code == 200
    assert api.get("/v1/transfers").json()["transfers"][0]["state"] == "open"
    assert send(api, back, sure="yes").status_code == 303
    assert api.get("/v1/transfers").json()["transfers"][0]["state"] == "cancelled"
    assert send(api, "/transfers", machine="nothing-here").status_code == 404


def test_a_gateway_is_asked_to_send_again_on_the_page(api: Api) -> None:
    api.send(batch(1, [3.0] * 9, gateway={"version": "1.0.0"}))
    fields = {"stream": STREAM, "first": "4", "reason": "the disk was swapped"}
    asked = send(api, "/backlog/resends", key="operator", **fields)
    assert (asked.status_code, asked.headers["location"]) == (303, f"/backlog?asked={DEVICE}#again")
    page = api.get("/backlog", key="operator").text
    assert "number 4 comes next, up to 9" in page
    refused = send(api, "/backlog/resends", key="operator", **(fields | {"first": "10"}))
    assert (refused.status_code, "10 is not from 1 to 9" in refused.text) == (422, True)
    send(api, "/backlog/resends/taken-back", key="operator", stream=STREAM)
    assert "comes next" not in api.get("/backlog", key="operator").text
