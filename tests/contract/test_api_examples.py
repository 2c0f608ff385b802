"""
Every example of the description was asked for real and is asked again here.

Schemas are judged by the `jsonschema` library (JSON Schema 2020-12, which OpenAPI 3.1 takes for its own).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest

from cleanside.ingest.api.app import all_routes
from cleanside.ingest.api.description import examples
from tests.contract.test_api_access import ALLOWED
from tests.support.databases import migrated_sqlite
from tests.support.serving import in_process
from tests.support.story import ELSEWHERE, Visit, tell

REMAKE = "remake the examples: python -m tests.support.story"
ROUTES = sorted(f"{method} {route.path_format}" for route in all_routes() for method in route.methods or ())


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[dict[str, Visit], dict[str, Any]]]:
    """What the visits gave now, and the description."""
    with in_process(migrated_sqlite(tmp_path_factory.mktemp("story"))) as api:
        visits = tell(api).visits
        yield visits, api.get("/openapi.json", key=None).json()


def test_every_route_has_an_example_and_no_example_is_of_a_route_that_is_gone() -> None:
    assert sorted({*examples(), *ELSEWHERE}) == ROUTES, REMAKE


@pytest.mark.parametrize("route", sorted(examples()))
def test_the_example_is_what_is_answered(told: tuple[dict[str, Visit], dict[str, Any]], route: str) -> None:
    visits, description = told
    now, shown = visits[route].as_example(), examples()[route]
    assert {**now, "answer": None} == {**shown, "answer": None}, REMAKE
    method, _, path = route.partition(" ")
    operation = description["paths"][path][method.lower()]
    content = operation["responses"][str(shown["status"])]["content"][shown["media_type"]]
    assert content["example"] == shown["answer"]
    if shown["media_type"] != "application/json":
        return
    assert now["answer"].keys() == shown["answer"].keys(), REMAKE
    for answer in (now["answer"], shown["answer"]):
        assert_fits(description, content["schema"], answer)


@pytest.mark.parametrize("route", sorted(route for route, shown in examples().items() if "body" in shown))
def test_the_body_of_an_example_fits_its_schema(
    told: tuple[dict[str, Visit], dict[str, Any]], route: str
) -> None:
    method, _, path = route.partition(" ")
    content = told[1]["paths"][path][method.lower()]["requestBody"]["content"]["application/json"]
    assert content["example"] == examples()[route]["body"]
    assert_fits(told[1], content["schema"], content["example"])


def assert_fits(description: dict[str, Any], schema: dict[str, Any], value: Any) -> None:
    whole = schema | {"components": description["components"]}
    jsonschema.Draft202012Validator(whole).validate(value)


def test_no_example_has_a_real_secret() -> None:
    """A key or code of a run, even of a test, does not stand in a description that is served."""
    shown = examples()
    assert shown["POST /v1/keys"]["answer"]["key"].endswith("5b" * 32)
    assert shown["POST /v1/enrolments"]["answer"]["code"] == "K7M3A-9QTWX-2BDFT"


def test_every_status_is_described_with_its_media_type(told: tuple[dict[str, Visit], dict[str, Any]]) -> None:
    _, description = told
    for path, operations in description["paths"].items():
        for method, operation in operations.items():
            statuses = set(operation["responses"])
            assert {"400", "405", "413", "422", "429", "500", "503"} <= statuses, (method, path)
            if ALLOWED[method.upper(), path] is not None:
                assert {"401", "403"} <= statuses, (method, path)
                assert operation["security"] == [{"key": []}]
                assert "Roles: " in operation["description"]
            assert all("$ref" in r or r["description"] for r in operation["responses"].values())
    for name, response in description["components"]["responses"].items():
        assert list(response["content"]) == ["application/problem+json"], name


def test_both_tables_of_codes_stand_in_the_description(
    told: tuple[dict[str, Visit], dict[str, Any]],
) -> None:
    from cleanside.ingest.checking.checks import CODES
    from cleanside.ingest.intake.codes import TITLES

    text = told[1]["info"]["description"]
    assert [code for code in (*TITLES, *CODES) if f"| `{code}` | " not in text] == []
