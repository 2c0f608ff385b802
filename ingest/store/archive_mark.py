"""
Whose archive a folder is: a small file in it names the database.

Promises: one database moves readings into a folder and removes files from it. A restored copy has an id of
its own, so one that was started with the settings of the original leaves the original's files alone.
Leaves to others: the id (`ingest.store.identity`), who asks when (`ingest.keeping.retention`,
`ingest.keeping.restore`, the command `serve`).

The file has the id, and beside it where that database is, for people and for a restore to the same place:

    {"database": "1b4e28ba-2fa1-11d2-883f-0016d3cca427", "place": "/var/lib/cleanside-ingest/ingest.db"}
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.gateway import file_modes
from cleanside.ingest.errors import CalledWrongly, why
from cleanside.ingest.store import inside

MARK_FILE = "belongs-to"


class ArchiveMark(NamedTuple):
    """The content of the file."""

    #: id of the database
    database: str
    #: where it was when the file was written, as `place_of` says it
    place: str


def place_of(url: sa.URL) -> str:
    """Where a database is, without who opens it: the whole path of a SQLite file, or host and name."""
    if url.get_backend_name() == "sqlite":
        return str(Path(url.database or "").resolve())
    without = sa.URL.create("postgresql", host=url.host, port=url.port, database=url.database)
    return without.render_as_string()


def read(folder: Path) -> ArchiveMark | None:
    """
    The mark of a folder; None: it has none, or one that was cut off.

    Raises CalledWrongly where the file is none of ours or cannot be read: nothing may be removed then.
    """
    path = folder / MARK_FILE
    try:
        text = inside.read_text(path)
        if "\n" not in text:
            return None
        found = json.loads(text)
        return ArchiveMark(str(found["database"]), str(found["place"]))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise CalledWrongly("archive_mark_unreadable", path=path, why=why(error)) from error


def claim(folder: Path, own: ArchiveMark) -> None:
    """Make a folder this database's archive. Raises CalledWrongly where it is another database's."""
    found = read(folder)
    if found is None:
        file_modes.make_folder(folder)
        file_modes.write_text(folder / MARK_FILE, json.dumps(own._asdict()) + "\n")
        file_modes.sync_file(folder / MARK_FILE)
        file_modes.sync_folder(folder)
    elif found.database != own.database:
        raise _of_another(folder, found)


def refuse_other(folder: Path, *, database: str | None) -> None:
    """Raise CalledWrongly where a folder is another database's archive. database : id; None: it has none."""
    found = read(folder)
    if found is not None and found.database != database:
        raise _of_another(folder, found)


def refuse_elsewhere(folder: Path, place: str) -> None:
    """Raise CalledWrongly where a folder is the archive of a database at another place than this."""
    found = read(folder)
    if found is not None and found.place != place:
        raise _of_another(folder, found)


def _of_another(folder: Path, found: ArchiveMark) -> CalledWrongly:
    return CalledWrongly(
        "archive_of_another_database", folder=folder, place=found.place, mark=folder / MARK_FILE
    )


def drop(folder: Path) -> None:
    """Take the mark away: the next database that archives here sets its own."""
    (folder / MARK_FILE).unlink(missing_ok=True)
