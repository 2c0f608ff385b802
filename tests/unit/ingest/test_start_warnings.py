"""What a server warns of at its start: settings that others can read, files that are of no use or missing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import trustme

from cleanside.ingest.commands import serve, start_warnings
from cleanside.ingest.commands.serve import _warn_of_no_key, _warn_of_readable
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.settings import load
from cleanside.ingest.store.key_file import KeyFile
from tests.support.coded import refused
from tests.support.databases import migrated_sqlite


@pytest.mark.parametrize(
    ("mode", "text", "warned"),
    [
        (0o644, 'database = "postgresql://shop:s3cret-word@db/shop"', ["ingest.settings_readable"]),
        (0o600, 'database = "postgresql://shop:s3cret-word@db/shop"', []),
        (0o640, 'database = "postgresql://shop:s3cret-word@db/shop"', []),
        (0o644, "port = 8750", []),  # the password came another way
    ],
)
def test_a_password_in_settings_that_others_can_read_is_warned_of(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, mode: int, text: str, warned: list[str]
) -> None:
    (file := tmp_path / "ingest.toml").write_text(text)
    file.chmod(mode)
    _warn_of_readable(file, ("s3cret-word",))
    assert caplog.messages == warned


@pytest.mark.parametrize(
    ("flags", "warned"),
    [
        ({"database": "postgresql://db/shop", "webhook_key_file": "absent"}, ["ingest.webhook_key_unusable"]),
        ({"database": "postgresql://db/shop"}, []),  # no webhook is wanted
        ({"database": "sqlite:////srv/none/shop.db"}, []),  # the first webhook makes it
    ],
)
def test_a_named_key_file_that_is_not_there_is_warned_of(
    flags: dict[str, str], warned: list[str], caplog: pytest.LogCaptureFixture
) -> None:
    _warn_of_no_key(KeyFile.of(load(flags=flags, environ={})))
    assert caplog.messages == warned


@pytest.mark.parametrize(
    ("flags", "warned"),
    [
        (
            {"smtp_host": "mail.shop.example", "smtp_password_file": "absent"},
            ["ingest.smtp_password_unreadable"],
        ),
        ({"smtp_password_file": "absent"}, []),  # no mail is sent
        ({"backup_folder": "absent"}, ["ingest.backup_folder_not_there"]),
        ({"webhook_key_file": "absent"}, ["ingest.webhook_key_not_there"]),
        ({}, []),
    ],
)
def test_named_files_that_are_not_there_are_warned_of(
    flags: dict[str, str], warned: list[str], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    flags = {name: str(tmp_path / value) if value == "absent" else value for name, value in flags.items()}
    start_warnings.warn_of_files(load(flags=flags | {"database": f"sqlite:///{tmp_path}/a.db"}, environ={}))
    assert caplog.messages == warned


DAY_US = 86_400_000_000


@pytest.mark.parametrize(
    ("days_before_the_end", "warned"),
    [
        (-1.0, ["ingest.certificate_ended"]),
        (13.0, ["ingest.certificate_ends"]),
        (15.0, []),
        (70.0, ["ingest.certificate_not_begun"]),
    ],
)
def test_the_end_of_the_certificate_is_warned_of(
    days_before_the_end: float, warned: list[str], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    end = datetime.now(UTC) + timedelta(days=30)
    made = trustme.CA().issue_cert("filters.example", not_before=end - timedelta(days=60), not_after=end)
    made.private_key_and_cert_chain_pem.write_to_path(str(file := tmp_path / "server.pem"))
    now_us = int(end.timestamp() * 1e6 - days_before_the_end * DAY_US)
    chosen = load(flags={"tls_certificate": str(file)}, environ={})
    start_warnings.warn_of_certificate(chosen, now_us)
    assert caplog.messages == warned


def test_a_new_database_beside_one_of_ours_is_a_mistyped_name(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "notes.db").write_text("of something else")
    (new := tmp_path / "ingst.db")
    start_warnings.refuse_beside_another(new, is_meant=False)  # nothing of ours lies there
    migrated_sqlite(tmp_path)
    before = sorted(tmp_path.iterdir())
    with refused(CalledWrongly, "new_database_beside", path=new, other=tmp_path / "ingest.db"):
        start_warnings.refuse_beside_another(new, is_meant=False)
    assert caplog.messages == []
    start_warnings.refuse_beside_another(new, is_meant=True)
    assert caplog.messages == ["ingest.new_database_beside"]
    start_warnings.refuse_beside_another(None, is_meant=False)
    assert sorted(tmp_path.iterdir()) == before


def test_an_archive_folder_that_the_start_makes_is_said(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The check whether a key can be revoked made it first, and without a word."""
    named = {"database": migrated_sqlite(tmp_path), "archive_folder": str(tmp_path / "mistyped")}
    for _ in range(2):
        serve.prepare(load(flags=named, environ={}), migrate_old=False)
    made = [record for record in caplog.records if record.getMessage() == "ingest.archive_folder_made"]
    assert [record.__dict__["folder"] for record in made] == [named["archive_folder"]]
