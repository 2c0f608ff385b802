"""
What gateways declare is seen at the shop: in the account, on the machine, in the metrics, in webhooks.

Found in a trial: `readings_lost {"count": 162600}` lay in a table that no route, metric or log showed.
"""

from __future__ import annotations

from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families as parse_text

from cleanside.gateway.wire import MAX_EVENTS_DECLARED
from cleanside.ingest.commands.account import account_text
from cleanside.ingest.store import account
from cleanside.ingest.store import reports as report_store
from tests.support.serving import DEVICE, STREAM, Api, batch

OTHER = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"
PATH = "/v1/declared-events"
LOST = {"at_seq": 1, "event": "readings_lost", "source": "ndjson-1", "count": 162_600}
REPLACED = {"at_seq": 1, "event": "spool_replaced", "kept_as": "a.damaged-1"}


@pytest.fixture(autouse=True)
def registered(api: Api) -> None:
    api.register()


def declare(api: Api, *contents: dict[str, Any], stream: str | None = STREAM, device: str = DEVICE) -> Any:
    events = [{"content": content} | ({"stream": stream} if stream else {}) for content in contents]
    response = api.post(PATH, {"device": device, "events": events}, key="device")
    assert response.status_code == 200, response.text
    assert response.json()["confirmed"] == len(contents)
    return response.json()


def declared(api: Api, stream: str = STREAM) -> dict[str, tuple[int, int]]:
    """event -> times and readings, as the account has it."""
    [line] = [line for line in api.account()["streams"] if line["stream"] == stream]
    return {entry["event"]: (entry["times"], entry["readings"]) for entry in line["declared"]}


def test_losses_of_a_batch_stand_in_account_machine_and_metrics(api: Api) -> None:
    warning = {"at_seq": 2, "event": "budget_warning", "waiting_share": 0.8, "budget_bytes": 1}
    events = [LOST, REPLACED, warning, {"at_seq": 2, "event": "key_on"}]
    api.send(batch(1, [3.0, 3.0], gateway={"events": events}))
    expected = {"readings_lost": (1, 162_600), "spool_replaced": (1, 0), "budget_warning": (1, 0)}
    assert declared(api) == expected
    assert api.account()["balances"]
    machine = api.get("/v1/machines/grader-07").json()
    assert {e["event"]: (e["times"], e["readings"]) for e in machine["declared"]} == expected
    assert {e["device"] for e in machine["declared"]} == {DEVICE}
    figures = {
        (sample.name, sample.labels["event"]): sample.value
        for family in parse_text(api.get("/metrics").text)
        for sample in family.samples
        if sample.name.startswith("cleanside_declared")
    }
    assert figures["cleanside_declared_readings", "readings_lost"] == 162_600
    assert figures["cleanside_declared_events", "spool_replaced"] == 1
    assert figures["cleanside_declared_events", "readings_damaged"] == 0


def test_the_command_shows_them(api: Api) -> None:
    declare(api, LOST)
    with api.resources.reading() as connection:
        text = account_text(list(account.accounts(connection)))
    assert [
        line for line in text.splitlines() if "readings_lost" in line and "162600" in line.replace(",", "")
    ]


def test_a_loss_without_a_reading_behind_it_is_confirmed_and_counted_once(api: Api) -> None:
    for _ in range(2):
        declare(api, LOST, REPLACED)
    assert declared(api) == {"readings_lost": (1, 162_600), "spool_replaced": (1, 0)}
    api.send(batch(1, [3.0], gateway={"events": [LOST, REPLACED]}))
    assert declared(api) == {"readings_lost": (1, 162_600), "spool_replaced": (1, 0)}
    declare(api, LOST | {"at_seq": 2})
    assert declared(api)["readings_lost"] == (2, 325_200)


def test_a_loss_of_a_stream_that_is_another_devices_is_kept_at_the_device(api: Api) -> None:
    """A gateway must not send it for ever because its stream was bound elsewhere."""
    api.register("loader-02-intake", "loader-02")
    api.send(batch(1, [3.0]))
    made = api.post("/v1/keys", {"role": "device", "devices": ["loader-02-intake"]}).json()
    body = {"device": "loader-02-intake", "events": [{"stream": STREAM, "content": LOST}]}
    headers = {"Authorization": f"Bearer {made['key']}"}
    assert api.post(PATH, body, key=None, headers=headers).status_code == 200
    assert declared(api) == {}
    assert declared(api, "unnumbered loader-02-intake") == {"readings_lost": (1, 162_600)}
    refused = api.post(PATH, body | {"device": DEVICE}, key=None, headers=headers)
    assert (refused.status_code, refused.json()["code"]) == (403, "key_not_for_device")


