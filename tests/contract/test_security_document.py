"""The security document: all ten rows, and every test it names exists."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cleanside.ingest.docs.roles_reference import ALLOWS, rows
from cleanside.ingest.owners.access import PERMISSIONS

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "ingest" / "SECURITY.md").read_text()
NAMED = sorted(set(re.findall(r"`(test_\w+)`", TEXT)))
TESTS = {
    name
    for path in (ROOT / "tests").rglob("test_*.py")
    for name in re.findall(r"def (test_\w+)", path.read_text())
}
#: OWASP API Security Top 10 2023, the titles of its ten pages
ROWS = (
    "Broken object level authorization",
    "Broken authentication",
    "Broken object property level authorization",
    "Unrestricted resource consumption",
    "Broken function level authorization",
    "Unrestricted access to sensitive business flows",
    "Server side request forgery",
    "Security misconfiguration",
    "Improper inventory management",
    "Unsafe consumption of APIs",
)


@pytest.mark.parametrize("name", NAMED)
def test_every_test_it_names_exists(name: str) -> None:
    assert name in TESTS


@pytest.mark.parametrize(("number", "title"), list(enumerate(ROWS, start=1)))
def test_every_row_is_there_with_a_test(number: int, title: str) -> None:
    row = next(line for line in TEXT.splitlines() if line.startswith(f"| API{number} {title} |"))
    assert re.search(r"`test_\w+`", row)


def test_it_has_the_table_of_roles_as_the_code_has_it() -> None:
    """Readable in a clone: the page of the documents is there only after they are built."""
    section = TEXT.split("## Roles and permissions")[1].split("\n## ")[0]
    listed = [line.strip("| ").split(" | ") for line in section.splitlines() if line.startswith("| ")]
    assert listed[2:] == [list(row) for row in rows()]


def test_each_permission_says_what_it_allows() -> None:
    assert ALLOWS.keys() == PERMISSIONS.keys()
    assert len(set(ALLOWS.values())) == len(ALLOWS)


def test_it_says_what_is_not_covered() -> None:
    assert len(re.findall(r"^- ", TEXT.split("## What is not covered")[1], re.MULTILINE)) >= 5
