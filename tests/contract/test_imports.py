"""Arrows point one way: who may import whom, read from the source."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.support.house import NAME, PROGRAMS, ROOT, imported, modules

#: of the gateway's floor, what is the same in both programs and stands on the standard library alone
SHARED_FLOOR = (
    "gateway.file_modes",
    "gateway.install_command",
    "gateway.output",
    "gateway.setting_table",
    "gateway.setting_texts",
    "gateway.this_machine",
    "gateway.unit_places",
)
CONTRACT = ("gateway.wire", "gateway.units", "gateway.bundle")
# folder or file -> what of ours it may import (itself is always allowed where listed). First match wins.
ALLOWED = [
    ("gateway/wire", ("gateway.wire", "gateway.units")),
    ("gateway/units.py", ()),
    # The third part of the contract: a bundle is written on the machine and read on the server.
    ("gateway/bundle.py", ("gateway.wire",)),
    # The floor that the server shares: none of it knows a reading, a spool or a link.
    ("gateway/errors.py", ("gateway.error_texts", "gateway.wire")),
    ("gateway/error_texts.py", ("gateway.setting_texts", "gateway.wire")),
    ("gateway/setting_texts.py", ("gateway.wire",)),
    ("gateway/file_modes.py", ()),
    ("gateway/install_command.py", ()),
    ("gateway/this_machine.py", ()),
    ("gateway/output.py", ()),
    ("gateway/unit_places.py", ()),
    ("gateway/setting_table.py", ("gateway.errors", "gateway.setting_texts", "gateway.wire")),
    # What can be judged at the machine, judged by the same code on both sides: pure, standard library alone.
    ("gateway/spot_checks.py", ()),
    ("gateway/cleanside.py", ("gateway.client", "gateway.version", "gateway.wire")),
    ("gateway", ("gateway",)),
    ("ingest/restriction", ("ingest.restriction", "gateway.spot_checks")),
    # Pure: a problem in, a plan out.
    ("ingest/planning", ("ingest.planning", "ingest.errors")),
    ("ingest", ("ingest", *CONTRACT, "gateway.spot_checks", *SHARED_FLOOR)),
    ("migrations/versions", ()),
    ("migrations", ("ingest.store.models",)),  # env.py compares the models with what the versions built
    ("simulator", ("simulator", "gateway")),
]
# What the pure and the small parts may bring in beside the standard library.
THIRD_PARTY = {
    "gateway": {"apsw", "httpx", "orjson", "zstandard", "can", "jeepney", "paho", "pymodbus", "segno"},
    "ingest/restriction": {"numpy", "scipy"},
    "ingest/planning": {"numpy", "scipy"},
    "migrations/versions": {"alembic", "sqlalchemy"},
}
FILES = list(modules().values())


def is_within(name: str, allowed: tuple[str, ...]) -> bool:
    return any(name == a or name.startswith(f"{a}.") for a in allowed)


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_module_imports_only_what_lies_below_it(path: Path) -> None:
    relative = path.relative_to(ROOT).as_posix()
    allowed = next(
        may
        for place, may in ALLOWED
        if relative in (place, f"{place}.py") or relative.startswith(f"{place}/")
    )
    ours = {name.removeprefix(f"{NAME}.") for name in imported(path) if name.split(".")[0] == NAME}
    assert {name for name in ours if not is_within(name, allowed)} == set()


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_module_is_imported_by_the_one_name_outside(path: Path) -> None:
    """`import gateway` works in the checkout and nowhere else, so no file of ours may say it."""
    assert {name for name in imported(path) if name.split(".")[0] in (*PROGRAMS, "tests")} == set()


@pytest.mark.parametrize("place", THIRD_PARTY)
def test_a_small_part_brings_in_only_the_packages_it_declares(place: str) -> None:
    known = set(sys.stdlib_module_names) | {NAME} | THIRD_PARTY[place]
    strange = {
        (path.relative_to(ROOT).as_posix(), name.split(".")[0])
        for path in FILES
        if path.relative_to(ROOT).as_posix().startswith(f"{place}/")
        for name in imported(path)
        if name.split(".")[0] not in known
    }
    assert strange == set()
