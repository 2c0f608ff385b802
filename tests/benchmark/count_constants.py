"""
How many numbers of the analysis have a name, and how many of these say where they come from.

A number is a name in capitals with a number, or with several, as its value; fields of the tables in
`measure/tuning.py` have an origin each. Elsewhere the comment beside or above the name counts where it names
a source, data or the word chosen, and so does a row in CONSTANTS.md.

    python -m tests.benchmark.count_constants [--missing]
"""

from __future__ import annotations

import argparse
import ast
import re
import sys
from collections.abc import Iterator, Sequence
from dataclasses import fields
from pathlib import Path
from typing import NamedTuple

from cleanside.ingest.restriction.measure.tuning import FLOW, HELD, MET, TUNING

ROOM = Path(__file__).parents[2] / "ingest" / "restriction"
ORIGIN = re.compile(
    r"chosen|common practice|ISO |SAE |made fleet|made lives|made sites|simulated|bench|series|measured|tuned"
    r"|from memory|manual|\((?:19|20)\d\d"
)


class Named(NamedTuple):
    """A number with a name."""

    place: str  # file and name
    room: str
    has_origin: bool


def named_numbers() -> Iterator[Named]:
    """All of the analysis."""
    rows = (ROOM / "CONSTANTS.md").read_text()
    for path in sorted(ROOM.rglob("*.py")):
        lines = path.read_text().splitlines()
        for statement in ast.parse("\n".join(lines)).body:
            comment = _comment_on(statement, lines)
            for name in _names(statement):
                is_listed = f"`{name}`" in rows
                room = path.relative_to(ROOM).parts[0]
                yield Named(f"{path.name} {name}", room, is_listed or bool(ORIGIN.search(comment)))
    for table in (TUNING, FLOW, MET, HELD):
        for field in fields(table):
            yield Named(f"tuning.py {field.name}", "tuning", bool(field.metadata["origin"]))


def _names(statement: ast.stmt) -> list[str]:
    """In capitals, where a number is assigned to them."""
    if not isinstance(statement, ast.Assign | ast.AnnAssign) or statement.value is None:
        return []
    if not _is_number(statement.value):
        return []
    targets = statement.targets if isinstance(statement, ast.Assign) else [statement.target]
    names = [node.id for target in targets for node in ast.walk(target) if isinstance(node, ast.Name)]
    return [name for name in names if name.isupper()]


def _is_number(value: ast.expr) -> bool:
    """Or several; no text, no table."""
    parts = list(ast.walk(value))
    plain = [part.value for part in parts if isinstance(part, ast.Constant)]
    if any(isinstance(part, ast.Dict | ast.Lambda) for part in parts):
        return False
    return bool(plain) and all(type(one) in (int, float) for one in plain)


def _comment_on(statement: ast.stmt, lines: Sequence[str]) -> str:
    """Beside a statement, and right above it."""
    first, end = statement.lineno - 1, statement.end_lineno or statement.lineno
    while first > 0 and lines[first - 1].lstrip().startswith("#"):
        first -= 1
    return " ".join(line.partition("#")[2] for line in lines[first:end])


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="count the named numbers of the analysis")
    parser.add_argument("--missing", action="store_true", help="name those without an origin")
    given = parser.parse_args(words)
    found = list(named_numbers())
    for room in sorted({one.room for one in found}):
        mine = [one.has_origin for one in found if one.room == room]
        print(f"{room:12}{len(mine):5}{sum(mine):5}")
    print(f"{'all':12}{len(found):5}{sum(one.has_origin for one in found):5}")
    if given.missing:
        print("\n".join(one.place for one in found if not one.has_origin))
    return 0


if __name__ == "__main__":
    sys.exit(main())
