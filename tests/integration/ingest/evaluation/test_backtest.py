"""The backtest: what it reads, what it scores, and how it says no."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.evaluation import backtest
from cleanside.ingest.evaluation.life_files import read_folder
from tests.benchmark import bench_forecast
from tests.support.bench_data import bench_runs
from tests.support.coded import refused


def write_life(
    path: Path, end: float, *, rows: int = 120, until: float = 1.0, feed: str = "1", left: bool = False
) -> None:
    """A made convex life in kPa to a terminal of 6."""
    rng = np.random.default_rng(int(end * 1000) % 2**32)
    hours = np.linspace(end / rows, end * until, int(rows * until))
    level = 6.0 * (0.1 + 0.9 * np.expm1(3 * hours / end) / np.expm1(3)) + rng.normal(0, 0.02, len(hours))
    if until == 1.0:
        level[-1] = 6.0
    head = "hours,restriction,feed" + (",hours_left" if left else "")
    lines = [f"{h},{r},{feed}" + (f",{end - h}" if left else "") for h, r in zip(hours, level, strict=True)]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([head, *lines]) + "\n")


@pytest.fixture
def folders(tmp_path: Path) -> Path:
    rng = np.random.default_rng(3)
    for i in range(16):
        write_life(tmp_path / "train" / f"life_{i:02}.csv", 300 * np.exp(rng.normal(0, 0.1)))
    for i in range(4):
        write_life(tmp_path / "test" / f"life_{i:02}.csv", 300 * np.exp(rng.normal(0, 0.1)))
    return tmp_path


def arguments(folder: Path, *more: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    backtest.add_arguments(parser)
    places = ["--train", str(folder / "train"), "--test", str(folder / "test")]
    return parser.parse_args([*places, "--terminal", "6", "--unit", "kPa", *more])


def report(folder: Path, *more: str) -> dict:
    file = folder / "report.json"
    assert backtest.run(arguments(folder, "--json", str(file), *more)) == 0
    return json.loads(file.read_text())


def test_the_forecast_beats_the_straight_line_and_the_mean_life(folders: Path) -> None:
    found = report(folders, "--skip-rows", "10")
    ours = found["overall"]["rmse"]
    assert ours < 0.2 * found["baselines"]["straight line"]["rmse"]
    assert ours < found["baselines"]["mean life minus age"]["rmse"]


def test_rmse_over_all_is_the_mean_of_the_lives_and_is_in_the_unit_of_hours(folders: Path) -> None:
    found = report(folders)
    assert found["overall"]["rmse"] == pytest.approx(np.mean([life["rmse"] for life in found["lives"]]))
    assert [life["rows"] for life in found["lives"]] == [120] * 4


def test_rows_skipped_are_not_scored(folders: Path) -> None:
    assert report(folders, "--skip-rows", "100")["lives"][0]["rows"] == 20


def test_the_last_row_alone_is_scored_against_hours_left(folders: Path) -> None:
    for path in (folders / "test").glob("*.csv"):
        path.unlink()
    write_life(folders / "test" / "cut.csv", 310.0, until=0.6, left=True)
    found = report(folders, "--last-row")
    assert found["lives"][0]["rows"] == 1
    assert found["lives"][0]["rmse"] < 60
    assert found["overall"]["prognostic_horizon"] is None


def test_a_train_life_that_ends_below_terminal_is_censored_and_used(folders: Path) -> None:
    write_life(folders / "train" / "short.csv", 320.0, until=0.7)
    assert report(folders)["train"] == {"lives": 17, "complete": 16, "just_below": 0}


def test_a_life_that_goes_on_beyond_terminal_ends_at_its_first_row_there(
    folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The truth is the time to terminal, not to the end of the file."""
    before = report(folders)
    for path in folders.rglob("*.csv"):
        *_, last = path.read_text().splitlines()
        hours = float(last.split(",")[0])
        beyond = [f"{hours * (1 + n / 50)},{6.0 + 0.1 * n},1" for n in range(1, 20)]
        path.write_text(path.read_text() + "\n".join([*beyond, f"{hours * 1.5},1.0,1"]) + "\n")
    after = report(folders)
    assert after["beyond_terminal"] == {"train": 16, "test": 4}
    assert after["overall"] == before["overall"]
    assert "beyond terminal: 16 train lives and 4 test lives; rows after" in capsys.readouterr().out


