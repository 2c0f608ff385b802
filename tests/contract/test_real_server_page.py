"""The page on a real server: its sample is a whole settings file, and it is scraped as the rules expect."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from cleanside.ingest.cli import main
from cleanside.ingest.settings import load
from tests.support.house import ROOT
from tests.support.serving import batch, in_process

PAGE = (ROOT / "ingest" / "docs" / "howto" / "real-server.md").read_text()
UNIT = (ROOT / "ingest" / "deploy" / "cleanside-backup.service").read_text()
RULES = (ROOT / "ingest" / "deploy" / "prometheus-rules.yaml").read_text()


def block(kind: str) -> str:
    """The one block of the page in that language."""
    (text,) = re.findall(rf"^```{kind}\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    return str(text)


def test_the_sample_of_the_settings_is_read_as_it_stands(tmp_path: Path) -> None:
    file = tmp_path / "ingest.toml"
    file.write_text(block("toml"))
    file.chmod(0o600)
    chosen = load({"settings": str(file)}, {})
    assert (chosen.port, chosen.tls_certificate) == (8750, "/etc/cleanside/chain.pem")
    assert chosen.smtp_sender == "cleanside@filters.example"
    assert f"backup-with-drill.sh {chosen.backup_folder} " in UNIT


def test_the_sample_of_a_scrape_has_the_name_that_the_rules_look_for() -> None:
    scrape: Any = yaml.safe_load(block("yaml"))
    (job,) = scrape["scrape_configs"]
    assert set(re.findall(r'job="(\w+)"', RULES)) == {job["job_name"]}
    assert job["scheme"] == "https"


def test_the_commands_that_the_page_names_run_beside_a_server_and_a_writing_one_does_not(
    sqlite_database_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    [said] = re.findall(r"What only reads runs beside the server: ([^.]*)\.", PAGE)
    named = re.findall(r"`([^`]+)`", said)
    assert len(named) == 7
    with in_process(sqlite_database_url) as api:  # it has the lock, as `serve` has
        api.send(batch(1, [3.0]))
        for name in named:
            words = [*name.split(), "--database", sqlite_database_url]
            words += ["--owner", "plateau"] if name.startswith(("recompute", "people", "keys")) else []
            words += ["--to", str(tmp_path / "backup")] if name == "backup" else []
            assert main(words) in (0, 1), name  # 1: attention found something
            assert "being served" not in capsys.readouterr().err, name
        revoke = ["keys", "revoke", "k00000000", "--owner", "plateau", "--database", sqlite_database_url]
        assert main(revoke) == 2
        assert "DELETE /v1/keys" in capsys.readouterr().err
