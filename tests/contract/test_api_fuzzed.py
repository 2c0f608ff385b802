"""
Requests made up from the OpenAPI description, and what a real server says to them.

The library schemathesis reads the description as any client would, makes requests that fit it and requests
that do not, and holds each answer against it: no 5xx, no status, media type, header or schema that is not
described; what does not fit is refused.
Left out of its checks: that a request which fits is always taken. Rules across members (numbers that rise,
lists of one length, names that exist) are beyond what a schema can say.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import CHECKS, load_all_checks

from cleanside.ingest.api.app import all_routes
from tests.support.databases import migrated_sqlite
from tests.support.examples import examples
from tests.support.serving import DEVICE, ServerProcess, as_process, batch, bearer

#: requests a route and kind; more for a long look: CLEANSIDE_FUZZ_EXAMPLES=1000
EXAMPLES = int(os.environ.get("CLEANSIDE_FUZZ_EXAMPLES") or examples(6, 12))
NAMES = (
    *("not_a_server_error", "status_code_conformance", "content_type_conformance"),
    *("response_headers_conformance", "response_schema_conformance", "negative_data_rejection"),
)
#: whose key posts; everything else is asked by an admin
POSTS = ("POST", "/v1/readings")

#: what a form without scripts sends whether it is filled in or not: an empty one chooses nothing
FILTERS = ("site", "crew", "kind", "state")
FRAMING = {"content-length", "transfer-encoding", "connection", "upgrade", "expect", "host"}
PHASES = (Phase.explicit, Phase.generate)  # shrinking asks the server again and again

load_all_checks()
ANSWER_CHECKS = [CHECKS.get_one(name) for name in NAMES]
REFUSES_WHAT_DOES_NOT_FIT = CHECKS.get_one("negative_data_rejection")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    """A real server with a machine, a device and some readings, held ones too."""
    with as_process(migrated_sqlite(tmp_path_factory.mktemp("fuzzed"))) as running:
        with running.client("operator") as http:
            http.post("/v1/machines", json={"machine": "grader-07"}).raise_for_status()
            http.post("/v1/devices", json={"device": DEVICE, "machine": "grader-07"}).raise_for_status()
        with running.client() as http:
            http.post("/v1/readings", json=batch(1, [3.0, 900.0, 3.1])).raise_for_status()
        yield running


@pytest.fixture(scope="module")
def described(server: ServerProcess) -> Any:
    """The description, as a client reads it."""
    return schemathesis.openapi.from_url(f"{server.url}/openapi.json")


ROUTES = sorted((method, route.path_format) for route in all_routes() for method in route.methods or ())


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=["fits", "does not"])
@pytest.mark.parametrize("route", ROUTES, ids="{0[0]} {0[1]}".format)
def test_every_answer_is_as_described(
    described: Any, server: ServerProcess, route: tuple[str, str], mode: GenerationMode
) -> None:
    method, path = route
    headers = bearer(server.tokens["device" if route == POSTS else "admin"])
    requests = described[path][method].as_strategy(generation_mode=mode)

    @settings(max_examples=EXAMPLES, database=None, suppress_health_check=list(HealthCheck), phases=PHASES)
    @given(requests)
    def ask(case: Any) -> None:
        # What frames a message is for the HTTP library below us: it cuts the connection by itself.
        case.headers = {n: v for n, v in (case.headers or {}).items() if n.casefold() not in FRAMING}
        answer = case.call(headers=headers)
        # What is too long is refused before it is looked at; the library does not count that as a refusal.
        too_long = answer.status_code in (413, 414, 431)
        # Whatever is sent as a file of text is text; what is wrong with it stands in `faults` of a preview.
        is_text = case.media_type == "text/csv"
        # In a query a list of one is that one, and an empty one is nothing; the library counts another type.
        is_short_list = any(isinstance(v, list) and len(v) < 2 for v in (case.query or {}).values())
        is_empty_filter = path == "/v1/fleet" and any((case.query or {}).get(name) == "" for name in FILTERS)
        passed_over = too_long or is_text or is_short_list or is_empty_filter
        checks = [c for c in ANSWER_CHECKS if not (passed_over and c is REFUSES_WHAT_DOES_NOT_FIT)]
        case.validate_response(answer, checks=checks)

    try:
        ask()
    except Unsatisfiable:  # nothing can be wrong with a request that has no parameters
        assert mode == GenerationMode.NEGATIVE
