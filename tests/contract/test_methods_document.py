"""METHODS, CONSTANTS, TRIALS fit the code: figures set by hand are the constants, files and tests exist."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest

from tests.benchmark.bench_ablation import table_lines

FOLDER = Path(__file__).parents[2] / "ingest" / "restriction"
CONSTANTS = (FOLDER / "CONSTANTS.md").read_text()
DOCUMENTS = "".join((FOLDER / f"{name}.md").read_text() for name in ("METHODS", "CONSTANTS", "TRIALS"))
ROWS = re.findall(r"^\| `(\w+)/(\w+)\.py` `(\w+)` \| ([\d.]+) \|", CONSTANTS, flags=re.MULTILINE)
TESTS = Path(__file__).parents[1]


def test_the_table_of_what_is_set_by_hand_was_found() -> None:
    assert len(ROWS) >= 15


def test_every_constant_of_the_model_stands_in_it_with_value_unit_and_origin() -> None:
    begins = tuple(line.split("|")[1] for line in table_lines())
    table = [line for line in CONSTANTS.splitlines() if line.startswith("|") and line.split("|")[1] in begins]
    assert table == table_lines()


@pytest.mark.parametrize(("room", "file", "name", "value"), ROWS, ids=[row[2] for row in ROWS])
def test_a_figure_set_by_hand_is_that_of_the_code(room: str, file: str, name: str, value: str) -> None:
    module = importlib.import_module(f"cleanside.ingest.restriction.{room}.{file}")
    assert getattr(module, name) == float(value)


@pytest.mark.parametrize("path", sorted(set(re.findall(r"`(\w+/\w+\.py)`", DOCUMENTS))))
def test_a_file_it_names_exists(path: str) -> None:
    assert (FOLDER / path).exists() or (FOLDER.parents[1] / path).exists()


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`(test_\w+)`", DOCUMENTS))))
def test_a_test_it_names_exists(name: str) -> None:
    assert any(f"def {name}(" in path.read_text() for path in TESTS.rglob("test_*.py"))
