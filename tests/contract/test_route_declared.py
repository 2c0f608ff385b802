"""
A route is its own file, its test, and a line of the changelog: what is missing is named, with the next step.

Everything else comes from these: the app finds the file, the description, the table of access, the requests
of the tests over all routes and the example come from what the file says.
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from fastapi.routing import APIRoute

from cleanside.ingest.api.description import examples, permission_of
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.shared import Strict, asks, needs, open_to_all, router_of
from tests.contract.test_api_access import ALLOWED
from tests.support.house import ROOT
from tests.support.route_examples import ROUTES, Route, example_of
from tests.support.story import ELSEWHERE

CHANGELOG = ROOT / "ingest" / "docs" / "CHANGELOG.md"
#: tests over all routes: none of them is a route's own
OVER_ALL = {"test_api_access.py", "test_api_object_access.py", "test_route_declared.py"}
#: routes that were there before a line of the changelog was asked for
BEFORE = {
    *("/healthz", "/readyz", "/metrics", "/v1/readings", "/v1/bundles", "/v1/account", "/v1/fleet"),
    *("/v1/streams", "/v1/streams/{stream}", "/v1/streams/{stream}/appended-through", "/v1/streams/marks"),
    *("/v1/machines", "/v1/machines/{machine}", "/v1/machines/{machine}/terminal-restriction"),
    *("/v1/machines/{machine}/element-changes", "/v1/machines/{machine}/restriction"),
    *("/v1/machines/{machine}/readings", "/v1/machines/{machine}/lives", "/v1/machines/{machine}/waiting"),
    *("/v1/machines/{machine}/prices", "/v1/machines/{machine}/acceptance"),
    *("/v1/machines/{machine}/acceptance/second-reading", "/v1/devices", "/v1/devices/{device}"),
    *("/v1/devices/{device}/readings", "/v1/devices/{device}/assignments", "/v1/quarantine"),
    *("/v1/quarantine/amendments", "/v1/quarantine/amendments/{amendment}/undo"),
    *("/v1/quarantine/discards", "/v1/quarantine/set-aside", "/v1/boot-corrections"),
    *("/v1/boot-corrections/{correction}/undo", "/v1/keys", "/v1/keys/{handle}"),
    *("/v1/keys/{handle}/rotations", "/v1/enrolments", "/v1/enrolments/{enrolment}", "/v1/enrol"),
    *("/v1/transfers", "/v1/transfers/{transfer}", "/v1/transfers/accept", "/v1/audit"),
    *("/v1/audit/refusals", "/v1/webhooks", "/v1/webhooks/{webhook}", "/v1/webhooks/{webhook}/deliveries"),
    "/v1/webhooks/{webhook}/replays",
}


def missing_in_file(route: APIRoute) -> list[str]:
    """What a route's own file does not say."""
    answer = route.response_model or {k: v for k, v in route.responses.items() if str(k).startswith("2")}
    asked = [p for p in route.dependant.query_params if p.field_info.is_required()]
    body = route.body_field is not None
    steps = {
        "summary= in the decorator": route.summary,
        "an answer: response_model= or responses=shown(...), a class of Described": answer,
        "a request: @example(...) over the function": example_of(route) or not (body or asked),
        "who may ask: needs(...), or @open_to_all": permission_of(route)
        or hasattr(route.endpoint, "permission"),
    }
    return [step for step, there in steps.items() if not there]


def missing_elsewhere(name: Route, tests: str, changelog: str) -> list[str]:
    """What its test and the changelog do not say. tests : texts of all that are a route's own."""
    method, path = name
    written = re.sub(r"\\{\w+\\}", r"[^\"'/?]+", re.escape(path))
    steps = {
        "its roles: a row in ALLOWED of tests/contract/test_api_access.py": name in ALLOWED,
        "its example: run python -m tests.support.story": f"{method} {path}" in {*examples(), *ELSEWHERE},
        "its test: a file in tests/contract or tests/invariants that asks it": re.search(written, tests),
        f"its line: {path} in ingest/docs/CHANGELOG.md": path in BEFORE or path in changelog,
    }
    return [step for step, there in steps.items() if not there]


@pytest.fixture(scope="module")
def own_tests() -> str:
    files = (
        path for folder in ("contract", "invariants") for path in (ROOT / "tests" / folder).glob("test_*.py")
    )
    return "\n".join(path.read_text() for path in files if path.name not in OVER_ALL)


@pytest.mark.parametrize("name", sorted(ROUTES), ids="{0[0]} {0[1]}".format)
def test_nothing_of_a_route_is_missing(name: Route, own_tests: str) -> None:
    missing = missing_in_file(ROUTES[name]) + missing_elsewhere(name, own_tests, CHANGELOG.read_text())
    assert missing == [], f"{' '.join(name)} lacks: {'; '.join(missing)}"


def test_what_is_missing_is_named() -> None:
    router = router_of("nothing")

    class Body(Strict):
        colour: str

    def bare(body: Any) -> None:
        """Says nothing."""

    bare.__annotations__["body"] = Body
    route = APIRoute("/v1/colours", open_to_all(bare), methods=["POST"], response_model=None)
    assert [step.partition(":")[0].partition("=")[0] for step in missing_in_file(route)] == [
        "summary",
        "an answer",
        "a request",
    ]
    assert len(missing_elsewhere(("POST", "/v1/colours"), "", "")) == 4
    router.post("/v1/colours", summary="Colours", response_model=Body)(example({"colour": "red"})(bare))
    assert missing_in_file(router.routes[0]) == []  # type: ignore[arg-type]


def test_without_a_word_on_who_may_ask_there_is_no_route() -> None:
    """OWASP API Security Top 10 2023, row 5: denied by default."""
    with pytest.raises(TypeError, match="who may ask"):
        router_of("nothing").get("/v1/open")(lambda: None)


def test_a_file_with_a_router_is_found() -> None:
    """No list of files is kept: this one's neighbours are all there is to know."""
    folder = ROOT / "ingest" / "api" / "routes"
    files = {p.stem for p in folder.glob("*.py") if re.search(r"^router = ", p.read_text(), re.MULTILINE)}
    assert {route.endpoint.__module__.rpartition(".")[2] for route in ROUTES.values()} == files


@pytest.mark.parametrize("mark", [needs, asks])
def test_a_permission_that_has_no_row_is_refused_where_it_is_written(mark: Any) -> None:
    with pytest.raises(KeyError, match=r"reading:post.*add one"):
        mark("reading:post")
