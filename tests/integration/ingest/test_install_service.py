"""`install-service` of the server shows what it will write, asks, and keeps what was there."""

from __future__ import annotations

from pathlib import Path

import pytest

from cleanside.ingest.cli import main
from cleanside.ingest.commands.install_service import UNIT_NAME, unit_text
from cleanside.ingest.settings import data_folder


def test_the_unit_is_shown_and_written_once_agreed_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    call = ["install-service", "--folder", str(tmp_path)]
    monkeypatch.setattr("builtins.input", lambda _: "")
    assert main(call) == 1
    assert "[Service]" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []
    (tmp_path / UNIT_NAME).write_text("of a person")
    assert main([*call, "--yes"]) == 0
    assert (tmp_path / f"{UNIT_NAME}.before").read_text() == "of a person"
    assert "systemctl enable --now cleanside-ingest" in capsys.readouterr().out
    assert main([*call, "--yes"]) == 0
    assert (tmp_path / f"{UNIT_NAME}.before").read_text() == "of a person"
    assert main(["install-service", "--folder", str(tmp_path / "nowhere"), "--yes"]) == 2


def test_a_command_that_systemd_cannot_see_is_refused_where_it_would_be_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shutil.which", lambda _: "/home/anna/cleanside/.venv/bin/cleanside-ingest")
    monkeypatch.setattr("cleanside.ingest.commands.install_service.UNIT_FOLDER", tmp_path)
    assert main(["install-service", "--folder", str(tmp_path), "--yes"]) == 2
    assert list(tmp_path.iterdir()) == []


def test_the_unit_starts_the_installed_command_and_writes_where_it_may() -> None:
    lines = unit_text(Path("/opt/cleanside/bin/cleanside-ingest")).splitlines()
    assert (
        "ExecStart=/opt/cleanside/bin/cleanside-ingest serve --settings /etc/cleanside/ingest.toml" in lines
    )
    [folder] = [line.partition("XDG_DATA_HOME=")[2] for line in lines if "XDG_DATA_HOME=" in line]
    assert data_folder({"XDG_DATA_HOME": folder}).is_relative_to("/var/lib/cleanside-ingest")
    assert "StateDirectory=cleanside-ingest" in lines
    assert "User=cleanside-ingest" in lines  # it can own files of mode 0600
    assert "ExecReload=/bin/kill -HUP $MAINPID" in lines