def test_lives_cut_just_below_terminal_are_named(folders: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for path in (folders / "train").glob("*.csv"):
        path.write_text("\n".join(path.read_text().splitlines()[:-1]) + "\n")
    assert report(folders)["train"] == {"lives": 16, "complete": 0, "just_below": 16}
    assert (
        "16 train lives count as not seen to terminal although they end within 5%" in capsys.readouterr().out
    )


def test_with_nothing_to_learn_from_there_is_still_a_forecast(folders: Path) -> None:
    for path in (folders / "train").glob("*.csv"):
        path.unlink()
    found = report(folders)
    assert found["train"]["lives"] == 0
    assert 0.5 < found["overall"]["coverage"] <= 1.0
    assert np.isfinite(found["overall"]["rmse"])


def test_a_column_of_flow_that_cannot_be_used_is_told_with_the_reason(
    folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    add_flow(folders, 1.6)
    path = folders / "train" / "life_03.csv"
    whole = path.read_text()
    path.write_text(whole.replace("flow", "else"))
    assert report(folders)["flow_exponent"] is None
    assert "not used: 19 files of 20 have it, life_03 does not" in capsys.readouterr().out
    lines = whole.splitlines()
    lines[5] = ",".join([*lines[5].split(",")[:2], "0"])
    path.write_text("\n".join(lines) + "\n")
    assert report(folders)["flow_not_used"].startswith("life_03: row 5 has 0; leave rows without flow out")


def test_a_unit_other_than_pascal_changes_nothing_but_the_unit(folders: Path) -> None:
    read = {"terminal": 6.0, "group": None}
    in_kpa = read_folder(folders / "test", terminal_pa=6000.0, **read)  # type: ignore[arg-type]
    in_psi = read_folder(folders / "test", terminal_pa=6 * 6894.757, **read)  # type: ignore[arg-type]
    shares = [entry.life.restriction_pa / entry.life.terminal_pa for entry in (in_kpa[0], in_psi[0])]
    assert shares[0] == pytest.approx(shares[1])


def test_a_running_meter_is_counted_from_its_first_row(folders: Path) -> None:
    path = folders / "test" / "meter.csv"
    path.write_text("hours,restriction\n5000,1\n5100,6\n")
    [life] = [
        x for x in read_folder(folders / "test", terminal=6, terminal_pa=6e3, group=None) if x.name == "meter"
    ]
    assert life.life.hours.tolist() == [0.0, 100.0]


def add_flow(folder: Path, exponent: float) -> None:
    """Work at changing flow: restriction as it would then have been read, flow beside it."""
    rng = np.random.default_rng(8)
    for path in sorted(folder.rglob("*.csv")):
        lines = ["hours,restriction,flow"]
        for line in path.read_text().splitlines()[1:]:
            hours, level, _ = line.split(",")
            flow = rng.uniform(60, 100)
            lines.append(f"{hours},{float(level) * (flow / 100) ** exponent},{flow}")
        lines[-1] = lines[-1].split(",")[0] + ",6.0,100"
        path.write_text("\n".join(lines) + "\n")


def test_a_column_of_flow_that_explains_restriction_is_used_and_helps(folders: Path) -> None:
    add_flow(folders, 1.6)
    found = report(folders, "--skip-rows", "10")
    assert found["flow_exponent"] == pytest.approx(1.6, abs=0.05)
    for path in folders.rglob("*.csv"):
        path.write_text(path.read_text().replace("flow", "else"))
    assert found["overall"]["rmse"] < report(folders, "--skip-rows", "10")["overall"]["rmse"]


def test_a_column_of_flow_that_explains_nothing_is_left_alone(folders: Path) -> None:
    add_flow(folders, 0.0)
    assert report(folders)["flow_exponent"] is None


@pytest.mark.parametrize(
    ("text", "code", "values"),
    [
        ("hours,restriction\n", "life_without_rows", {}),
        ("time,restriction\n1,2\n", "life_without_column", {"missing": "hours"}),
        (
            "hours,restriction\n1,two\n",
            "value_not_a_number",
            {"row": 1, "column": "restriction", "value": "two"},
        ),
        ("hours,restriction\n1,\n", "value_not_a_number", {"value": ""}),
        ("hours,restriction\n1,nan\n", "value_missing", {"row": 1}),
        ("hours,restriction\n2,1\n1,2\n", "hours_fall", {"row": 1}),
        ("hours,restriction\n1,1\n2,2\n", "truth_unknown", {"name": "zz"}),
    ],
)
def test_a_file_that_cannot_be_used_is_named_with_the_rule(
    folders: Path, text: str, code: str, values: dict[str, Any]
) -> None:
    (folders / "test" / "zz.csv").write_text(text)
    with refused(CalledWrongly, code, **values) as raised:
        backtest.run(arguments(folders))
    assert "zz" in str(raised.value)


@pytest.mark.parametrize(
    ("more", "code", "values"),
    [
        (["--unit", "IN WC"], "unit_not_of_restriction", {"known": "inH2O"}),
        (["--unit", "furlong"], "unit_not_of_restriction", {"unit": "furlong"}),
        (["--terminal", "0"], "terminal_not_above_zero", {}),
        (["--terminal", "nan"], "terminal_not_above_zero", {}),
        (["--group", "colour"], "life_without_column", {"missing": "colour"}),
        (["--skip-rows", "9999"], "rows_all_skipped", {}),
        (["--every", "0"], "rows_out_of_range", {"every": 0}),
        (["--train", "/nowhere-at-all"], "not_a_folder", {}),
    ],
)
def test_a_wrong_option_is_refused_with_the_next_step(
    folders: Path, more: list[str], code: str, values: dict[str, Any]
) -> None:
    with refused(CalledWrongly, code, **values):
        backtest.run(arguments(folders, *more))


def test_without_any_complete_train_life_there_is_still_a_forecast(folders: Path) -> None:
    for path in (folders / "train").glob("*.csv"):
        path.unlink()
    write_life(folders / "train" / "only.csv", 320.0, until=0.5)
    found = report(folders, "--skip-rows", "10")
    assert np.isfinite(found["overall"]["rmse"])
    assert "mean life minus age" not in found["baselines"]


@pytest.mark.data
def test_two_published_folds_of_the_open_bench_stay_within_the_stated_error() -> None:
    """
    Data: Mauthe, Braig, Zeiler (ESREL 2022). Published for a random forest on ten folds: 6.69 s
    (Zoeller et al., arXiv:2306.12215). The whole table: tests/benchmark/bench_forecast.py.
    """
    runs = bench_runs()
    reports = [bench_forecast.run_fold(runs, *fold, group=True) for fold in bench_forecast.folds(runs)[:2]]
    assert np.mean([report["overall"]["rmse"] for report in reports]) < 6.6
    assert 0.7 < np.mean([report["overall"]["coverage"] for report in reports]) < 0.95
    for found in reports:
        others = [s["interval_score"] for s in found["baselines"].values() if s["interval_score"] is not None]
        assert found["overall"]["interval_score"] < min(others)


def test_a_terminal_in_the_wrong_unit_is_named_and_not_a_traceback(folders: Path) -> None:
    """6 Pa for 6 kPa would have every life end where it begins."""
    with refused(CalledWrongly, "life_above_terminal", terminal=0.006):
        read_folder(folders / "train", terminal=0.006, terminal_pa=6.0, group=None)
