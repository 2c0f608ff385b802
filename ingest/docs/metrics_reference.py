"""Every figure of `/metrics`, and rules for alerts on them, from a server over an empty database."""

from __future__ import annotations

import tempfile
from importlib.resources import files
from pathlib import Path

from prometheus_client.core import Metric

from cleanside.ingest.api.app import create_app
from cleanside.ingest.api.routes.services import services_in
from cleanside.ingest.docs.markdown_text import anchor, code, example, page, plain, table
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import database
from cleanside.ingest.writer import system_clock

RULES = files("cleanside.ingest.deploy") / "prometheus-rules.yaml"


def metrics() -> str:
    """The page of figures and alerts."""
    opening = (
        "`GET /metrics`, with a key of role operator or admin, gives these in the Prometheus text format. "
        "Each server process counts for itself: fetch each, or add them up."
    )
    alerts = (
        "Rules for Prometheus. The times are chosen for a shop with one server; change them to yours. A file "
        "of them is in the package: `ingest/deploy/prometheus-rules.yaml`."
    )
    rows = [_row(metric) for metric in sorted(figures(), key=lambda metric: metric.name)]
    heads = ("figure", "kind", "labels", "what it counts")
    return page(
        "Metrics and alerts",
        opening,
        table(heads, rows),
        "## Alert rules",
        alerts,
        example(RULES.read_text("utf-8"), words="yaml"),
    )


def figures() -> list[Metric]:
    """Every figure that a server shows, each with its labels in use once."""
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'empty.db'}"
        engine = database.writing_engine(url)
        database.require_newest(engine, migrate_empty=True, migrate_old=False)
        engine.dispose()
        services = services_in(create_app(Settings(database=url), clock=system_clock.now_us))
        with services.open():
            services.metrics.request("GET", "/v1/fleet", 200, 0.01)
            services.metrics.connection_refused("too_many_connections")
            return list(services.metrics.registry.collect())


def _row(metric: Metric) -> tuple[str, ...]:
    labels = dict.fromkeys(name for sample in metric.samples for name in sample.labels if name != "le")
    return (
        f"{anchor(metric.name)}{code(name_of(metric))}",
        metric.type,
        ", ".join(map(code, labels)),
        plain(metric.documentation),
    )


def name_of(metric: Metric) -> str:
    """The name under which it is asked for; a counter's ends with _total."""
    return f"{metric.name}_total" if metric.type == "counter" else metric.name
