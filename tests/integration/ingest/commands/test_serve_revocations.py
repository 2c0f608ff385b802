"""A server whose file of revoked keys cannot be written refuses to start."""

from __future__ import annotations

from pathlib import Path

from cleanside.ingest.commands.serve import prepare
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.settings import load
from tests.support.coded import refused


def test_a_server_that_could_revoke_no_key_does_not_start(tmp_path: Path) -> None:
    """Else it is noticed when a stolen key goes on working."""
    (tmp_path / "archive" / "revoked-keys").mkdir(parents=True)
    flags = {"database": f"sqlite:///{tmp_path / 'ingest.db'}", "archive_folder": str(tmp_path / "archive")}
    with refused(CalledWrongly, "no_key_revocable", path=tmp_path / "archive" / "revoked-keys"):
        prepare(load(flags=flags, environ={}), migrate_old=False)
