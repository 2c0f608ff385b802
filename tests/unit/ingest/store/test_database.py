"""The database as it is opened: which schema it must have."""

from __future__ import annotations

from pathlib import Path

import pytest

from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.store import database


def test_an_installation_without_schema_revisions_is_refused(tmp_path: Path) -> None:
    (tmp_path / "env.py").write_text("")
    (tmp_path / "versions").mkdir()
    with pytest.raises(CalledWrongly):
        database.newest_revision(tmp_path)
