"""A parameter of one value is given once, on every route and page; a list as often as it has values."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.ingest.api.app import all_routes
from cleanside.ingest.api.routes.shared import CheckedRoute, every_dependant
from cleanside.ingest.console.every_page import all_pages
from tests.support.prepared import Prepared, prepared
from tests.support.serving import DEVICE, STREAM, Api

NAMES = {"machine": "grader-07", "device": DEVICE, "stream": STREAM}
#: parameters that are declared as lists; written here a second time on purpose
LISTS = {"quantity", "unit", "fixed", "question"}
ASKED = sorted(
    (method, route.path, parameter.alias)
    for route in (*all_routes(), *all_pages())
    for method in route.methods or ()
    for dependant in every_dependant(route)
    for parameter in dependant.query_params
)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    return prepared(tmp_path_factory.mktemp("shop"), lambda running: running.register())


@pytest.fixture(scope="module")
def api(shop: Prepared, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    with shop.copied(tmp_path_factory.mktemp("copied")) as running:
        yield running


def ask(api: Api, method: str, path: str, query: list[tuple[str, str]], **more: Any) -> Any:
    address = re.sub(r"{(\w+)}", lambda match: NAMES.get(match[1], "1"), path)
    return api.request(method, address, params=query, **more)


@pytest.mark.parametrize("asked", ASKED, ids="{0[0]} {0[1]} {0[2]}".format)
def test_a_value_given_twice_is_refused_and_a_list_is_not(api: Api, asked: tuple[str, str, str]) -> None:
    method, path, name = asked
    answer = ask(api, method, path, [(name, "5"), (name, "7")], headers={"Accept": "application/json"})
    complaints = answer.json().get("errors", []) if "json" in answer.headers["content-type"] else []
    repeated = [c for c in complaints if " times (" in c["detail"]]
    if name in LISTS:
        assert repeated == []
    else:
        assert (answer.status_code, [c["pointer"] for c in repeated]) == (422, [f"query/{name}"])


def test_the_problem_says_values_rule_and_next_step(api: Api) -> None:
    answer = ask(api, "GET", "/v1/audit", [("limit", "5"), ("limit", "7")])
    problem = answer.json()
    assert (answer.status_code, problem["code"]) == (422, "not_valid")
    assert problem["detail"] == "limit is given 2 times (5, 7) and takes one value; give it once"
    both = ask(api, "GET", "/v1/audit", [(n, v) for n in ("limit", "cursor") for v in ("5", "7")]).json()
    assert [c["pointer"] for c in both["errors"]] == ["query/limit", "query/cursor"]


def test_a_code_given_twice_is_in_no_answer(api: Api) -> None:
    """Of a sign-in elsewhere: RFC 6749 section 3.1, parameters must not be included more than once."""
    answer = ask(api, "GET", "/sign-in/provider/back", [("code", "s3cret"), ("code", "other")], key=None)
    assert "s3cret" not in answer.text


def test_no_route_reads_parameters_in_a_way_of_its_own() -> None:
    assert [r.path for r in (*all_routes(), *all_pages()) if not isinstance(r, CheckedRoute)] == []
