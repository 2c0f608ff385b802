"""A count agrees with its noun wherever a person reads one."""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Iterator
from itertools import pairwise

import pytest

from cleanside.gateway.units import counted
from cleanside.ingest.restriction.measure.words import counted as counted_in_restriction
from tests.support.house import ROOT, tree

FILES = [
    path for folder in ("gateway", "ingest", "simulator") for path in sorted((ROOT / folder).rglob("*.py"))
]


@pytest.mark.parametrize("count", [counted, counted_in_restriction])
def test_a_count_agrees_with_its_noun(count: Callable[..., str]) -> None:
    said = [count(number, "reading") for number in (0, 1, 2, 1200)]
    assert said == ["0 readings", "1 reading", "2 readings", "1,200 readings"]
    assert [count(number, "life", "lives") for number in (1, 2)] == ["1 life", "2 lives"]


def plurals() -> Iterator[str]:
    """What is counted anywhere, as two and more of it are called."""
    for path in FILES:
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "counted":
                words = [str(arg.value) for arg in node.args[1:] if isinstance(arg, ast.Constant)]
                yield from words[1:] or [f"{word}s" for word in words]


def bare_counts(module: ast.Module, nouns: re.Pattern[str]) -> Iterator[int]:
    """Lines of the texts in which a value stands before a plural; limits are above one."""
    for node in ast.walk(module):
        if isinstance(node, ast.JoinedStr):
            for value, text in pairwise(node.values):
                before = ast.unparse(value.value) if isinstance(value, ast.FormattedValue) else ""
                said = str(text.value) if isinstance(text, ast.Constant) else ""
                if before and not before.split(".")[-1].isupper() and nouns.match(said):
                    yield node.lineno


def test_no_text_puts_a_bare_number_before_a_plural() -> None:
    nouns = re.compile(rf" ({'|'.join(sorted(set(plurals())))})\b(?!/)")
    found = [f"{path.relative_to(ROOT)}:{line}" for path in FILES for line in bare_counts(tree(path), nouns)]
    assert found == []
