"""A database that is filled once, and that each test begins from a copy of."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.support.databases import SQLITE_FILE, migrated_sqlite
from tests.support.serving import Api, in_process


@dataclass(frozen=True)
class Prepared:
    """A filled SQLite file in a folder, and the keys in it: name of a role -> key."""

    folder: Path
    tokens: dict[str, str]

    @contextmanager
    def copied(self, folder: Path) -> Iterator[Api]:
        """The app over a copy in another folder: what is written there, no other test sees."""
        shutil.copytree(
            self.folder, folder, dirs_exist_ok=True
        )  # what lies beside the file too: a key, an archive
        with in_process(f"sqlite:///{folder / SQLITE_FILE}", tokens=self.tokens) as api:
            yield api


def prepared(folder: Path, fill: Callable[[Api], object]) -> Prepared:
    """A database in an empty folder, filled through the app."""
    with in_process(migrated_sqlite(folder)) as api:
        fill(api)
        return Prepared(folder, dict(api.tokens))
