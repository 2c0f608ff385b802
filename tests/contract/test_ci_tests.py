"""A test that fails in CI is tried once more, alone, and named; what fails twice, or many, ends it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.ci_scripts import FOLDER, load

TRIED = FOLDER / "tests"
FAILS_ONCE = """
from pathlib import Path
def test_passes(): pass
def test_fails_at_first():
    seen = Path("seen")
    was_seen = seen.exists()
    seen.touch()
    assert was_seen
"""
FAILS_ALWAYS = "def test_fails(): assert False\n"


def run(folder: Path, tests: str) -> tuple[int, str]:
    folder.joinpath("test_some.py").write_text(tests)
    done = subprocess.run(
        [sys.executable, TRIED, "-q"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode, done.stdout


def test_a_test_that_passes_alone_is_named_and_counted(tmp_path: Path) -> None:
    code, said = run(tmp_path, FAILS_ONCE)
    assert code == 0, said
    assert said.splitlines()[-2:] == [
        "passed on the second try, alone: test_some.py::test_fails_at_first",
        "2 passed, 1 of them on the second try",
    ]


def test_a_test_that_fails_twice_fails(tmp_path: Path) -> None:
    assert run(tmp_path, FAILS_ALWAYS)[0] == 1


def test_what_cannot_be_collected_fails(tmp_path: Path) -> None:
    assert run(tmp_path, "import no_such_module")[0] == 2


@pytest.mark.parametrize(
    ("failed", "last_line", "is_worth"),
    [
        (["a"], "1 failed, 5 passed in 1.0s", True),
        (["a", "b"], "2 failed, 5 passed in 1.0s", True),
        (["a", "b", "c"], "3 failed, 5 passed in 1.0s", False),
        (["a"], "5 passed, 1 error in 1.0s", False),
        ([], "5 passed in 1.0s", False),
    ],
)
def test_few_failures_alone_are_worth_another_try(failed: list[str], last_line: str, is_worth: bool) -> None:
    assert load("tests").is_worth_another_try(failed, last_line) is is_worth
