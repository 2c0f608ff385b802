"""
The manifest of a backup, and the check that the folder has exactly these files.

Promises: a manifest is read strictly: no key more or less, no other type, no name twice, and names only of
the forms that `backup` writes. A folder is checked whole against it, without following a link: a file that is
missing, changed, of another kind or not listed is an error. It writes nothing.
Leaves to others: the database (`ingest.keeping.backup`).

A manifest finds damage, and names outside the folder. It is not signed: anyone who can write into a backup
can change a file and its digest together, so keep backups where only their user writes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, NamedTuple

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.errors import CalledWrongly, why
from cleanside.ingest.store import account, archive, inside

BACKUP_FORMAT = 1
MANIFEST = "manifest.json"
ARCHIVE = "archive"
#: kind of database -> its file in a backup
DATABASE_FILE = {"sqlite": "database.sqlite", "postgresql": "database.dump"}
_SHA256 = re.compile(r"[0-9a-f]{64}")


class Listed(NamedTuple):
    """One file of a backup."""

    file: str
    sha256: str
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """The account of all streams together: it shows that a restored database is the one backed up."""

    streams: int = 0
    stored: int = 0
    quarantined: int = 0
    discarded: int = 0
    shed: int = 0
    gap: int = 0
    faults: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """The manifest of a backup."""

    format: int
    made_at: str
    #: sqlite or postgresql
    database: str
    schema: str | None
    #: None: of an older schema, which this release cannot count
    totals: Totals | None
    files: tuple[Listed, ...]

    def document(self) -> dict[str, Any]:
        """The JSON members of the file."""
        return asdict(self) | {"files": [entry._asdict() for entry in self.files]}

    @property
    def archive_files(self) -> set[Listed]:
        """The files of the archive, named as the register of the database names them."""
        start = f"{ARCHIVE}/"
        found = [entry for entry in self.files if entry.file.startswith(start)]
        return {entry._replace(file=entry.file.removeprefix(start)) for entry in found}


def totals_of(accounts: Iterator[account.StreamBalance]) -> Totals:
    """The sum of several accounts."""
    sums = dict.fromkeys(Totals.__slots__, 0)
    for one in accounts:
        sums["streams"] += 1
        sums["faults"] += len(one.faults)
        for name in ("stored", "quarantined", "discarded", "shed", "gap"):
            sums[name] += getattr(one, name)
        sums["shed"] += one.moved  # as in the manifests of earlier releases, which are compared
    return Totals(**sums)


def listed(entries: Sequence[archive.Archive]) -> set[Listed]:
    """The archive files in the register of a database."""
    return {Listed(entry.file, entry.sha256, entry.size_bytes) for entry in entries}


# ---------------------------------------------------------------- read


def read_manifest(source: Path) -> Manifest:
    """The manifest of a backup. Raises CalledWrongly where there is none, or it is none of ours."""
    try:
        return parse(inside.read_text(source / MANIFEST))
    except (OSError, ValueError, RecursionError) as error:
        raise CalledWrongly("no_manifest", source=source, manifest=MANIFEST, why=why(error)) from error


def parse(text: str) -> Manifest:
    """A manifest from its text. Raises ValueError with what is wrong."""
    document = json.loads(text, object_pairs_hook=_each_once)
    _check_keys(document, [f.name for f in fields(Manifest)], "the manifest")
    if _whole(document["format"], "format") != BACKUP_FORMAT:
        raise ValueError(f"format {document['format']}, this program reads {BACKUP_FORMAT}")
    kind = document["database"]
    if not isinstance(kind, str) or kind not in DATABASE_FILE:
        raise ValueError(f"database {kind!r} is not sqlite or postgresql")
    if not isinstance(document["schema"], str | None):
        raise ValueError("schema is neither a text nor null")
    parse_instant(_text(document["made_at"], "made_at"))
    files = _files_of(document["files"], kind)
    return Manifest(**{**document, "totals": _totals_of(document["totals"]), "files": files})


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    document = dict(pairs)
    if len(document) != len(pairs):
        raise ValueError("a key comes twice")
    return document


def _check_keys(found: object, names: Sequence[str], what: str) -> None:
    if not isinstance(found, Mapping) or set(found) != set(names):
        raise ValueError(f"{what} does not have exactly the keys {', '.join(names)}")


def _text(value: object, name: str) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{name} is not a text")
    return value


def _whole(value: object, name: str) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise ValueError(f"{name} is not a whole number from 0")
    return value


def _totals_of(found: object) -> Totals | None:
    if found is None:
        return None
    names = [f.name for f in fields(Totals)]
    _check_keys(found, names, "totals")
    assert isinstance(found, Mapping)
    return Totals(**{name: _whole(found[name], name) for name in names})


def _files_of(found: object, kind: str) -> tuple[Listed, ...]:
    if not isinstance(found, list):
        raise ValueError("files is not a list")
    files = [_listed_of(entry, kind) for entry in found]
    names = [entry.file for entry in files]
    if len(set(names)) != len(names):
        raise ValueError("a file is listed twice")
    if DATABASE_FILE[kind] not in names:
        raise ValueError(f"{DATABASE_FILE[kind]} is not listed")
    return tuple(files)


def _listed_of(found: object, kind: str) -> Listed:
    _check_keys(found, Listed._fields, "a file")
    assert isinstance(found, Mapping)
    entry = Listed(
        _text(found["file"], "file"),
        _text(found["sha256"], "sha256"),
        _whole(found["size_bytes"], "size_bytes"),
    )
    of_archive = entry.file.startswith(f"{ARCHIVE}/") and inside.ARCHIVE_FILE.fullmatch(
        entry.file.removeprefix(f"{ARCHIVE}/")
    )
    if not of_archive and entry.file != DATABASE_FILE[kind]:
        raise ValueError(f"file {entry.file!r} is none that a backup has")
    if not _SHA256.fullmatch(entry.sha256):
        raise ValueError(f"sha256 of {entry.file} is not 64 hexadecimal digits")
    return entry


# ---------------------------------------------------------------- check


def check_folder(source: Path, manifest: Manifest) -> None:
    """Raise CalledWrongly unless the folder has exactly the files of the manifest, unchanged."""
    try:
        files = set(inside.plain_files(source))
        wanted = {MANIFEST, *(entry.file for entry in manifest.files)}
        if extra := sorted(files - wanted):
            raise ValueError(f"{extra[0]} is there and not listed")
        if missing := sorted(wanted - files):
            raise ValueError(f"{missing[0]} is missing or not as it was backed up")
        for entry in manifest.files:
            if inside.content_of(inside.path_in(source, entry.file)) != (entry.sha256, entry.size_bytes):
                raise ValueError(f"{entry.file} is missing or not as it was backed up")
    except (OSError, ValueError) as error:
        raise CalledWrongly("not_as_in_manifest", source=source, why=why(error)) from error
