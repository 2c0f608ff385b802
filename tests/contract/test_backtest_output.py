"""The shape of what `backtest` prints and writes: others read it, so it changes only on purpose."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
import pytest

from cleanside.ingest.evaluation import backtest

SCORES = {
    "rmse",
    "mae",
    "bias",
    "pinball",
    "coverage",
    "width",
    "interval_score",
    "relative_accuracy",
    "prognostic_horizon",
}
BASELINES = {"straight line", "Theil-Sen line", "exponential fit", "mean life minus age", "level look-up"}
OPTIONS = {
    "--train",
    "--test",
    "--terminal",
    "--unit",
    "--group",
    "--skip-rows",
    "--every",
    "--last-row",
    "--json",
}


@pytest.fixture
def lives(tmp_path: Path) -> Path:
    for part, ends in (("train", (90, 100, 110, 95, 105)), ("test", (98, 103))):
        (tmp_path / part).mkdir()
        for end in ends:
            hours = np.linspace(1, end, 60)
            level = 600 * np.exp(3 * (hours / end - 1))
            rows = [f"{h},{r},gravel" for h, r in zip(hours, level, strict=True)]
            (tmp_path / part / f"life_{end}.csv").write_text("\n".join(["hours,restriction,site", *rows]))
    return tmp_path


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser()
    backtest.add_arguments(made)
    return made


def run(lives: Path, *more: str) -> int:
    places = [
        "--train",
        str(lives / "train"),
        "--test",
        str(lives / "test"),
        "--terminal",
        "600",
        "--unit",
        "Pa",
    ]
    return backtest.run(parser().parse_args([*places, *more]))


def test_the_options_are_those_of_the_documentation() -> None:
    found = {text for action in parser()._actions for text in action.option_strings}
    assert found - {"-h", "--help"} == OPTIONS


def test_the_json_has_every_score_per_life_and_over_all_and_the_baselines_beside(lives: Path) -> None:
    file = lives / "report.json"
    assert run(lives, "--json", str(file), "--group", "site") == 0
    report = json.loads(file.read_text())
    assert set(report) == {
        "overall",
        "lives",
        "baselines",
        "train",
        "settings",
        "terminal",
        "flow_exponent",
        "flow_not_used",
        "beyond_terminal",
        "learned",
        "warnings",
    }
    assert set(report["overall"]) == SCORES | {"coverage_range"}
    assert [set(life) for life in report["lives"]] == [SCORES | {"life", "group", "rows"}] * 2
    assert set(report["baselines"]) == BASELINES
    for scores in report["baselines"].values():
        assert set(scores) == {"rmse", "mae", "coverage", "width", "interval_score"}
    assert report["terminal"] == {"value": 600.0, "unit": "Pa"}


def test_the_table_names_every_method_and_life(lives: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(lives, "--group", "site") == 0
    text = capsys.readouterr().out
    for word in [*BASELINES, "forecast", "life_98 (gravel)", "life_103 (gravel)", "80 % interval holds"]:
        assert word in text
    assert max(len(line) for line in text.splitlines()) <= 160
