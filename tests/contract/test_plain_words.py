"""Plain words: habits that docstrings, comments and sentences have lost stay out of them."""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.house import PROGRAMS, ROOT, tree

#: habit -> what to write instead; only such as are nearly always wrong
HABITS = {
    r"nobody(?! near)": "name what is missing: no process, no person, no gateway",
    r"anew": "again",
    r"for want of": "without, because there is no",
    r"held against": "compared with",
    r"(is|are|was|were) told": "name who says it to whom, or what shows it",
    r"(is|are|was|were) held": "stored or quarantined, whichever it is",
    r"carried on with": "followed, used",
    r"taken for": "counts as, reads as, looks like",
    r"(go|goes|gone|went) along": "moves too",
    r"gone on with": "resumed, continued",
    r"(come|comes|came) to lie": "is, are",
    r"lets? go of": "close, free, delete",
    r"the release before(?! \d)": "the previous release",
}
HABIT = re.compile(rf"\b({'|'.join(HABITS)})\b", re.IGNORECASE)
#: they hold the habits as patterns
ABOUT_HABITS = {
    "tests/contract/test_plain_words.py",
    "tests/unit/ingest/restriction/verdict/test_plain_forms.py",
}
FILES = [
    path
    for folder in (*PROGRAMS, "tests")
    for path in sorted((ROOT / folder).rglob("*.py"))
    if path.relative_to(ROOT).as_posix() not in ABOUT_HABITS
]


def prose(path: Path) -> Iterator[tuple[int, str]]:
    """Line and text of every docstring, comment and sentence of a file; words alone are codes and names."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value:
            yield node.lineno, " ".join(node.value.split())
    for token in tokenize.generate_tokens(io.StringIO(path.read_text()).readline):
        if token.type == tokenize.COMMENT:
            yield token.start[0], token.string


def habits_in(path: Path) -> list[str]:
    return [f"line {line}: {match[0]}" for line, text in prose(path) for match in HABIT.finditer(text)]


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_what_people_read_is_in_plain_words(path: Path) -> None:
    """HABITS says what to write instead."""
    assert habits_in(path) == []


def test_a_habit_would_be_found(tmp_path: Path) -> None:
    file = tmp_path / "a.py"
    file.write_text('"""Told by nobody."""\nA = "is held\\n  here"  # made anew, 3 times\n')
    assert habits_in(file) == ["line 1: nobody", "line 2: is held", "line 2: anew"]
