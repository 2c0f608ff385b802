"""
The server's own counters, for a monitoring system: text in the Prometheus exposition format.

Promises: labels are few and bounded (routes by their template, never a name of a device or owner), so memory
does not grow with the fleet. Counting costs a request a few microseconds; figures from the database are
queried when the counters are fetched.
Each worker process counts for itself: fetch each, or add them up there.
Leaves to others: who may fetch (`ingest.api.routes.metrics`).
"""

from __future__ import annotations

from collections import Counter as Counted
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import sqlalchemy as sa
from prometheus_client import CollectorRegistry, Counter, Histogram, ProcessCollector
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector

from cleanside.gateway.wire import Answer
from cleanside.ingest.keeping import watched
from cleanside.ingest.store import (
    database,
    declared,
    hours,
    messages,
    outbox,
    snapshots,
    webhook_secrets,
)
from cleanside.ingest.store.gateway_reports import DECLARED_NAMES, OTHERS
from cleanside.ingest.writer.resources import Resources

#: from an answer out of memory to the time-out of a batch; chosen
SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 25.0)
JOBS = (1, 2, 4, 8, 16, 32, 64)
NO_ROUTE = "none"


class Metrics:
    """The figures of one process."""

    def __init__(self) -> None:
        registry = self.registry = CollectorRegistry()
        self._requests = Counter(
            "cleanside_requests", "Requests answered", ["method", "route", "status"], registry=registry
        )
        self._took = Histogram(
            "cleanside_request_duration_seconds",
            "From the head of a request to the end of its answer",
            ["method", "route"],
            buckets=SECONDS,
            registry=registry,
        )
        self._batches = Counter("cleanside_batches", "Batches taken", registry=registry)
        readings = Counter(
            "cleanside_readings", "Readings of batches taken, by outcome", ["outcome"], registry=registry
        )
        self._stored, self._duplicate, self._quarantined = (
            readings.labels(outcome) for outcome in ("stored", "duplicate", "quarantined")
        )
        self._commit = Histogram(
            "cleanside_commit_duration_seconds",
            "Of a transaction of the writer, until it is durable",
            buckets=SECONDS,
            registry=registry,
        )
        self._together = Histogram(
            "cleanside_commit_jobs", "Jobs that one commit carried", buckets=JOBS, registry=registry
        )
        self._refused = Counter(
            "cleanside_connections_refused",
            "Connections refused before their request reached a route, by code",
            ["code"],
            registry=registry,
        )
        # Looking a label up costs as much as counting, so the result is cached.
        self._known: dict[tuple[str, str, int | str], tuple[Counter, Histogram]] = {}
        ProcessCollector(registry=registry)

    def request(self, method: str, route: str | None, status: int | str, seconds: float) -> None:
        """Count a request. route : its template; None: no such route. status : or cut_off."""
        key = (method if route is not None else "any", route or NO_ROUTE, status)
        pair = self._known.get(key)
        if pair is None:
            pair = (self._requests.labels(key[0], key[1], str(status)), self._took.labels(key[0], key[1]))
            self._known[key] = pair
        pair[0].inc()
        pair[1].observe(seconds)

    def connection_refused(self, code: str) -> None:
        """Count a connection that was refused before its request reached a route."""
        self._refused.labels(code).inc()

    def took(self, answer: Answer, readings: int) -> None:
        """Count a batch by the outcome of its readings."""
        self._batches.inc()
        self._stored.inc(answer.stored)
        if readings != answer.stored:  # nearly none
            self._duplicate.inc(answer.duplicates)
            self._quarantined.inc(max(0, readings - answer.stored - answer.duplicates))

    def committed(self, jobs: int, seconds: float) -> None:
        """Count a commit of the writer."""
        self._commit.observe(seconds)
        self._together.observe(jobs)

    def watch(self, resources: Resources, failing: Callable[[], int]) -> Collector:
        """
        Show figures of these resources too. Returns the argument for `unwatch`.

        failing : owners whose last learning failed.
        """
        collector = _OfResources(resources, failing)
        self.registry.register(collector)
        return collector

    def unwatch(self, collector: Collector) -> None:
        """Stop showing them."""
        self.registry.unregister(collector)

    def text(self, accept: str) -> tuple[bytes, str]:
        """The figures, and their media type, in the form the Accept header prefers."""
        encode, media_type = choose_encoder(accept)
        return encode(self.registry), media_type


