"""What the demo refuses before anything is begun."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import cast

import pytest
from rich.console import Console

from cleanside.simulator.cli import main
from cleanside.simulator.demo import show_the_way_in, tenths_passed
from cleanside.simulator.shop import Shop


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


class ShopOfOnePage:
    """Stands in for a shop: it notes what a file has while the documents are being built."""

    url, key_file, log_file = "http://127.0.0.1:8750", Path("admin.key"), Path("server.log")

    def __init__(self, output: Path) -> None:
        self._output = output
        self.seen_meanwhile = ""

    def invite(self, person: str) -> str:
        return f"{self.url}/join?code={person}"

    def show_documents(self) -> bool:
        self.seen_meanwhile = self._output.read_text()
        return True


def test_with_its_output_in_a_file_the_demo_says_all_before_it_waits(tmp_path: Path) -> None:
    """The file ended at "a clone builds them once:", with nothing behind the colon."""
    output = tmp_path / "demo.txt"
    shop = ShopOfOnePage(output)
    with output.open("w") as file:
        show_the_way_in(cast(Shop, shop), Console(file=file, width=100))
        written = output.read_text()  # the file is still open, as while the server is up
    assert f"{shop.url}/docs" in shop.seen_meanwhile
    assert "The documents are built." in written
