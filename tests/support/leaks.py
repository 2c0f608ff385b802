"""
A search for secrets: every byte of every place where one could lie.

Promises: a secret is looked for as it is, as JSON and as a URL write it, and in base64 at any offset. What is
compressed has to be given opened.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote

import sqlalchemy as sa

from tests.support.databases import opened


@dataclass
class Search:
    """Secrets by name, places by name."""

    secrets: dict[str, str] = field(default_factory=dict)
    places: dict[str, bytes] = field(default_factory=dict)

    def look_in(self, place: str, content: str | bytes) -> None:
        """Add to a place."""
        raw = content if isinstance(content, bytes) else content.encode()
        self.places[place] = self.places.get(place, b"") + raw + b"\n"

    def look_in_files(self, place: str, files: Iterable[Path]) -> None:
        """Add every file, each as a place of its own."""
        for file in files:
            if file.is_file():
                self.look_in(f"{place} {file.name}", file.read_bytes())

    def look_in_tables(self, place: str, url: str) -> None:
        """Add every value of every table."""
        with opened(url) as engine, engine.connect() as connection:
            tables = sa.MetaData()
            tables.reflect(engine if engine.dialect.name != "sqlite" else connection)
            for table in tables.sorted_tables:
                for row in connection.execute(sa.select(table)):
                    self.look_in(f"{place}", repr(tuple(row)))

    def found(self) -> set[tuple[str, str]]:
        """Which secret lies where: (name of the secret, name of the place)."""
        return {
            (secret, place)
            for secret, value in self.secrets.items()
            for place, content in self.places.items()
            if any(form in content for form in forms_of(value))
        }


def forms_of(secret: str) -> set[bytes]:
    """How a secret may be written."""
    raw = secret.encode()
    plain = {raw, json.dumps(secret)[1:-1].encode(), quote(secret, safe="").encode()}
    # Inside something longer that is base64, 3 bytes at a time: without the signs its neighbours share.
    shifted = {
        base64.b64encode(b"\0" * shift + raw)[-(-shift * 8 // 6) : (shift + len(raw)) * 8 // 6]
        for shift in range(3)
    }
    return plain | {form for form in shifted if len(form) >= 12}
