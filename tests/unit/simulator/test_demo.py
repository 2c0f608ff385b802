"""What the demo refuses before anything is begun."""

from __future__ import annotations

from pathlib import Path

import pytest

from cleanside.simulator.cli import main


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
