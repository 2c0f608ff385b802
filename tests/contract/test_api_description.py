"""
The OpenAPI description is true: its examples get the answers it shows, and real answers fit its schemas.

Schemas are judged by the `jsonschema` library, an implementation of JSON Schema 2020-12, which is what
OpenAPI 3.1 says its schemas are.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest

from cleanside.gateway import wire
from tests.support.databases import migrated_sqlite
from tests.support.serving import STREAM, Api, batch, in_process

PLAIN = batch(1, [3.0, 3.1])
COLUMNS: dict[str, Any] = {
    "device": "grader-07-intake",
    "stream": STREAM,
    "units": {"restriction": "kPa"},
    "seq": [1, 4],
    "start": "2026-03-02T06:00:10Z",
    "step_ms": [0, 10000],
    "at_uncertainty_s": [None, 0.5],
    "columns": {"restriction": [3.0, None]},
}


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """The description does not depend on the database."""
    with in_process(sqlite_database_url) as running:
        running.register()
        yield running


@pytest.fixture(scope="module")
def description(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """As it is served; read only, and the same for all tests."""
    with in_process(migrated_sqlite(tmp_path_factory.mktemp("described"))) as running:
        found: dict[str, Any] = running.get("/openapi.json", key=None).json()
        return found


def assert_fits(description: dict[str, Any], path: str, method: str, answer: Any) -> None:
    """Hold an answer against the schema of its route."""
    described = description["paths"][path][method]["responses"]["200"]["content"]["application/json"]
    schema = described["schema"] | {"components": description["components"]}
    jsonschema.Draft202012Validator(schema).validate(answer)


def batch_schema(description: dict[str, Any]) -> dict[str, Any]:
    body = description["paths"]["/v1/readings"]["post"]["requestBody"]
    found: dict[str, Any] = body["content"]["application/json"]["schema"]
    return found | {"components": description["components"]}


EXAMPLES = ["numbered", "columns", "without_numbers", "pack"]


@pytest.mark.parametrize("name", EXAMPLES)
def test_each_example_gets_the_answer_that_is_shown(api: Api, description: dict[str, Any], name: str) -> None:
    post = description["paths"]["/v1/readings"]["post"]
    shown = post["responses"]["200"]["content"]["application/json"]["examples"]
    found = {
        example: (media_type, content["schema"], entry["value"])
        for media_type, content in [*post["requestBody"]["content"].items(), *post["x-also-takes"].items()]
        for example, entry in content["examples"].items()
    }
    assert sorted(found) == sorted(EXAMPLES) == sorted(shown)
    media_type, schema, example = found[name]
    jsonschema.Draft202012Validator(schema | {"components": description["components"]}).validate(example)
    response = api.post("/v1/readings", example, key="device", headers={"Content-Type": media_type})
    assert response.status_code == 200, response.text
    assert response.json() == shown[name]["value"]
    assert_fits(description, "/v1/readings", "post", response.json())


def test_the_state_of_a_stream_is_as_the_example_shows(api: Api, description: dict[str, Any]) -> None:
    api.send(batch(1, [3.0] * 96))
    api.send(batch(102, [3.0] * 81))
    answer = api.get(f"/v1/streams/{STREAM}", key="device").json()
    get = description["paths"]["/v1/streams/{stream}"]["get"]
    assert answer == get["responses"]["200"]["content"]["application/json"]["example"]
    assert_fits(description, "/v1/streams/{stream}", "get", answer)


def hourly(hours: int) -> dict[str, Any]:
    """A machine at rated speed, one reading a minute, restriction rising; one reading out of range."""
    count = hours * 60
    return COLUMNS | {
        "units": {"restriction": "kPa", "engine_speed": "r/min"},
        "seq": [1, 2, *range(5, count + 3)],
        "start": "2026-02-20T06:00:00Z",
        "step_ms": [0] + [60_000] * (count - 1),
        "at_uncertainty_s": 0,
        "columns": {
            "restriction": [2.0 + i / 3000 for i in range(count - 1)] + [900.0],
            "engine_speed": [1800.0] * count,
        },
    }


@pytest.mark.parametrize("hours", [0, 60], ids=["nothing seen", "60 hours seen"])
@pytest.mark.parametrize(
    ("path", "address"),
    [
        ("/v1/machines/{machine}/restriction", "/v1/machines/grader-07/restriction"),
        ("/v1/fleet", "/v1/fleet"),
        ("/v1/account", "/v1/account"),
    ],
)
def test_answers_fit_their_schemas(
    api: Api, description: dict[str, Any], path: str, address: str, hours: int
) -> None:
    if hours:
        api.send(hourly(hours))
        api.analyse()
    response = api.get(address)
    assert response.status_code == 200, response.text
    assert len(response.json().get("series", [0] * hours)) == hours
    assert_fits(description, path, "get", response.json())
    with pytest.raises(jsonschema.ValidationError):  # the schema can refuse
        assert_fits(description, path, "get", response.json() | {"strange": 1})


def changed(document: dict[str, Any], **members: Any) -> dict[str, Any]:
    return copy.deepcopy(document) | members


@pytest.mark.parametrize(
    "document",
    [
        PLAIN,
        COLUMNS,
        changed(COLUMNS, at_uncertainty_s=4),
        changed(PLAIN, units={}),
        changed(PLAIN, gateway={"boots": [{"boot": "a", "first_seq": 1}], "of_a_newer_one": [1]}),
        {"device": "d", "gateway": {}},
        {"device": "d", "stream": STREAM, "opaque": {"seq": 1, "base64": "AAEC"}},
        {"device": "d", "readings": [{"at": "yesterday", "of_a_newer_one": 1.5, "restriction": None}]},
    ],
)
def test_what_the_decoder_takes_the_schema_takes(
    description: dict[str, Any], document: dict[str, Any]
) -> None:
    assert wire.decode(json.dumps(document).encode()).device
    jsonschema.Draft202012Validator(batch_schema(description)).validate(document)


@pytest.mark.parametrize(
    "document",
    [
        changed(PLAIN, colour="yellow"),
        changed(PLAIN, device="grader 07"),
        changed(PLAIN, device=7),
        changed(PLAIN, columns=COLUMNS["columns"]),
        changed(PLAIN, readings=[]),
        changed(PLAIN, readings=[{"seq": 1, "at": "2026-03-02T06:00:10Z", "restriction": "3.0"}]),
        changed(PLAIN, readings=[{"seq": 0, "at": "2026-03-02T06:00:10Z", "restriction": 3.0}]),
        changed(PLAIN, readings=[{"seq": 1, "at": 1772432410, "restriction": 3.0}]),
        changed(PLAIN, shed=[{"first": 3, "last": 4}]),
        changed(PLAIN, units={"restriction": 1}),
        changed(COLUMNS, step_ms=["0", 1]),
        changed(COLUMNS, columns={"restriction": [True, None]}),
        changed(COLUMNS, at_uncertainty_s=-1),
    ],
)
def test_what_the_schema_refuses_the_decoder_refuses(
    description: dict[str, Any], document: dict[str, Any]
) -> None:
    assert not jsonschema.Draft202012Validator(batch_schema(description)).is_valid(document)
    with pytest.raises(wire.BatchRefused):
        wire.decode(json.dumps(document).encode())
