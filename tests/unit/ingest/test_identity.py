"""Which database this is: it stays, until a restore renews it."""

from __future__ import annotations

import shutil
from pathlib import Path

from cleanside.ingest.cli import main
from cleanside.ingest.store import identity
from tests.support.databases import opened


def id_of(url: str) -> str:
    with opened(url) as engine, engine.begin() as connection:
        return identity.keep(connection)


def test_a_database_keeps_its_id(database_url: str) -> None:
    assert id_of(database_url) == id_of(database_url)


def test_a_restored_database_has_another_id_each_time_and_a_copied_one_the_same(
    tmp_path: Path, sqlite_database_url: str
) -> None:
    ids = [id_of(sqlite_database_url)]
    kept = tmp_path / "backup"
    assert main(["backup", "--database", sqlite_database_url, "--to", str(kept)]) == 0
    for name in ("first", "second"):
        url = f"sqlite:///{tmp_path / name}.db"
        assert main(["restore", "--database", url, "--from", str(kept)]) == 0
        ids.append(id_of(url))
    assert len(set(ids)) == 3
    shutil.copyfile(tmp_path / "first.db", tmp_path / "copied.db")
    assert id_of(f"sqlite:///{tmp_path / 'copied.db'}") == ids[1]
