"""
Figures for alerts: the account, the quarantine, silent monitors, the newest backup, certificate, standbys.

Promises: each costs a query over small tables or a look at a file. A figure that this server cannot know is
left out; a backup folder without a backup is infinitely old.
Leaves to others: when to call a person (`deploy/prometheus-rules.yaml`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from cryptography import x509
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.keeping.manifest import MANIFEST, read_manifest
from cleanside.ingest.store import attention, backup_record, durability, keyless, revocations
from cleanside.ingest.store.backup_record import BackupRecord
from cleanside.ingest.store.durability import Standby
from cleanside.ingest.writer.resources import Resources

_DAY_S: Final = 86_400
#: a weekend, and longer than any plant stands still without a word; chosen
SILENT_FOR_S: Final = {"3d": 3 * _DAY_S, "7d": 7 * _DAY_S}


def figures(resources: Resources) -> Iterator[Metric]:
    """Every figure that can be known now."""
    now_us = resources.clock()
    yield from _of_readings(resources, now_us)
    yield from _of_account(resources, now_us)
    if resources.settings.awaits_standby:
        with resources.reading() as connection:
            standbys = durability.standbys_of(connection)
        yield from of_standbys(standbys)
    yield from _of_blocks(resources)
    yield GaugeMetricFamily(
        "cleanside_keys_revocable",
        "1: a key can be revoked; 0: the file of revoked keys cannot be written",
        revocations.fault(resources.archive_folder) is None,
    )
    if folder := resources.settings.backup_folder:
        age_s = backup_age_s(Path(folder), now_us)
        yield GaugeMetricFamily(
            "cleanside_backup_age_seconds", "Age of the newest backup; below 0: the clock is behind it", age_s
        )
    if (record := backup_record.read(backup_record.path_of(resources.settings))) is not None:
        yield _of_backups(record)
    if file := resources.settings.tls_certificate:
        with suppress(OSError, ValueError):  # the server said so when it read the file
            _, expiry_s = certificate_span_s(Path(file))
            yield GaugeMetricFamily(
                "cleanside_certificate_expiry_timestamp_seconds",
                "End of the server's own certificate, seconds since 1970",
                expiry_s,
            )


def certificate_span_s(file: Path) -> tuple[float, float]:
    """From when to when a file's first certificate is valid. [s since 1970] Raises OSError, ValueError."""
    first = x509.load_pem_x509_certificate(file.read_bytes())
    return first.not_valid_before_utc.timestamp(), first.not_valid_after_utc.timestamp()


def _of_readings(resources: Resources, now_us: int) -> Iterator[Metric]:
    with resources.reading() as connection:
        for_a_person, until_time = attention.quarantined_readings(connection)
        quiet = {
            name: attention.silent_devices(connection, now_us - seconds * 1_000_000)
            for name, seconds in SILENT_FOR_S.items()
        }
        refused = len(keyless.keyless_devices(connection, None, now_us))
        newest_us = attention.newest_received_us(connection)
    yield GaugeMetricFamily(
        "cleanside_clock_behind_seconds",
        "By how much the server's clock is behind the newest instant at which something was received",
        max(0.0, ((newest_us or 0) - now_us) / 1e6),
    )
    waiting = GaugeMetricFamily(
        "cleanside_quarantine_readings", "Readings in quarantine, by what they wait for", labels=["waits_for"]
    )
    waiting.add_metric(["person"], for_a_person)
    waiting.add_metric(["time"], until_time)
    yield waiting
    silent = GaugeMetricFamily(
        "cleanside_devices_silent", "Registered monitors not received for so long", labels=["for"]
    )
    for name, count in quiet.items():
        silent.add_metric([name], count)
    yield silent
    yield GaugeMetricFamily(
        "cleanside_devices_without_key", "Monitors in use whose every key has ended", refused
    )


def _of_account(resources: Resources, now_us: int) -> Iterator[Metric]:
    if (counted := resources.counted) is None:
        return
    yield GaugeMetricFamily(
        "cleanside_account_streams_out_of_balance",
        "Streams with a number in no state, or in two, when the account was last counted",
        counted.out_of_balance,
    )
    age_s = max(0.0, (now_us - counted.counted_us) / 1e6)
    yield GaugeMetricFamily("cleanside_account_age_seconds", "Since the account was last counted", age_s)


def of_standbys(standbys: Sequence[Standby] | None) -> Iterator[Metric]:
    """How many stream from the database, and how far each is behind. None: it cannot be known."""
    if standbys is None:
        return
    yield GaugeMetricFamily("cleanside_standbys", "Standbys that stream from the database", len(standbys))
    behind = GaugeMetricFamily(
        "cleanside_standby_behind_bytes",
        "Of the database's log, what a standby has not on its disk yet",
        labels=["standby"],
    )
    for standby in standbys:
        behind.add_metric([standby.name], standby.behind_bytes)
    yield behind


def _of_blocks(resources: Resources) -> Iterator[Metric]:
    if (merged := resources.merged) is None:
        return
    yield CounterMetricFamily(
        "cleanside_readings_packed", "Readings that were rows and are in blocks now", merged.packed
    )
    yield CounterMetricFamily("cleanside_blocks_joined", "Blocks that larger ones took in", merged.joined)
    yield GaugeMetricFamily(
        "cleanside_streams_with_rows",
        "Streams with readings that are not in blocks yet, at the last pass",
        merged.streams_with_rows,
    )


def _of_backups(record: BackupRecord) -> Metric:
    failures = GaugeMetricFamily(
        "cleanside_backup_failures", "Failures since the last good one, by step", labels=["step"]
    )
    failures.add_metric(["backup"], record.failed)
    failures.add_metric(["drill"], record.drills_failed)
    return failures


def backup_age_s(folder: Path, now_us: int) -> float:
    """
    Age of the newest backup with a sound manifest in a folder of backups. [s] Infinite: there is none.

    Below 0: it was made later than it is now by this machine's clock.
    """
    newest_us = -math.inf
    for manifest in folder.glob(f"*/{MANIFEST}"):
        with suppress(CalledWrongly):
            newest_us = max(newest_us, parse_instant(read_manifest(manifest.parent).made_at).us)
    return (now_us - newest_us) / 1e6
