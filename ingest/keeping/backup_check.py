"""
Checks that the database of a backup is sound, and is the one that its manifest describes.

Promises: it writes nothing, not even a lock beside the file. Schema and archive of a PostgreSQL dump are read
without a database; its account can be counted only once it is loaded
(`ingest.keeping.restore`). Leaves to others: the folder and its files (`ingest.keeping.manifest`).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

import sqlalchemy as sa

from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.keeping import pg_tools
from cleanside.ingest.keeping.manifest import (
    ARCHIVE,
    DATABASE_FILE,
    Listed,
    Manifest,
    Totals,
    listed,
    totals_of,
)
from cleanside.ingest.store import account, archive, blocks, database

SQLITE, POSTGRES = DATABASE_FILE["sqlite"], DATABASE_FILE["postgresql"]


def check_database(source: Path, manifest: Manifest, tools: Path | None) -> None:
    """Raise CalledWrongly unless the database of a backup is sound and is what the manifest says."""
    if manifest.database == "sqlite":
        with _opened_read_only(source / SQLITE, source / ARCHIVE) as connection:
            driver = connection.connection.driver_connection
            assert isinstance(driver, sqlite3.Connection)
            check_sqlite(driver, source / SQLITE)
            schema, registered = _registered(connection)
            _compare_register(schema, registered, manifest)
            compare(look(connection)[1], manifest)
    else:
        _compare_register(*_registered_in_dump(source / POSTGRES, tools), manifest)


@contextmanager
def _opened_read_only(copy: Path, folder: Path) -> Iterator[sa.Connection]:
    """
    A connection to a plain copy from an unknown source. It writes no file, not even a lock beside it.

    trusted_schema: the schema of the file must not call functions (sqlite.org/security.html).
    """

    def connect() -> sqlite3.Connection:
        address = f"file:{quote(str(copy.resolve()))}?mode=ro&immutable=1"
        connection = sqlite3.connect(address, uri=True)
        connection.execute("PRAGMA trusted_schema=OFF")
        return connection

    engine = sa.create_engine("sqlite://", creator=connect, poolclass=sa.NullPool, hide_parameters=True)
    try:
        with engine.execution_options(**{archive.FOLDER: folder}).connect() as connection:
            yield connection
    except sa.exc.DatabaseError as error:
        raise CalledWrongly("copy_not_sound", path=copy.name, why=error.orig) from error
    finally:
        engine.dispose()


def _registered(connection: sa.Connection) -> tuple[str | None, set[Listed]]:
    """Schema and archive files of a database, by its own tables."""
    has_archive = sa.inspect(connection).has_table("archives")
    return database.revision_of(connection), listed(archive.all_of(connection)) if has_archive else set()


def _registered_in_dump(dump: Path, tools: Path | None) -> tuple[str | None, set[Listed]]:
    """Schema and archive files that a dump of PostgreSQL has, read without a database."""
    schemas = [row["version_num"] for row in pg_tools.rows_in_dump(dump, "alembic_version", tools)]
    rows = pg_tools.rows_in_dump(dump, "archives", tools)
    try:
        listed_files = {Listed(row["file"], row["sha256"], int(row["size_bytes"])) for row in rows}
    except (KeyError, ValueError) as error:
        raise CalledWrongly("no_archive_register", dump=dump.name) from error
    return (schemas[0] if schemas else None), listed_files


def _compare_register(schema: str | None, registered: set[Listed], manifest: Manifest) -> None:
    """Raise CalledWrongly unless the archive files of a backup are exactly those that its database lists."""
    if schema != manifest.schema:
        raise CalledWrongly("schema_differs", schema=schema, in_manifest=manifest.schema)
    if odd := sorted(registered ^ manifest.archive_files):
        raise CalledWrongly("archive_file_differs", file=odd[0].file)


def compare(found: Totals | None, manifest: Manifest) -> None:
    """Compare by the account. A backup of an older release is counted only after its migration."""
    if found != manifest.totals and manifest.schema == database.newest_revision():
        raise CalledWrongly("account_differs", found=found, in_manifest=manifest.totals)


def check_sqlite(connection: sqlite3.Connection, path: Path) -> None:
    """Raise CalledWrongly where SQLite finds the file unsound (sqlite.org/pragma.html, integrity_check)."""
    try:
        faults = [row[0] for row in connection.execute("PRAGMA integrity_check")]
    except sqlite3.DatabaseError as error:
        faults = [str(error)]
    if faults != ["ok"]:
        raise CalledWrongly("not_sound", path=path.name, found="; ".join(faults[:3]))


def look(connection: sa.Connection) -> tuple[str | None, Totals | None, list[archive.Archive]]:
    """
    Schema, account and archive files of a database; parts that an older schema lacks are left out.

    Raises BlockDamaged where readings at rest cannot be read.
    """
    schema = database.revision_of(connection)
    if schema == database.newest_revision():
        blocks.require_sound(connection)
        return schema, totals_of(account.accounts(connection)), archive.all_of(connection)
    has_archive = sa.inspect(connection).has_table("archives")
    return schema, None, archive.all_of(connection) if has_archive else []
