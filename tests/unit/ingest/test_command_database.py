"""The database of a command: one that was not named, and what a revocation leaves behind."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from cleanside.ingest.api import server_tls
from cleanside.ingest.commands.command_database import (
    NO_REVOCATIONS_FILE,
    STATE_OF_SERVICE,
    opened,
    reader,
    warn_of_no_file,
)
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.settings import Settings, load
from tests.support.coded import refused


def test_beside_the_settings_of_a_service_no_other_database_is_made_unnamed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    service = tmp_path / "ingest.toml"
    service.touch()
    unnamed = load(flags={}, environ={"XDG_DATA_HOME": str(tmp_path)})
    with (
        refused(CalledWrongly, "settings_not_named", settings=service, folder=STATE_OF_SERVICE),
        opened(unnamed, makes=True, settings_of_service=service),
    ):
        pass
    assert not (tmp_path / "cleanside").exists()


def test_a_question_to_no_named_database_beside_those_settings_points_at_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`account` of root said "run: cleanside-ingest migrate", which makes another, empty database."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    service = tmp_path / "ingest.toml"
    service.touch()
    unnamed = load(flags={}, environ={"XDG_DATA_HOME": str(tmp_path)})
    with refused(CalledWrongly, "settings_not_named"), reader(unnamed, settings_of_service=service):
        pass
    with refused(CalledWrongly, "no_database"), reader(unnamed, settings_of_service=tmp_path / "none"):
        pass


@contextmanager
def as_nobody(folder: Path) -> Iterator[None]:
    """Whoever looks is not let into a folder, root neither."""
    before, uid = folder.stat().st_mode, os.geteuid()
    folder.chmod(0)
    if uid == 0:
        os.seteuid(65_534)
    try:
        yield
    finally:
        if uid == 0:
            os.seteuid(0)
        folder.chmod(before)


def test_a_folder_of_another_user_is_said_to_be_that(tmp_path: Path) -> None:
    chosen = load(flags={"database": f"sqlite:///{tmp_path}/shop.db"}, environ={})
    with (
        as_nobody(tmp_path),
        refused(CalledWrongly, "database_file_not_opened", path=tmp_path / "shop.db") as raised,
        reader(chosen),
    ):
        pass
    assert "have to belong to who runs this" in str(raised.value)


def test_a_key_file_of_another_user_is_said_to_be_that(tmp_path: Path) -> None:
    (key := tmp_path / "server.pem").touch()
    with as_nobody(tmp_path), refused(CalledWrongly, "tls_file_unreadable", file=str(key)) as raised:
        server_tls.context(Settings(tls_certificate=str(key)))
    assert "whom the file and its folders belong to" in str(raised.value)


def test_the_database_of_the_service_itself_is_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    service = tmp_path / "ingest.toml"
    service.touch()
    unnamed = load(flags={}, environ={"XDG_DATA_HOME": str(tmp_path)})
    with opened(unnamed, makes=True, newest=True, settings_of_service=service, state_of_service=tmp_path):
        pass
    assert (tmp_path / "cleanside" / "ingest.db").exists()


def test_a_new_database_that_was_not_named_is_said_to_be_that(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    unnamed = load(flags={}, environ={"XDG_DATA_HOME": str(tmp_path)})
    with opened(unnamed, makes=True, settings_of_service=tmp_path / "none"):
        pass
    assert "--settings" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("flags", "said"),
    [
        ({"database": "postgresql://host/shop"}, f"{NO_REVOCATIONS_FILE}\n"),
        ({"database": "postgresql://host/shop", "archive_folder": "archive"}, ""),
        ({"database": "sqlite:////srv/shop.db"}, ""),
    ],
)
def test_a_revocation_that_no_file_remembers_is_said_to_be_that(
    flags: dict[str, str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    warn_of_no_file(load(flags=flags, environ={}))
    assert capsys.readouterr().err == said
