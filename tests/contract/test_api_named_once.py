"""A list of a body names each thing once: of two that contradict each other, neither is chosen silently."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.serving import Api

KPA = [{"housing": "main", "terminal_restriction": {"value": v, "unit": "kPa"}} for v in (6.2, 5.2)]
DAY = {"machine": "grader-07", "housing": "main"}
CASES = [
    ("POST", "/v1/machines", {"machine": "dozer-33", "housings": KPA}, "#/housings", "main"),
    (
        "PATCH",
        "/v1/machines/grader-07/papers",
        {"housings": [{"most_cleanings": 1}, {"housing": "main", "most_cleanings": 2}]},
        "#/housings",
        "main",
    ),
    (
        "POST",
        "/v1/visit-plan/accepted",
        {"visits": [DAY | {"on": "2026-03-04"}, DAY | {"on": "2026-03-05"}]},
        "#/visits",
        "grader-07/main",
    ),
    (
        "POST",
        "/v1/planning-terms",
        {"trips": [{"site": "oberkies", "km": km, "hours": 1} for km in (10, 90)]},
        "#/trips",
        "oberkies",
    ),
    (
        "POST",
        "/v1/parts",
        {"part": "P-1", "stock": [{"site": "oberkies", "pieces": pieces} for pieces in (1, 2)]},
        "#/stock",
        "oberkies",
    ),
]


@pytest.mark.parametrize(("method", "path", "body", "pointer", "name"), CASES)
def test_a_name_given_twice_in_a_list_is_refused_with_both_places(
    api: Api, method: str, path: str, body: dict[str, Any], pointer: str, name: str
) -> None:
    """Before, the last one counted: a machine with a limit of 6.2 and of 5.2 kPa got 5.2."""
    api.register()
    assert api.post("/v1/sites", {"site": "oberkies"}).status_code == 200
    refused = api.request(method, path, json=body)
    assert refused.status_code == 422, refused.text
    (error,) = refused.json()["errors"]
    assert error["pointer"] == pointer
    assert f'"{name}" is named twice, as entries 0 and 1' in error["detail"]
    assert api.get("/v1/machines/dozer-33").status_code == 404


def test_names_that_differ_are_taken_as_before(api: Api) -> None:
    """A grader with two housings."""
    left, right = ({**housing, "housing": name} for housing, name in zip(KPA, ("left", "right"), strict=True))
    made = api.post("/v1/machines", {"machine": "dozer-33", "housings": [left, right]})
    assert [h["terminal_restrictions"][0]["value"] for h in made.json()["housings"]] == [6.2, 5.2]
