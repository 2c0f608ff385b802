"""What the demo refuses before anything is begun."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from cleanside.simulator.cli import main
from cleanside.simulator.demo import tenths_passed


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--folder", "{tmp}"], "is not empty; give one that is, or is not there yet"),
        (["--folder", "{tmp}/file"], "file cannot be made (File exists); give another"),
        (["--json", "{tmp}/no/found.json"], "found.json is in no folder; give one that is there"),
    ],
)
def test_a_place_that_cannot_be_used_is_named_in_words(
    tmp_path: Path, words: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("of something else")
    assert main(["demo", *(word.format(tmp=tmp_path) for word in words)]) == 2
    said = capsys.readouterr().err
    assert message in said
    assert said.count("\n") == 1


def test_each_tenth_of_the_work_is_said_once() -> None:
    """Found in use: without a terminal the demo was silent for minutes."""
    counts = [0, 0, 7, 7, 31, 100, 119, 120]
    said = [percent for pair in itertools.pairwise(counts) for percent in tenths_passed(*pair, 120)]
    assert said == list(range(10, 101, 10))
    assert tenths_passed(0, 0, 120) == []
