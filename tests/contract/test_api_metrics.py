"""
The figures are what happened, in the format as it is specified, and cost little.

Judged by the parser of the format's own library (prometheus-client), which is not what wrote our values.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse_openmetrics
from prometheus_client.parser import text_string_to_metric_families as parse_text

from cleanside.ingest.metrics import Metrics
from tests.support.serving import DEVICE, Api, batch, in_process

OPENMETRICS = "application/openmetrics-text; version=1.0.0"


def figures(api: Api) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    response = api.get("/metrics", key="operator")
    assert response.status_code == 200
    assert response.headers["content-type"].startswith("text/plain; version=")
    return {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in parse_text(response.text)
        for sample in family.samples
    }


def figure(api: Api, name: str, **labels: str) -> float:
    return figures(api)[name, frozenset(labels.items())]


def test_requests_are_counted_by_route_and_status_and_never_by_name(api: Api) -> None:
    for machine in ("grader-07", "loader-02", "hauler-21"):
        api.get(f"/v1/machines/{machine}")
    api.get("/v1/nothing-here/with-a-name")
    route = {"method": "GET", "route": "/v1/machines/{machine}"}
    assert figure(api, "cleanside_requests_total", **route, status="404") == 3
    assert figure(api, "cleanside_request_duration_seconds_count", **route) == 3
    assert figure(api, "cleanside_requests_total", method="any", route="none", status="404") == 1
    assert not any("grader" in value for _, labels in figures(api) for _, value in labels)


def test_readings_are_counted_by_what_became_of_them(api: Api) -> None:
    api.register()
    api.send(batch(1, [3.0, 3.1, 900.0]))
    api.send(batch(1, [3.0, 3.1]))
    outcomes = {
        o: figure(api, "cleanside_readings_total", outcome=o) for o in ("stored", "duplicate", "quarantined")
    }
    assert outcomes == {"stored": 2, "duplicate": 2, "quarantined": 1}
    assert figure(api, "cleanside_batches_total") == 2
    assert figure(api, "cleanside_analysis_hours_behind") == 1
    assert figure(api, "cleanside_writer_waiting") == 0
    commits = figure(api, "cleanside_commit_duration_seconds_count")
    assert 0 < commits <= figure(api, "cleanside_commit_jobs_sum")


def test_size_and_memory_are_plausible(api: Api) -> None:
    assert 50_000 < figure(api, "cleanside_database_size_bytes") < 100e6
    assert 20e6 < figure(api, "process_resident_memory_bytes") < 4e9


def test_openmetrics_is_given_to_those_who_prefer_it(sqlite_api: Api) -> None:
    response = sqlite_api.get("/metrics", headers={"Accept": OPENMETRICS})
    assert response.headers["content-type"].startswith("application/openmetrics-text")
    families = {family.name for family in parse_openmetrics(response.text)}
    assert {"cleanside_requests", "cleanside_readings", "cleanside_commit_jobs"} <= families


@pytest.fixture
def sqlite_api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        yield running


def test_a_thousand_addresses_that_are_not_there_are_one_series() -> None:
    """What a stranger asks for must not make what is kept grow."""
    metrics = Metrics()
    for i in range(1_000):
        metrics.request(f"M{i}", None, 404, 0.001)
    text, _ = metrics.text("")
    assert text.decode().count("cleanside_requests_total{") == 1


@pytest.mark.parametrize("key", ["device", "integrator", "planner", None])
def test_figures_are_for_those_who_keep_the_server(sqlite_api: Api, key: str | None) -> None:
    assert sqlite_api.get("/metrics", key=key).status_code == (401 if key is None else 403)
    assert DEVICE not in sqlite_api.get("/metrics").text
