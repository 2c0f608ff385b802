"""`install-service` shows what it will write, asks, and keeps what was there."""

from __future__ import annotations

from pathlib import Path

import pytest

from cleanside.gateway.cli import EXIT_CALLED_WRONGLY, EXIT_FAILED, EXIT_OK, main
from cleanside.gateway.commands.service import UNIT_NAME, unit_text
from tests.unit.gateway.helpers import DEVICE


def call(folder: Path, *more: str) -> int:
    return main(["install-service", "--device", DEVICE, "--folder", str(folder), *more])


def test_the_unit_is_shown_and_written_once_agreed_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("builtins.input", lambda _: "n")
    assert call(tmp_path) == EXIT_FAILED
    assert "[Service]" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setattr("builtins.input", lambda _: "y")
    assert call(tmp_path) == EXIT_OK
    assert [path.name for path in tmp_path.iterdir()] == [UNIT_NAME]
    assert f"systemctl enable --now cleanside-gateway@{DEVICE}.service" in capsys.readouterr().out


def test_with_yes_nothing_is_asked_and_what_was_there_is_kept(tmp_path: Path) -> None:
    (tmp_path / UNIT_NAME).write_text("of a person")
    assert call(tmp_path, "--yes") == EXIT_OK
    assert (tmp_path / f"{UNIT_NAME}.before").read_text() == "of a person"
    assert "[Service]" in (tmp_path / UNIT_NAME).read_text()
    assert call(tmp_path, "--yes") == EXIT_OK
    assert (tmp_path / f"{UNIT_NAME}.before").read_text() == "of a person"


def test_the_unit_starts_the_command_that_is_installed() -> None:
    text = unit_text(Path("/opt/cleanside/bin/cleanside-gateway"))
    line = "ExecStart=/opt/cleanside/bin/cleanside-gateway run --settings /etc/cleanside/%i.toml"
    assert line in text.splitlines()
    assert "/usr/bin/env" not in text


def test_a_folder_that_is_not_there_is_said_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(tmp_path / "units", "--yes") == EXIT_CALLED_WRONGLY
    said = capsys.readouterr().err
    assert f"there is no folder {tmp_path / 'units'}; make it, or give another --folder" in said
    assert "run it as root" not in said


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    assert call(tmp_path / "nowhere", "--yes") == EXIT_CALLED_WRONGLY
