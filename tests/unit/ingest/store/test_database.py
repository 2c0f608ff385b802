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


def test_the_revisions_of_this_code_are_the_newest_and_all_before_it() -> None:
    known = database.revisions()
    assert known.newest == max(known.every) == database.newest_revision()
    assert len(known.every) == int(known.newest), "numbers without gaps"
