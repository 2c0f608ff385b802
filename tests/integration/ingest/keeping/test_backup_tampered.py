"""A backup that was tampered with, in every way: refused whole, and nothing is written anywhere."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import socket
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.errors import CalledWrongly, IngestError
from cleanside.ingest.keeping import pg_tools, restore
from cleanside.ingest.settings import load
from cleanside.ingest.store import inside, models
from cleanside.ingest.store.archive_disk import Disk
from tests.integration.ingest.keeping.test_backup import NOW_US, PG_TOOLS, fill, made
from tests.support.archiving import archive_all
from tests.support.databases import migrated_sqlite, opened
from tests.support.serving import Api, batch, in_process

Document = dict[str, Any]
#: changes a backup: its folder, its manifest (written again afterwards), and a folder outside
Tampering = Callable[[Path, Document, Path], None]


@dataclass(frozen=True)
class Kind:
    """One kind of database, with a sound backup that tests copy and spoil."""

    is_sqlite: bool
    backup: Path
    #: URL of an empty database, for a file in this folder where it is one
    empty: Callable[[Path], str]
    url: str


def whole(request: pytest.FixtureRequest, folder: Path) -> Iterator[Kind]:
    """A backup of a server with an archive, made once."""
    is_sqlite = request.param == "sqlite"
    server = None if is_sqlite else request.getfixturevalue("postgres")
    url = migrated_sqlite(folder) if server is None else server.migrated()
    settings = load(flags={"database": url, "archive_folder": str(folder / "older")}, environ={})
    with in_process(url, settings=settings) as api:
        fill(api)
        made(api, folder / "backup")

        def empty(place: Path) -> str:
            return f"sqlite:///{place / 'restored.db'}" if server is None else str(server.empty())

        yield Kind(is_sqlite, folder / "backup", empty, url)


@pytest.fixture(scope="module", params=["sqlite"])
def of_sqlite(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kind]:
    """A backup of SQLite."""
    yield from whole(request, tmp_path_factory.mktemp("whole"))


@pytest.fixture(scope="module", params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def of_either(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kind]:
    """A backup of each."""
    yield from whole(request, tmp_path_factory.mktemp("whole"))


@pytest.fixture
def either(database_url: str, tmp_path: Path) -> Iterator[Api]:
    """A server with an archive, on both databases."""
    settings = load(
        flags={"database": database_url, "archive_folder": str(tmp_path / "live" / "older")}, environ={}
    )
    with in_process(database_url, settings=settings) as api:
        fill(api)
        yield api


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def entry_of(path: Path, name: str) -> Document:
    return {"file": name, "sha256": digest(path), "size_bytes": path.stat().st_size}


def the_archive_file(source: Path) -> Path:
    [path] = (source / "archive").rglob("*.parquet")
    return path


def database_entry(document: Document) -> Document:
    [entry] = [entry for entry in document["files"] if not entry["file"].startswith("archive/")]
    found: Document = entry
    return found


def archive_entry(document: Document) -> Document:
    [entry] = [entry for entry in document["files"] if entry["file"].startswith("archive/")]
    found: Document = entry
    return found


# ---------------------------------------------------------------- the manifest


def listing(name: str) -> Tampering:
    """One file more is listed under this name, and is there with the right digest."""

    def tamper(source: Path, document: Document, outside: Path) -> None:
        where = source / name.replace("OUTSIDE", str(outside))
        if "\0" not in name and not where.exists():
            where.parent.mkdir(parents=True, exist_ok=True)
            where.write_bytes(b"planted")
        planted = outside / "planted"
        planted.write_bytes(b"planted")
        document["files"].append(entry_of(planted, name.replace("OUTSIDE", str(outside))))

    return tamper


def setting(**values: Any) -> Tampering:
    def tamper(_source: Path, document: Document, _outside: Path) -> None:
        document.update(values)

    return tamper


def without(name: str) -> Tampering:
    def tamper(_source: Path, document: Document, _outside: Path) -> None:
        del document[name]

    return tamper


def of_file(which: Callable[[Document], Document], **values: Any) -> Tampering:
    """The entry of a file says something else."""

    def tamper(_source: Path, document: Document, _outside: Path) -> None:
        which(document).update(values)

    return tamper


def of_totals(**values: Any) -> Tampering:
    def tamper(_source: Path, document: Document, _outside: Path) -> None:
        document["totals"].update(values)

    return tamper


def listed_twice(_source: Path, document: Document, _outside: Path) -> None:
    document["files"].append(dict(archive_entry(document)))


def database_not_listed(_source: Path, document: Document, _outside: Path) -> None:
    document["files"].remove(database_entry(document))


def a_total_left_out(_source: Path, document: Document, _outside: Path) -> None:
    del document["totals"]["shed"]


MANIFESTS: dict[str, Tampering] = {
    **{
        f"lists {name!r}": listing(name)
        for name in (
            "archive/../../../x",
            "archive/../database.sqlite",
            "archive/2026-01/../../../../x",
            "archive/..",
            "archive/.",
            "archive/",
            "archive",
            "../x",
            "x",
            "",
            "OUTSIDE/x",
            "archive/OUTSIDE/x",
            "archive//2026-01/000009-0a1b2c3d.parquet",
            "archive/2026-01//000009-0a1b2c3d.parquet",
            "archive/2026-01/./000009-0a1b2c3d.parquet",
            "archive/2026-01/..\\..\\x.parquet",
            "archive\\2026-01\\000009-0a1b2c3d.parquet",
            "archive/2026-01/000009-0a1b2c3d.parquet\n",
            "archive/2026-01/000009-0a1b2c3d.parquet\0",
            "archive/2026-01/000009-0A1B2C3D.PARQUET",
            "archive/2026-01/CON",
            "archive/2026-01/.hidden",
            "archive/2026-01/~",
            "archive/2026-13/000009-0a1b2c3d.parquet",
            "archive/２０２６-01/000009-0a1b2c3d.parquet",
            "archive/2026-01/000009-0a1b2c3d.parquet.part",
            "archive/archive/2026-01/000009-0a1b2c3d.parquet",
            "archive/revoked-keys",
            "manifest.json",
            "database.sqlite-wal",
            "database.sqlite-journal",
            "database.other",
        )
    },
    "lists a good name that the database does not know": listing("archive/2026-01/000009-0a1b2c3d.parquet"),
    "lists a file twice": listed_twice,
    "does not list the database": database_not_listed,
    "has an unknown key": setting(also="this"),
    "lacks a key": without("totals"),
    "has an unknown key at a file": of_file(archive_entry, link_to="/etc/passwd"),
    "has an unknown total": of_totals(more=1),
    "lacks a total": a_total_left_out,
    "counts otherwise": of_totals(stored=1),
    "does not count": setting(totals=None),
    "counts in halves": of_totals(stored=0.5),
    "counts below nothing": of_totals(gap=-1),
    "has another format": setting(format=2),
    "has a format that is true": setting(format=True),
    "has a format in words": setting(format="1"),
    "is of an unknown database": setting(database="other"),
    "is of a list of databases": setting(database=["sqlite"]),
    "was made at no time": setting(made_at="yesterday"),
    "was made at a number": setting(made_at=1),
    "has another schema": setting(schema="0008"),
    "has no schema": setting(schema=None),
    "has a schema that is a number": setting(schema=9),
    "has files that are no list": setting(files={}),
    "has a file that is no object": setting(files=["database.sqlite"]),
    "has the wrong digest of the archive": of_file(archive_entry, sha256="0" * 64),
    "has the wrong digest of the database": of_file(database_entry, sha256="0" * 64),
    "has no digest": of_file(archive_entry, sha256=""),
    "has a digest that is a number": of_file(archive_entry, sha256=0),
    "has the wrong size": of_file(archive_entry, size_bytes=1),
    "has a size in words": of_file(archive_entry, size_bytes="1"),
}


# ---------------------------------------------------------------- the folder


def in_place_of(which: Callable[[Path], Path], put: Callable[[Path, Path], None]) -> Tampering:
    """Something else stands where a file or folder was; what was there lies elsewhere."""

    def tamper(source: Path, _document: Document, outside: Path) -> None:
        path, moved = which(source), outside / "moved"
        path.rename(moved)
        put(path, moved)

    return tamper


def the_database(source: Path) -> Path:
    [path] = source.glob("database.*")
    return path


def a_link(path: Path, moved: Path) -> None:
    path.symlink_to(moved)


def a_pipe(path: Path, _moved: Path) -> None:
    os.mkfifo(path)


def a_socket(path: Path, _moved: Path) -> None:
    here = Path.cwd()
    os.chdir(path.parent)  # the address of a socket is short
    try:
        with closing(socket.socket(socket.AF_UNIX)) as listening:
            listening.bind(path.name)
    finally:
        os.chdir(here)


def a_device(path: Path, _moved: Path) -> None:
    try:
        os.mknod(path, 0o20600, os.makedev(1, 5))  # /dev/zero: reading it would never end
    except PermissionError:
        pytest.skip("only root makes devices")


def a_folder(path: Path, _moved: Path) -> None:
    path.mkdir()


def nothing(_path: Path, _moved: Path) -> None:
    return


def more(name: str, put: Callable[[Path, Path], None]) -> Tampering:
    """There is something that is not listed."""

    def tamper(source: Path, _document: Document, outside: Path) -> None:
        (source / name).parent.mkdir(exist_ok=True)
        (outside / "moved").write_bytes(b"elsewhere")
        put(source / name, outside / "moved")

    return tamper


def a_file(path: Path, _moved: Path) -> None:
    path.write_bytes(b"not listed")


def the_manifest(source: Path) -> Path:
    return source / "manifest.json"


_PLACES: dict[str, Callable[[Path], Path]] = {
    "an archive file": the_archive_file,
    "the database": the_database,
    "the manifest": the_manifest,
    "a month": lambda source: the_archive_file(source).parent,
    "the archive": lambda source: source / "archive",
}
_KINDS = {"a link": a_link, "a pipe": a_pipe, "a socket": a_socket, "a device": a_device, "nothing": nothing}
FOLDERS: dict[str, Tampering] = {
    **{
        f"{kind} in place of {place}": in_place_of(which, put)
        for place, which in _PLACES.items()
        for kind, put in _KINDS.items()
    },
    "a folder in place of an archive file": in_place_of(the_archive_file, a_folder),
    "a file more": more("notes.txt", a_file),
    "an archive file more": more("archive/2026-01/000009-0a1b2c3d.parquet", a_file),
    "a log of the database more": more("database.sqlite-wal", a_file),
    "a link more": more("archive/2026-02", a_link),
    "a pipe more": more("archive/pipe", a_pipe),
}


# ---------------------------------------------------------------- what the database lists


def registering(**values: Any) -> Callable[[sa.Connection], None]:
    def change(connection: sa.Connection) -> None:
        connection.execute(sa.update(models.archives).values(**values))

    return change


def forgetting(connection: sa.Connection) -> None:
    for table in (models.archive_removed, models.archive_streams, models.archives):
        connection.execute(sa.delete(table))


REGISTERS: dict[str, Callable[[sa.Connection], None]] = {
    "a name outside": registering(file="../../x"),
    "an absolute name": registering(file="/etc/passwd"),
    "another name": registering(file="2026-01/000009-0a1b2c3d.parquet"),
    "another digest": registering(sha256="0" * 64),
    "another size": registering(size_bytes=1),
    "no archive file": forgetting,
}


# ---------------------------------------------------------------- the tests


def tree(folder: Path) -> dict[str, tuple[int, str]]:
    """Everything in a folder: what it is, and its content or where it leads."""
    found = {}
    for path in sorted(folder.rglob("*")):
        what = str(path.readlink()) if path.is_symlink() else digest(path) if path.is_file() else ""
        found[str(path.relative_to(folder))] = (path.lstat().st_mode, what)
    return found


def refused(kind: Kind, source: Path, tmp_path: Path) -> None:
    """A restore is refused, and nothing was written."""
    (tmp_path / "place").mkdir()
    url, older = kind.empty(tmp_path / "place"), tmp_path / "place" / "older"
    before = tree(tmp_path)
    with pytest.raises(CalledWrongly):
        restore.restore(url, older, source=source, now_us=NOW_US, disk=Disk(), tools=PG_TOOLS)
    assert tree(tmp_path) == before
    if not kind.is_sqlite:
        with opened(url) as engine:
            assert sa.inspect(engine).get_table_names() == []


def spoiled(kind: Kind, tmp_path: Path, tamper: Tampering) -> Path:
    """A copy of the backup, tampered with."""
    source, outside = tmp_path / "a" / "b" / "backup", tmp_path / "outside"
    outside.mkdir()
    shutil.copytree(kind.backup, source)
    path = source / "manifest.json"
    document = json.loads(path.read_text())
    before = json.dumps(document)
    tamper(source, document, outside)
    if json.dumps(document) != before:
        path.write_text(json.dumps(document))
    return source


@pytest.mark.parametrize("tamper", [*MANIFESTS.values(), *FOLDERS.values()], ids=[*MANIFESTS, *FOLDERS])
def test_a_tampered_backup_is_refused_before_anything_is_written(
    of_sqlite: Kind, tmp_path: Path, tamper: Tampering
) -> None:
    refused(of_sqlite, spoiled(of_sqlite, tmp_path, tamper), tmp_path)


#: what is looked at in another way than with SQLite, and one of each other kind
_ON_BOTH = (
    "lists 'archive/../../../x'",
    "does not list the database",
    "counts otherwise",
    "does not count",
    "has another schema",
    "has no schema",
    "has the wrong digest of the database",
    "lists a good name that the database does not know",
    "a link in place of the database",
    "a file more",
)


@pytest.mark.parametrize("what", _ON_BOTH)
def test_a_tampered_backup_is_refused_on_postgresql_too(of_either: Kind, tmp_path: Path, what: str) -> None:
    """PostgreSQL's account is known only once the dump is loaded: then the database is emptied again."""
    refused(of_either, spoiled(of_either, tmp_path, (MANIFESTS | FOLDERS)[what]), tmp_path)