class _OfResources(Collector):
    """Figures that are queried when they are fetched."""

    def __init__(self, resources: Resources, failing: Callable[[], int]) -> None:
        self._resources = resources
        self._failing = failing

    def describe(self) -> list[Metric]:
        """Nothing: at registration a query would be too early."""
        return []

    def collect(self) -> Iterator[Metric]:
        """Queue, backlog and size now."""
        writer = self._resources.writer
        yield GaugeMetricFamily("cleanside_writer_waiting", "Jobs that wait for the disk", writer.waiting)
        with self._resources.reading() as connection:
            behind, waiting = hours.count_behind(connection), outbox.count_by_state(connection)
            wanted, learned_us = outbox.wanted(connection), snapshots.oldest_us(connection)
            said, mail = declared.totals(connection), messages.count_by_state(connection)
            size = database_bytes(connection, self._resources.settings.database)
        yield GaugeMetricFamily(
            "cleanside_analysis_hours_behind", "Hours of a stream that changed and are not summarised", behind
        )
        events = GaugeMetricFamily("cleanside_outbox_deliveries", "Deliveries of webhooks", labels=["state"])
        for state, count in waiting.items():
            events.add_metric([state], count)
        yield events
        to_people = GaugeMetricFamily("cleanside_messages", "Messages to people", labels=["state"])
        for state, count in mail.items():
            to_people.add_metric([state], count)
        yield to_people
        _, paused = webhook_secrets.opened_and_paused(wanted, self._resources.webhook_keys)
        yield GaugeMetricFamily(
            "cleanside_webhooks_paused", "Webhooks whose secret cannot be decrypted", len(paused)
        )
        yield GaugeMetricFamily(
            "cleanside_learning_failing_owners", "Owners whose last learning failed", self._failing()
        )
        if learned_us is not None:
            age_s = max(0.0, (self._resources.clock() - learned_us) / 1e6)
            yield GaugeMetricFamily(
                "cleanside_learned_age_seconds", "Age of the oldest fleet snapshot in use", age_s
            )
        yield from _of_declared(said)
        yield GaugeMetricFamily("cleanside_database_size_bytes", "The database on its disk", size)
        yield from watched.figures(self._resources)


def _of_declared(said: Sequence[tuple[str, int, int]]) -> Iterator[Metric]:
    """Events that gateways declared, and the readings lost with them, by name; unknown names together."""
    events = GaugeMetricFamily(
        "cleanside_declared_events", "Losses and damage that gateways declared", labels=["event"]
    )
    readings = GaugeMetricFamily(
        "cleanside_declared_readings", "Readings that these events declare as lost", labels=["event"]
    )
    times, lost = Counted(dict.fromkeys(DECLARED_NAMES, 0)), Counted(dict.fromkeys(DECLARED_NAMES, 0))
    for name, count, readings_lost in said:
        label = name if name in DECLARED_NAMES else OTHERS
        times[label] += count
        lost[label] += readings_lost
    for label, count in times.items():
        events.add_metric([label], count)
        readings.add_metric([label], lost[label])
    yield events
    yield readings


def database_bytes(connection: sa.Connection, url: str) -> int:
    """Size of the database on its disk: SQLite with its write-ahead log. [B]"""
    path = database.sqlite_path(url)
    if path is None:
        return int(connection.scalar(sa.text("SELECT pg_database_size(current_database())")) or 0)
    files = (path, Path(f"{path}-wal"), Path(f"{path}-shm"))
    return sum(file.stat().st_size for file in files if file.exists())
