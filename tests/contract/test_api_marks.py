"""POST /v1/streams/marks, what the account says of what gateways hold, and which database answers."""

from __future__ import annotations

from typing import Any

import pytest

from cleanside.gateway.wire import MAX_READINGS, MAX_STREAMS_ASKED
from cleanside.ingest.intake.receive import MAX_ISLANDS
from tests.support.serving import DEVICE, STREAM, Api, batch, commits_of

OTHER = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"
PATH = "/v1/streams/marks"


def asked(acknowledged: int, appended: int, stream: str = STREAM) -> dict[str, Any]:
    return {"stream": stream, "acknowledged_through": acknowledged, "appended_through": appended}


def ask(api: Api, *streams: dict[str, Any], device: str = DEVICE, key: str = "device") -> dict[str, Any]:
    response = api.post(PATH, {"device": device, "streams": list(streams)}, key=key)
    assert response.status_code == 200, response.text
    answer: dict[str, Any] = response.json()
    return answer


def line_of(api: Api, stream: str = STREAM) -> dict[str, Any]:
    return next(line for line in api.account()["streams"] if line["stream"] == stream)


@pytest.fixture(autouse=True)
def registered(api: Api) -> None:
    api.register()


def test_one_answer_has_the_marks_of_all_streams(api: Api) -> None:
    api.send(batch(1, [3.0] * 5))
    api.send(batch(9, [3.0] * 2))
    assert ask(api, asked(5, 10), asked(0, 0, OTHER)) == {
        "streams": [{"stream": STREAM, "acknowledged_through": 5, "highest": 10}],
        "unknown": [OTHER],
        "server_time": "2026-03-02T09:00:00Z",
    }


def test_what_the_gateway_appended_is_pending_before_it_comes(api: Api) -> None:
    api.send(batch(1, [3.0] * 5))
    ask(api, asked(5, 12))
    assert (line_of(api)["pending"], line_of(api)["balances"], line_of(api)["lost"]) == (7, True, 0)
    ask(api, asked(5, 8))  # reports come in any order
    assert line_of(api)["pending"] == 7


def test_the_account_does_not_balance_while_a_gateway_holds_what_a_restore_lost(api: Api) -> None:
    """Found in a trial: 2,000 acknowledged readings were missing, "balances", exit 0."""
    api.send(batch(1, [3.0] * 5))
    ask(api, asked(8, 8))
    line = line_of(api)
    assert (line["balances"], line["lost"], line["pending"]) == (False, 3, 3)
    api.send(batch(6, [3.0] * 2))
    assert line_of(api)["lost"] == 1
    api.send(batch(8, [3.0]))
    line = line_of(api)
    assert (line["balances"], line["lost"], line["stored"]) == (True, 0, 8)


def test_a_stream_that_a_restore_lost_whole_stands_in_the_account(api: Api) -> None:
    assert ask(api, asked(2_000, 2_000, OTHER))["unknown"] == [OTHER]
    line = line_of(api, OTHER)
    assert (line["balances"], line["lost"], line["device"]) == (False, 2_000, DEVICE)
    assert ask(api, asked(2_000, 2_000, OTHER))["streams"][0]["acknowledged_through"] == 0
    for first in range(1, 2_001, 500):
        api.send(batch(first, [3.0] * 500, stream=OTHER))
    assert line_of(api, OTHER)["balances"]


def test_a_stream_that_was_never_sent_is_not_made_by_asking(api: Api) -> None:
    ask(api, asked(0, 7, OTHER))
    assert api.account()["streams"] == []


def test_a_batch_that_would_make_too_many_gaps_is_no_batch_to_send_again_as_it_is(api: Api) -> None:
    """429 without Retry-After: a client that does as RFC 9110 says sent the same batch for ever."""
    document = {"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa"}}
    readings = [
        {"seq": 2 * n, "at": f"2026-03-02T0{n // 3600}:{n // 60 % 60:02}:{n % 60:02}Z", "restriction": 3.0}
        for n in range(1, MAX_READINGS + 1)
    ]
    refused = api.post("/v1/readings", document | {"readings": readings}, key="device")
    assert (refused.status_code, refused.json()["code"]) == (409, "too_many_gaps")
    assert "nothing of the batch was stored" in refused.json()["detail"]
    assert [line["highest"] for line in api.account()["streams"]] == [0]
    few = api.post("/v1/readings", document | {"readings": readings[:MAX_ISLANDS]}, key="device")
    assert few.json()["stored"] == MAX_ISLANDS


def test_asking_costs_no_commit_where_nothing_is_new(api: Api) -> None:
    api.send(batch(1, [3.0] * 5))
    ask(api, asked(8, 8))
    commits = commits_of(api.resources.writer)
    ask(api, asked(8, 8))
    assert commits == []


def test_a_stream_of_another_device_is_as_one_that_is_not_there(api: Api) -> None:
    api.register("loader-02-intake", "loader-02")
    api.send(batch(1, [3.0] * 5))
    made = api.post("/v1/keys", {"role": "device", "devices": ["loader-02-intake"]}).json()
    body = {"device": "loader-02-intake", "streams": [asked(900, 900)]}
    headers = {"Authorization": f"Bearer {made['key']}"}
    answer = api.post(PATH, body, key=None, headers=headers).json()
    assert (answer["streams"], answer["unknown"]) == ([], [STREAM])
    assert (line_of(api)["balances"], line_of(api)["through"]) == (True, 5)
    refused = api.post(PATH, body | {"device": DEVICE}, key=None, headers=headers)
    assert (refused.status_code, refused.json()["code"]) == (403, "key_not_for_device")


@pytest.mark.parametrize(
    "streams",
    [
        [],
        [asked(0, 0)] * (MAX_STREAMS_ASKED + 1),
        [asked(0, 0, "unnumbered grader-07-intake")],
        [asked(-1, 0)],
        [asked(0, 2**53 + 1)],
        [asked(0, 0) | {"mark": 1}],
    ],
)
def test_what_is_no_question_is_refused(api: Api, streams: list[dict[str, Any]]) -> None:
    response = api.post(PATH, {"device": DEVICE, "streams": streams}, key="device")
    assert (response.status_code, response.json()["code"]) == (422, "not_valid")


def test_every_answer_says_which_database_it_comes_from(api: Api) -> None:
    answers = [
        api.post("/v1/readings", batch(1, [3.0]), key="device"),
        api.post("/v1/readings", {}, key="device"),
        api.get("/healthz", key=None),
        api.get("/v1/streams/none", key="device"),
        api.get("/v1/fleet", key=None),
        api.get("/nowhere", key=None),
    ]
    assert [answer.status_code for answer in answers] == [200, 422, 200, 404, 401, 404]
    assert {answer.headers["Database-Id"] for answer in answers} == {api.resources.database_id}
