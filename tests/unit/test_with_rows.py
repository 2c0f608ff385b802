"""The tests that run with rows too are there."""

from __future__ import annotations

import ast
from pathlib import Path

from tests.with_rows import WITH_ROWS


def test_every_test_that_is_named_exists() -> None:
    folder = Path(__file__).parents[1]
    wanted = {name.partition("::")[0] for name in WITH_ROWS}
    there = {
        f"{path.name}::{node.name}"
        for path in folder.rglob("test_*.py")
        if path.name in wanted
        for node in ast.parse(path.read_text()).body
        if isinstance(node, ast.FunctionDef)
    }
    assert there >= WITH_ROWS