def not_once(text: str) -> str:
    return text.replace('"format": 1,', '"format": 1, "format": 1,')


@pytest.mark.parametrize(
    "change",
    [
        not_once,
        lambda text: text[:-20],
        lambda _: "",
        lambda _: "null",
        lambda _: "[]",
        lambda _: "[" * 100_000,
        lambda text: text.replace('"format": 1', '"format": NaN'),
        lambda text: re.sub(r'"size_bytes": \d+', f'"size_bytes": {"9" * 5_000}', text),
        lambda text: "\ufeff" + text,
    ],
    ids=["a key twice", "cut", "empty", "null", "list", "deep", "NaN", "a number without end", "BOM"],
)
def test_a_manifest_that_is_none_is_refused(
    of_sqlite: Kind, tmp_path: Path, change: Callable[[str], str]
) -> None:
    source = spoiled(of_sqlite, tmp_path, lambda *_: None)
    path = source / "manifest.json"
    path.write_text(change(path.read_text()))
    refused(of_sqlite, source, tmp_path)


@pytest.mark.parametrize("change", REGISTERS.values(), ids=REGISTERS)
def test_the_archive_that_the_database_lists_is_the_one_of_the_manifest(
    of_either: Kind, tmp_path: Path, change: Callable[[sa.Connection], None]
) -> None:
    """Digests are right, also that of the database: only what it lists differs."""

    def tamper(source: Path, document: Document, _outside: Path) -> None:
        path = the_database(source)
        if of_either.is_sqlite:
            engine = sa.create_engine(f"sqlite:///{path}", poolclass=sa.NullPool)
            with engine.begin() as connection:
                change(connection)
        else:
            changed = of_either.empty(tmp_path)
            pg_tools.run(PG_TOOLS, "pg_restore", "--no-owner", str(path), url=changed)
            with opened(changed) as engine, engine.begin() as connection:
                change(connection)
            path.unlink()
            pg_tools.run(PG_TOOLS, "pg_dump", "--format=custom", f"--file={path}", url=changed)
        database_entry(document).update(entry_of(path, path.name))

    refused(of_either, spoiled(of_either, tmp_path, tamper), tmp_path)


