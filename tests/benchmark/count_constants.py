"""
How many numbers of the analysis have a name, how many of these say where they come from, and which have none.

A number is a name in capitals with a number, or with several, as its value; fields of the tables in
`measure/tuning.py` have an origin each. Elsewhere the comment beside or above the name counts where it has
one of the words of `ORIGIN`, and so does a row in CONSTANTS.md:

- a source, as "(Huber 1964)" or "ISO 2533"; "from memory" where it was not looked up
- "measured", "made fleet", "simulated", "open series" or a bench: what it was measured or chosen on
- "common practice": known in the trade, without a published source
- "chosen": set by us, with the reason; "(chosen)" alone where what it is says why
- "arithmetic", "index", "a version": what follows from definitions, or means nothing by its size

A bare number stands in a rule and has no name. `is_plain` says which need none.

    python -m tests.benchmark.count_constants [--missing]
"""

from __future__ import annotations

import argparse
import ast
import itertools
import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import NamedTuple

from cleanside.ingest.restriction.measure.tuning import FLOW, HELD, MET, TUNING

INGEST = Path(__file__).parents[2] / "ingest"
RULES, AROUND = "restriction", "analysis"
ROWS = (INGEST / RULES / "CONSTANTS.md").read_text()
ORIGIN = re.compile(
    r"\b[Cc]hosen|common practice|ISO |SAE |made fleet|made lives|made sites|simulated|bench|series|measured"
    r"|tuned|from memory|manual|\((?:19|20)\d\d|\b(?:19|20)\d\d\)|arithmetic|\bindex\b|\ba version\b"
)
#: ends, signs, halves, squares and pairs
TRIVIAL = {0, 1, 2, 0.5}
#: by which units are made of each other: a minute, an hour, percent, kilo, micro
UNITS = {60, 100, 1_000, 3_600, 1_000_000}
#: what is as small or smaller keeps from dividing by nothing, or from the logarithm of nothing
GUARD = 1e-6
#: whose arguments are a shape
SHAPED = {"reshape", "empty", "zeros"}


class Named(NamedTuple):
    """A number with a name."""

    place: str  # file and name
    room: str
    has_origin: bool


class Bare(NamedTuple):
    """A number in a rule that has no name."""

    path: Path
    line: int
    value: float


def named_numbers() -> Iterator[Named]:
    """All of the analysis."""
    for path in _files():
        lines = path.read_text().splitlines()
        for statement in ast.parse("\n".join(lines)).body:
            comment = _comment_on(statement, lines)
            for name in _names(statement):
                is_listed = f"`{path.parent.name}/{path.name}` `{name}`" in ROWS
                has_origin = is_listed or bool(ORIGIN.search(comment))
                yield Named(f"{path.parent.name}/{path.name} {name}", path.parent.name, has_origin)
    for table in (TUNING, FLOW, MET, HELD):
        for field in fields(table):
            yield Named(f"measure/tuning.py {field.name}", "tuning", bool(field.metadata["origin"]))


def bare_numbers() -> Iterator[Bare]:
    """All of the analysis."""
    for path in _files():
        yield from bare_in(path, path.read_text())


def bare_in(path: Path, text: str) -> Iterator[Bare]:
    """Of one file."""
    tree = ast.parse(text)
    named = {id(part) for statement in tree.body if _names(statement) for part in ast.walk(statement)}
    above = {id(child): node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    for node in ast.walk(tree):
        if not isinstance(node, ast.Constant) or id(node) in named:
            continue
        value = node.value
        if isinstance(value, bool) or not isinstance(value, int | float):
            continue
        if not is_plain(value, _around(node, above)):
            yield Bare(path, node.lineno, value)


def _around(node: ast.Constant, above: Mapping[int, ast.AST]) -> list[ast.AST]:
    """A number and the expressions around it, from the inside."""
    chain: list[ast.AST] = [node]
    while isinstance(parent := above.get(id(chain[-1])), ast.expr | ast.keyword):
        chain.append(parent)
    return chain


def is_plain(value: float, chain: Sequence[ast.AST]) -> bool:
    """
    Whether a number means nothing that has to be explained, by rule.

    chain : the number itself and the expressions around it, from the inside.
    """
    if value in TRIVIAL or abs(value) <= GUARD:
        return True
    around = chain[1] if len(chain) > 1 else None
    if isinstance(around, ast.BinOp):
        if value in UNITS and isinstance(around.op, ast.Mult | ast.Div | ast.FloorDiv):
            return True  # a unit made of another
        if isinstance(around.op, ast.LShift | ast.RShift | ast.BitAnd):
            return True  # places among the bits of a number
    return _is_place(chain) or any(_is_field(one) for one in chain)


def _is_field(around: ast.AST) -> bool:
    """`constant(...)` of the tables, which has unit and origin."""
    return isinstance(around, ast.Call) and isinstance(around.func, ast.Name) and around.func.id == "constant"


def _is_place(chain: Sequence[ast.AST]) -> bool:
    """Which column, row or axis: an index, but no bound of a slice; an axis, or part of a shape."""
    for inner, outer in itertools.pairwise(chain):
        if isinstance(outer, ast.Subscript):
            return inner is outer.slice
        if isinstance(outer, ast.keyword) and outer.arg == "axis":
            return True
        if isinstance(outer, ast.Call):
            return isinstance(outer.func, ast.Attribute) and outer.func.attr in SHAPED
        if not isinstance(outer, ast.Tuple | ast.List | ast.UnaryOp):
            return False
    return False


def _files() -> list[Path]:
    return [*sorted((INGEST / RULES).rglob("*.py")), *sorted((INGEST / AROUND).rglob("*.py"))]


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
    """Or several, also by a key; no text."""
    if isinstance(value, ast.Dict):
        return bool(value.values) and all(_is_number(one) for one in value.values)
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
    parser.add_argument("--missing", action="store_true", help="name those without an origin, and bare ones")
    given = parser.parse_args(words)
    found, bare = list(named_numbers()), list(bare_numbers())
    for room in sorted({one.room for one in found}):
        mine = [one.has_origin for one in found if one.room == room]
        print(f"{room:12}{len(mine):5}{sum(mine):5}")
    print(f"{'all':12}{len(found):5}{sum(one.has_origin for one in found):5}")
    print(f"{'bare':12}{len(bare):5}")
    if given.missing:
        print("\n".join(one.place for one in found if not one.has_origin))
        print("\n".join(f"{one.path.parent.name}/{one.path.name}:{one.line} {one.value}" for one in bare))
    return 0


if __name__ == "__main__":
    sys.exit(main())
