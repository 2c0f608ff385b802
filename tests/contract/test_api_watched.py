"""The figures for alerts are what they say: account, quarantine, silence, backups, certificate."""

from __future__ import annotations

import datetime
import threading
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
import sqlalchemy as sa
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from prometheus_client.parser import text_string_to_metric_families as parse_text

from cleanside.ingest.cli import main
from cleanside.ingest.keeping import accountant
from cleanside.ingest.settings import load
from cleanside.ingest.store import backup_record
from cleanside.ingest.store.models import streams
from tests.support.serving import Api, batch, in_process

DAY_S = 86_400
MADE = datetime.datetime(2026, 3, 1, tzinfo=datetime.UTC)


def certificate(file: Path, *, days: int) -> Path:
    """A certificate of the test's own that ends so many days after `MADE`."""
    key, name = ec.generate_private_key(ec.SECP256R1()), x509.Name([])
    made = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
    made = made.serial_number(1).not_valid_before(MADE).not_valid_after(MADE + datetime.timedelta(days=days))
    file.write_bytes(made.sign(key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))
    return file


def counted(api: Api) -> None:
    """Count the account, as the server's own thread does."""
    resources = api.resources
    resources.counted = accountant.count(resources.reading, resources.clock, stopping=threading.Event())


def figures(api: Api) -> dict[str, float]:
    """Name, with the value of its label if it has one -> value."""
    return {
        " ".join([sample.name, *sample.labels.values()]): sample.value
        for family in parse_text(api.get("/metrics", key="operator").text)
        for sample in family.samples
        if len(sample.labels) < 2
    }


@pytest.fixture
def watched(sqlite_database_url: str, tmp_path: Path) -> Iterator[Api]:
    (tmp_path / "backups").mkdir()
    flags = {
        "database": sqlite_database_url,
        "backup_folder": str(tmp_path / "backups"),
        "tls_certificate": str(certificate(tmp_path / "server.pem", days=30)),
    }
    with in_process(sqlite_database_url, settings=load(flags=flags, environ={})) as api:
        yield api


def test_a_monitor_is_silent_after_days_without_a_reading(watched: Api) -> None:
    watched.register()
    watched.send(batch(1, [3.0]))
    names = [f"cleanside_devices_silent {days}" for days in ("3d", "7d")]
    assert [figures(watched)[name] for name in names] == [0, 0]
    watched.clock.advance(4 * DAY_S)
    assert [figures(watched)[name] for name in names] == [1, 0]
    watched.clock.advance(4 * DAY_S)
    assert [figures(watched)[name] for name in names] == [1, 1]
    watched.send(batch(2, [3.0]))
    assert [figures(watched)[name] for name in names] == [0, 0]


def test_the_quarantine_is_counted_by_what_it_waits_for(watched: Api) -> None:
    watched.register()
    watched.send(batch(1, [3.0, 900.0, 901.0]))
    late = batch(4, [3.0])
    late["readings"][0]["at"] = "2026-03-02T11:00:00Z"
    watched.send(late)
    found = figures(watched)
    assert found["cleanside_quarantine_readings person"] == 2
    assert found["cleanside_quarantine_readings time"] == 1


def test_an_account_that_does_not_balance_is_seen_once_it_was_counted(watched: Api) -> None:
    watched.register()
    watched.send(batch(1, [3.0, 3.1]))
    assert "cleanside_account_streams_out_of_balance" not in figures(watched)
    counted(watched)
    assert figures(watched)["cleanside_account_streams_out_of_balance"] == 0
    watched.resources.writer.call(lambda c: c.execute(sa.update(streams).values(mark=9, highest=9)))
    counted(watched)
    watched.clock.advance(60)
    assert figures(watched)["cleanside_account_streams_out_of_balance"] == 1
    assert figures(watched)["cleanside_account_age_seconds"] == 60


def test_the_certificate_s_end_is_the_file_s(watched: Api, tmp_path: Path) -> None:
    name = "cleanside_certificate_expiry_timestamp_seconds"
    assert figures(watched)[name] == MADE.timestamp() + 30 * DAY_S
    certificate(tmp_path / "server.pem", days=90)
    assert figures(watched)[name] == MADE.timestamp() + 90 * DAY_S
    (tmp_path / "server.pem").unlink()
    assert name not in figures(watched)


def test_the_newest_whole_backup_counts(
    watched: Api, sqlite_database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, name = tmp_path / "backups", "cleanside_backup_age_seconds"
    assert figures(watched)[name] == float("inf")
    monkeypatch.setattr("cleanside.ingest.writer.system_clock.now_us", watched.clock)
    for day in ("monday", "tuesday"):
        assert main(["backup", "--to", str(folder / day), "--database", sqlite_database_url]) == 0
        watched.clock.advance(DAY_S)
    assert figures(watched)[name] == DAY_S
    (folder / "tuesday" / "manifest.json").write_text("{")
    assert figures(watched)[name] == 2 * DAY_S


def test_a_clock_that_is_behind_shows_at_the_newest_backup_and_at_what_was_received(
    watched: Api, sqlite_database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Found in a trial: a server a day behind had a backup of age 0, so no alert could fire."""
    watched.send(batch(1, [3.0]))
    assert figures(watched)["cleanside_clock_behind_seconds"] == 0
    monkeypatch.setattr("cleanside.ingest.writer.system_clock.now_us", watched.clock)
    made = ["backup", "--to", str(tmp_path / "backups" / "monday"), "--database", sqlite_database_url]
    assert main(made) == 0
    watched.clock.advance(-DAY_S)
    assert figures(watched)["cleanside_backup_age_seconds"] == -DAY_S
    assert figures(watched)["cleanside_clock_behind_seconds"] == DAY_S


def test_a_failed_drill_is_counted_though_its_backup_was_made(watched: Api) -> None:
    record = backup_record.path_of(watched.resources.settings)
    backup_record.note_drill_failed(record, "no right to make a database")
    backup_record.note_good(record, watched.clock())
    found = figures(watched)
    names = [f"cleanside_backup_failures {step}" for step in ("backup", "drill")]
    assert [found[name] for name in names] == [0, 1]
    backup_record.note_drilled(record, watched.clock())
    assert figures(watched)["cleanside_backup_failures drill"] == 0


def test_it_is_seen_before_somebody_has_to_revoke_a_key_that_none_can_be_revoked(watched: Api) -> None:
    ready = partial(watched.get, "/readyz", key=None)
    assert ready().json()["keys_revocable"] is True
    assert figures(watched)["cleanside_keys_revocable"] == 1
    file = watched.resources.archive_folder / "revoked-keys"
    file.unlink()
    file.mkdir()
    assert ready().json()["keys_revocable"] is False
    assert figures(watched)["cleanside_keys_revocable"] == 0


def test_nothing_is_shown_of_what_is_not_set_up(api: Api) -> None:
    assert not {"cleanside_backup_age_seconds", "cleanside_certificate_expiry_timestamp_seconds"} & set(
        figures(api)
    )
