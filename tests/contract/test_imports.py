"""Arrows point one way: who may import whom, read from the source."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
OURS = ("gateway", "ingest", "simulator", "migrations", "tests")

# folder or file -> what of ours it may import (itself is always allowed where listed). First match wins.
ALLOWED = [
    ("gateway/wire.py", ("cleanside.gateway.units",)),
    ("gateway/units.py", ()),
    # The third file of the contract: a bundle is written on the machine and read on the server.
    ("gateway/bundle.py", ("cleanside.gateway.wire",)),
    ("gateway", ("gateway",)),
    ("ingest/restriction", ("cleanside.ingest.restriction",)),
    ("ingest", ("ingest", "cleanside.gateway.wire", "cleanside.gateway.units", "cleanside.gateway.bundle")),
    ("migrations/versions", ()),
    (
        "migrations",
        ("cleanside.ingest.store.models",),
    ),  # env.py compares the models with what the versions built
    ("simulator", ("simulator", "gateway")),
]
# What the pure and the small parts may bring in beside the standard library.
THIRD_PARTY = {
    "gateway": {"apsw", "httpx", "orjson", "zstandard", "can", "paho", "pymodbus"},
    "ingest/restriction": {"numpy", "scipy"},
    "migrations/versions": {"alembic", "sqlalchemy"},
}


def python_files(folder: str) -> list[Path]:
    return sorted((ROOT / folder).rglob("*.py"))


def imported(path: Path) -> Iterator[str]:
    package = path.relative_to(ROOT).with_suffix("").parts[:-1]
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) - node.level + 1]) if node.level else ""
            module = ".".join(part for part in (base, node.module) if part)
            yield from (f"{module}.{alias.name}" for alias in node.names)


def is_within(name: str, allowed: tuple[str, ...]) -> bool:
    return any(name == a or name.startswith(f"{a}.") for a in allowed)


FILES = [path for folder in OURS[:4] for path in python_files(folder)]


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_module_imports_only_what_lies_below_it(path: Path) -> None:
    relative = path.relative_to(ROOT).as_posix()
    allowed = next(may for place, may in ALLOWED if relative == place or relative.startswith(f"{place}/"))
    ours = {name for name in imported(path) if name.split(".")[0] in OURS}
    assert {name for name in ours if not is_within(name, allowed)} == set()


@pytest.mark.parametrize("place", THIRD_PARTY)
def test_a_small_part_brings_in_only_the_packages_it_declares(place: str) -> None:
    import sys

    known = set(sys.stdlib_module_names) | set(OURS) | THIRD_PARTY[place]
    strange = {
        (path.relative_to(ROOT).as_posix(), name.split(".")[0])
        for path in python_files(place)
        for name in imported(path)
        if name.split(".")[0] not in known
    }
    assert strange == set()


def test_the_table_covers_every_package() -> None:
    assert {path.relative_to(ROOT).parts[0] for path in FILES} == set(OURS[:4])
