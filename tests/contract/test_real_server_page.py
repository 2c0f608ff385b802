"""The page on a real server: its sample is a whole settings file, and it is scraped as the rules expect."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import yaml

from cleanside.ingest.settings import load
from tests.support.house import ROOT

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