def test_a_loss_of_a_dead_disk_names_no_stream(api: Api) -> None:
    api.send(batch(1, [3.0]))
    declare(api, LOST, stream=None)
    assert declared(api) == {"readings_lost": (1, 162_600)}


def test_a_loss_that_names_no_stream_is_counted_once_wherever_the_gateway_goes_on(api: Api) -> None:
    """A stop declares it, and the next start again, because the server may have been restored meanwhile."""
    stop = {"event": "readings_lost", "count": 6, "at": "stop", "id": "one"}
    api.send(batch(1, [3.0]))
    declare(api, stop, stream=None)
    api.send(batch(1, [3.0], stream=OTHER))
    declare(api, stop, stop | {"id": "other"}, stream=None)
    found = [declared(api, stream).get("readings_lost", (0, 0)) for stream in (STREAM, OTHER)]
    assert found == [(1, 6), (1, 6)]


@pytest.mark.parametrize("beside", [{"event": "key_on", "at_seq": 2}, None])
def test_a_loss_of_an_earlier_file_of_the_spool_is_counted_once_in_its_own_stream(
    api: Api, beside: dict[str, Any] | None
) -> None:
    """It comes with a batch of the file that took its place, as in a bundle, and by itself, as ever."""
    api.send(batch(1, [3.0], gateway={"events": [LOST]}))
    again = LOST | {"at_seq": 1, "sent_first": {"stream": STREAM, "at_seq": 1}}
    for first in (1, 2, 3):
        events = [again] if beside is None else [again, beside]
        api.send(batch(first, [3.0], stream=OTHER, gateway={"events": events}))
        declare(api, LOST)
    assert declared(api) == {"readings_lost": (1, 162_600)}
    assert declared(api, OTHER) == {}
    stop = {"event": "readings_lost", "count": 6, "at": "stop", "id": "one"}
    declare(api, stop, stream=None)
    nameless = stop | {"at_seq": 4, "sent_first": {"stream": None, "at_seq": None}}
    api.send(batch(4, [3.0], stream=OTHER, gateway={"events": [nameless]}))
    assert sum(line.lost for line in _lines(api)) == 162_606


@pytest.mark.parametrize("first", ["no object", {}, {"stream": "no-uuid", "at_seq": "x"}, {"stream": 5}])
def test_what_an_event_says_of_its_first_sending_is_not_trusted(api: Api, first: Any) -> None:
    api.send(batch(1, [3.0], gateway={"events": [LOST | {"sent_first": first}]}))
    assert declared(api) == {"readings_lost": (1, 162_600)}


def test_losses_that_became_a_count_keep_their_readings(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cleanside.ingest.store.reports.MOST", {"boot": 5, "event": 5})
    for n in range(1, 21):
        api.send(batch(n, [3.0], gateway={"events": [LOST | {"at_seq": n, "count": n}]}))
    assert declared(api) == {"readings_lost": (20, 210)}
    [stream_id] = {line.stream_id for line in _lines(api)}
    api.resources.writer.call(lambda connection: report_store.recount(connection, stream_id))
    assert declared(api) == {"readings_lost": (20, 210)}


def _lines(api: Api) -> Any:
    with api.resources.reading() as connection:
        return [line for a in account.accounts(connection) for line in a.declared]


@pytest.mark.parametrize(
    "events",
    [
        [],
        [{"content": LOST}] * (MAX_EVENTS_DECLARED + 1),
        [{"content": {"count": 1}}],
        [{"content": {"event": "x" * 65}}],
        [{"content": {"event": "a\nb"}}],
        [{"content": LOST, "stream": "no-uuid"}],
        [{"content": LOST, "more": 1}],
    ],
)
def test_what_declares_nothing_is_refused(api: Api, events: list[dict[str, Any]]) -> None:
    response = api.post(PATH, {"device": DEVICE, "events": events}, key="device")
    assert (response.status_code, response.json()["code"]) == (422, "not_valid")
    assert OTHER not in response.text


def test_a_gateway_to_which_the_server_said_two_times_stands_in_attention(api: Api) -> None:
    said = {"at_seq": 2, "event": "boot_contradicted", "boot": "b1", "kind": "server", "off_s": 86_400.0}
    api.send(batch(1, [3.0, 3.0], gateway={"events": [said]}))
    groups = api.get("/v1/attention", key="operator").json()["groups"]
    [entry] = [e for g in groups for e in g["entries"] if e["code"] == "boot_contradicted"]
    assert entry["needs_person"]
    assert "timedatectl" in entry["next_step"]
    assert "tell-time" in entry["next_step"]