def test_links_at_the_place_itself_are_not_followed(of_sqlite: Kind, tmp_path: Path) -> None:
    """Names that a restore uses aside lead elsewhere: what is there stays as it is."""
    place, outside = tmp_path / "place", tmp_path / "outside"
    place.mkdir()
    outside.mkdir()
    (outside / "file").write_bytes(b"mine")
    (place / "restored.db.part").symlink_to(outside / "file")
    (place / "older.part").symlink_to(outside)
    before = tree(outside)
    restore.restore(
        of_sqlite.empty(place), place / "older", source=of_sqlite.backup, now_us=NOW_US, disk=Disk()
    )
    assert tree(outside) == before
    assert [path.name for path in place.iterdir() if path.is_symlink()] == []


@pytest.mark.parametrize(
    "what", ["a month that is a link", "a file that is a link", "a database that is a link"]
)
def test_a_place_with_links_is_not_empty(of_sqlite: Kind, tmp_path: Path, what: str) -> None:
    place, outside = tmp_path / "place", tmp_path / "outside"
    (place / "older").mkdir(parents=True)
    outside.mkdir()
    if what == "a month that is a link":
        (place / "older" / "2026-01").symlink_to(outside)
    elif what == "a file that is a link":
        there = the_archive_file(of_sqlite.backup)
        (place / "older" / "2026-01").mkdir()
        (place / "older" / "2026-01" / there.name).symlink_to(there)
    else:
        (place / "new.db").symlink_to(outside / "nothing")
    before = tree(tmp_path)
    with pytest.raises(CalledWrongly):
        restore.restore(
            f"sqlite:///{place / 'new.db'}",
            place / "older",
            source=of_sqlite.backup,
            now_us=NOW_US,
            disk=Disk(),
        )
    assert tree(tmp_path) == before


