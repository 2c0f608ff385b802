"""
Every figure that an alert asks for is one that the server shows.

The rules are read by a parser of Prometheus' own query language that is not ours (promql-parser); the format
of the file is that of prometheus.io/docs/prometheus/latest/configuration/alerting_rules.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import promql_parser
import pytest
import yaml
from prometheus_client.parser import text_string_to_metric_families as parse_text

from cleanside.ingest.keeping import watched
from cleanside.ingest.settings import load
from cleanside.ingest.store import backup_record
from cleanside.ingest.store.durability import Standby
from tests.contract.test_api_watched import certificate, counted
from tests.support.databases import migrated_sqlite
from tests.support.serving import Api, in_process

RULES: Any = yaml.safe_load(files("cleanside.ingest").joinpath("deploy/prometheus-rules.yaml").read_text())
ALERTS: list[dict[str, Any]] = [rule for group in RULES["groups"] for rule in group["rules"]]
#: what Prometheus itself adds
FROM_PROMETHEUS = {"up"}
KEYS = {"alert", "expr", "for", "labels", "annotations"}


def selectors(node: Any) -> Iterator[Any]:
    """Every selector of a series in an expression."""
    if isinstance(node, promql_parser.VectorSelector):
        yield node
    for name in ("expr", "lhs", "rhs", "vector_selector"):
        if (inner := getattr(node, name, None)) is not None:
            yield from selectors(inner)
    for argument in getattr(node, "args", None) or ():
        yield from selectors(argument)


def series_of(api: Api) -> dict[str, list[dict[str, str]]]:
    """Name -> the labels of its series, as the server shows them."""
    found: dict[str, list[dict[str, str]]] = {}
    for family in parse_text(api.get("/metrics", key="operator").text):
        for sample in family.samples:
            found.setdefault(sample.name, []).append(sample.labels)
    return found


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[dict[str, str]]]:
    """The series of a server on which everything that can be watched is set up."""
    folder: Path = tmp_path_factory.mktemp("watched")
    flags = {
        "database": migrated_sqlite(folder),
        "backup_folder": str(folder),
        "backup_record": str(folder / "record"),
        "tls_certificate": str(certificate(folder / "server.pem", days=30)),
    }
    backup_record.note_good(folder / "record", 0)
    with in_process(flags["database"], settings=load(flags=flags, environ={})) as api:
        counted(api)
        api.post("/v1/readings", {}, key="operator")  # refused, and counted under its route
        return series_of(api) | of_a_standby()


def of_a_standby() -> dict[str, list[dict[str, str]]]:
    """What a PostgreSQL with a standby adds; `test_failover.py` has a real one."""
    metrics = watched.of_standbys([Standby("second", 0)])
    return {sample.name: [sample.labels] for metric in metrics for sample in metric.samples}


@pytest.mark.parametrize("rule", ALERTS, ids=lambda rule: rule["alert"])
def test_an_alert_asks_for_figures_that_are_there(
    rule: dict[str, Any], shown: dict[str, list[dict[str, str]]]
) -> None:
    asked = list(selectors(promql_parser.parse(rule["expr"])))
    assert asked
    for selector in asked:
        if selector.name in FROM_PROMETHEUS:
            continue
        assert selector.name in shown, rule["alert"]
        for matcher in selector.matchers.matchers:
            values = {labels.get(matcher.name) for labels in shown[selector.name]}
            if matcher.op == promql_parser.MatchOp.Equal:
                assert matcher.value in values
            else:  # such a status may not have come up: the label has to be there
                assert matcher.op == promql_parser.MatchOp.Re
                assert values - {None}


@pytest.mark.parametrize("rule", ALERTS, ids=lambda rule: rule["alert"])
def test_an_alert_says_what_it_means_and_what_to_do(rule: dict[str, Any]) -> None:
    assert set(rule) <= KEYS
    assert rule["labels"]["severity"] in ("page", "ticket")
    assert rule["annotations"].keys() == {"summary", "description"}
    assert all(text.endswith(".") for text in rule["annotations"].values())


def test_alerts_have_names_of_their_own() -> None:
    names = [rule["alert"] for rule in ALERTS]
    assert len(names) == len(set(names))
    assert all(name.startswith("Cleanside") for name in names)