# ---------------------------------------------------------------- the register of a running server


@pytest.mark.parametrize(
    "file", ["../outside.parquet", "2026-01/../../outside.parquet", "/etc/hostname", "LINK"]
)
def test_a_name_in_the_register_never_leads_out_of_the_archive(
    either: Api, tmp_path: Path, file: str
) -> None:
    """The file has what belongs there; only where it lies is wrong."""
    [there] = either.resources.archive_folder.rglob("*.parquet")
    outside = either.resources.archive_folder.parent / "outside.parquet"
    shutil.copyfile(there, outside)
    if file == "LINK":
        there.unlink()
        there.symlink_to(outside)
    else:
        either.resources.writer.call(registering(file=file))
    answer = either.get("/v1/account")
    assert (answer.status_code, answer.json().get("code")) == (503, "store_unavailable")
    with pytest.raises(IngestError):
        made(either, tmp_path / "backup")
    assert not (tmp_path / "backup").exists()


def test_a_sweep_removes_nothing_through_a_link(either: Api, tmp_path: Path) -> None:
    class Old(Disk):
        def age_s(self, path: Path) -> float:  # noqa: ARG002
            return 1e6

    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "000009-0a1b2c3d.parquet").write_bytes(b"of another program")
    (either.resources.archive_folder / "2026-02").symlink_to(outside)
    archive_all(either, Old())
    assert (outside / "000009-0a1b2c3d.parquet").exists()


def test_no_archive_file_is_written_through_a_link(either: Api, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    [month] = [path for path in either.resources.archive_folder.iterdir() if path.is_dir()]
    month.rename(tmp_path / "was")
    month.symlink_to(outside)
    late = batch(100, [3.0] * 5, stream="019abc00-7e1a-7c3e-8f00-5d2b8a9c0d77")
    for reading in late["readings"]:
        reading["at"] = reading["at"].replace("2026-03-02", f"{month.name}-02")
    either.send(late)
    with pytest.raises((OSError, IngestError)):
        archive_all(either)
    assert list(outside.iterdir()) == []


# ---------------------------------------------------------------- names


@pytest.mark.parametrize(
    "name", ["", ".", "..", "../x", "/x", "a//b", "a/../b", "a/./b", "a/", "\0", "link/x"]
)
def test_a_name_that_is_not_inside_has_no_path(tmp_path: Path, name: str) -> None:
    (tmp_path / "link").symlink_to(tmp_path)  # inside all the same, and not followed
    with pytest.raises(inside.NotInside) as outside:
        inside.path_in(tmp_path, name)
    assert outside.value.code in ("not_a_name", "leads_out")


def test_a_folder_that_a_person_named_may_be_a_link_itself(tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    (tmp_path / "archive").symlink_to(tmp_path / "disk")
    file = "2026-01/000001-0a1b2c3d.parquet"
    assert inside.archive_path(tmp_path / "archive", file) == tmp_path / "archive" / file
