"""The `lives` command: exponent and changes of one long series."""

from __future__ import annotations

import argparse
import csv
import json
import os
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.evaluation import lives_report
from tests.support.coded import refused


def run(file: Path, *more: str) -> dict:
    parser = argparse.ArgumentParser()
    lives_report.add_arguments(parser)
    out = file.with_suffix(".json")
    assert lives_report.run(parser.parse_args([str(file), "--json", str(out), *more])) == 0
    return json.loads(out.read_text())


TURNED_OVER = (10, 22)  # of the first 24 seeds of `_elements`


@pytest.fixture
def series(tmp_path: Path) -> Path:
    """Two elements under changing load; restriction goes with flow to the power 1.6."""
    rng = np.random.default_rng(12)
    level = np.concatenate((np.linspace(3.0, 4.5, 700), np.linspace(3.0, 3.6, 500)))
    flow = 10 + 3 * np.sin(np.arange(1200) / 7.0) + rng.normal(0, 0.2, 1200)
    drop = level * (flow / 13) ** 1.6 * np.exp(rng.normal(0, 0.01, 1200))
    rows = [f"{i + 1},{r},{q}" for i, (r, q) in enumerate(zip(drop, flow, strict=True))]
    file = tmp_path / "series.csv"
    file.write_text("\n".join(["hours,restriction,load", *rows]) + "\n")
    return file


def test_exponent_and_change_are_found(series: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = run(series, "--flow", "load")
    assert found["flow"]["exponent"] == pytest.approx(1.6, abs=0.03)
    [change] = found["changes"]
    assert change["row"] == pytest.approx(701, abs=3)
    assert change["sure"] == "high"
    assert change["fall_percent"] == pytest.approx(33, abs=4)
    assert "confirm each against the maintenance record" in capsys.readouterr().out


def test_without_a_flow_column_nothing_is_sure(series: Path) -> None:
    found = run(series)
    assert found["flow"] is None
    assert all(change["sure"] == "medium" for change in found["changes"])


def test_without_a_flow_column_a_shallow_fall_is_none(tmp_path: Path) -> None:
    """Light work makes falls of a quarter: a new element has to show more."""
    level = np.concatenate(
        (np.linspace(3.0, 4.5, 700), np.linspace(3.4, 4.4, 500), np.linspace(1.5, 2.0, 400))
    )
    level *= np.exp(np.random.default_rng(4).normal(0, 0.01, 1600))
    file = tmp_path / "series.csv"
    file.write_text("\n".join(["restriction", *map(str, level)]) + "\n")
    assert [change["row"] for change in run(file)["changes"]] == pytest.approx([1201], abs=3)


@pytest.mark.parametrize(
    ("column", "why"),
    [
        (lambda drop, rng: rng.uniform(8, 13, len(drop)), "as much with it as without|to the power"),
        (lambda drop, _: 20.0 / drop, "to the power -1.00"),
        (lambda drop, _: np.full(len(drop), 12.0), "hardly moves"),
    ],
)
def test_a_flow_column_that_explains_nothing_is_not_used(series: Path, column, why: str) -> None:
    rows = [line.split(",") for line in series.read_text().splitlines()[1:]]
    drop = np.array([float(row[1]) for row in rows])
    flow = column(drop, np.random.default_rng(2))
    series.write_text("\n".join(["restriction,load", *(f"{r},{q}" for r, q in zip(drop, flow, strict=True))]))
    found = run(series, "--flow", "load")
    assert found["flow"] is None
    assert re.search(why, found["flow_not_used"])
    assert all(change["sure"] == "medium" for change in found["changes"])


def test_stops_tell_nothing_of_the_element(series: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Rows of a machine that stands: next to no flow, and whatever the sensor then reads, also nothing."""
    lines = series.read_text().splitlines()
    for stop in range(60, 1190, 110):
        for row in range(stop, stop + 12):
            lines[row] = f"{row},{0.02 if row % 3 else 0},{1 if row % 2 else 0}"
    series.write_text("\n".join(lines) + "\n")
    found = run(series, "--flow", "load")
    assert found["flow"]["exponent"] == pytest.approx(1.6, abs=0.05)
    assert [change["row"] for change in found["changes"]] == pytest.approx([701], abs=3)
    assert found["rows_left_out"] == 132
    assert "132 rows below half the reference flow left out" in capsys.readouterr().out


def test_a_flow_column_that_is_not_used_leaves_no_row_out(series: Path) -> None:
    rows = [line.split(",") for line in series.read_text().splitlines()[1:]]
    flow = np.where(np.arange(len(rows)) % 3, 12.0, 3.0)  # swings, and restriction does not follow
    lines = [f"{hours},{drop},{q}" for (hours, drop, _), q in zip(rows, flow, strict=True)]
    series.write_text("\n".join(["hours,restriction,load", *lines]) + "\n")
    found = run(series, "--flow", "load")
    assert found["flow"] is None
    assert found["rows_left_out"] == 0
    assert found["changes"] == run(series)["changes"]


def test_the_spread_of_the_exponent_is_that_between_stretches_of_the_series(tmp_path: Path) -> None:
    """Twelve stretches whose exponents differ by 0.17 (standard deviation): their mean is as far off as
    0.17 / sqrt(12), however many rows each has. Drawing single rows again would promise a tenth of it."""
    rng = np.random.default_rng(3)
    exponent = np.repeat(1.5 + 0.17 * rng.permutation(np.linspace(-1.6, 1.6, 12)), 300)
    flow = 10 * np.exp(0.2 * rng.normal(size=3600))
    drop = 3.0 * (flow / 10) ** exponent
    file = tmp_path / "series.csv"
    file.write_text("\n".join(["restriction,load", *(f"{r},{q}" for r, q in zip(drop, flow, strict=True))]))
    spread = run(file, "--flow", "load")["flow"]["spread"]
    assert 0.5 * 0.17 / np.sqrt(12) < spread < 2.0 * 0.17 / np.sqrt(12)


def test_a_mark_for_a_missing_value_and_doubled_rows_are_refused(series: Path) -> None:
    lines = series.read_text().splitlines()
    doubled = [lines[0], *(line for line in lines[1:] for _ in range(2))]
    series.write_text("\n".join(doubled) + "\n")
    with refused(CalledWrongly, "rows_doubled", row=1):
        run(series)
    lines[5] = "5,-999,-999"
    series.write_text("\n".join(lines) + "\n")
    with refused(CalledWrongly, "value_is_a_marker", row=5, column="restriction", value=-999.0):
        run(series, "--flow", "load")


def _elements(seed: int) -> np.ndarray:
    """Five elements after one another; one in four or so goes on where a cleaned one might."""
    rng = np.random.default_rng(1000 + seed)
    parts = []
    for number in range(5):
        rows, noise = int(rng.integers(150, 350)), np.random.default_rng(10 * seed + number)
        cleaned = number > 0 and rng.uniform() < 0.4
        clean = rng.uniform(3.2, 4.2) if cleaned else 3.0 * np.exp(rng.normal(0, 0.12))
        way = np.expm1(2.2 * np.linspace(0, 1, rows)) / np.expm1(2.2)
        level = clean + (rng.uniform(5, 6.5) - clean) * way
        parts.append(level * np.exp(noise.normal(0, 0.015, rows)))
    return np.concatenate(parts)


@pytest.mark.parametrize("seed", TURNED_OVER)
def test_what_a_change_looks_like_is_settled_once_and_no_later_row_turns_it_over(seed: int) -> None:
    """
    Series cut every 60 rows. Of the first 24 seeds these are the two in which a label would turn over more
    than 60 rows after the change if the whole file decided.
    """
    level = _elements(seed)
    flow = 10.0 + 3.0 * np.sin(np.arange(len(level)) / 7.0)
    labels: dict[int, set[str]] = {}
    for end in range(200, len(level) + 1, 60):
        drop, q = level[:end] * (flow[:end] / 11.0) ** 1.6, flow[:end]
        found = lives_report.examine(np.arange(1.0, end + 1), drop, q, path=Path("made"))
        for change in found["changes"]:
            assert change["settled"] == (end - change["row"] >= lives_report.LABEL_ROWS)
            if change["settled"]:
                labels.setdefault(change["row"], set()).add(change["likely"])
    assert len(labels) >= 3
    assert all(len(said) == 1 for said in labels.values())


def test_a_label_that_later_rows_may_move_says_so(series: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = series.read_text().splitlines()
    series.write_text("\n".join(lines[:741]) + "\n")
    assert [change["settled"] for change in run(series, "--flow", "load")["changes"]] == [False]
    assert "change so far" in capsys.readouterr().out


@pytest.mark.parametrize("count", [1, 3])
@pytest.mark.parametrize("factor", [2.0, 0.4])
def test_stray_rows_are_named_and_are_no_change(
    series: Path, count: int, factor: float, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [line.split(",") for line in series.read_text().splitlines()]
    for row in range(301, 301 + count):
        rows[row][1] = str(factor * float(rows[row][1]))
    series.write_text("\n".join(map(",".join, rows)) + "\n")
    found = run(series, "--flow", "load")
    assert [(stray["row"], stray["rows"]) for stray in found["stray_rows"]] == [(301, count)]
    assert [change["row"] for change in found["changes"]] == pytest.approx([701], abs=3)
    assert "check row 301: restriction " in capsys.readouterr().out


def test_rows_that_are_no_hours_are_told(series: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = [line.split(",") for line in series.read_text().splitlines()]
    thin = [f"{float(row[0]) / 6},{row[1]},{row[2]}" for row in lines[1:]]
    series.write_text("\n".join([",".join(lines[0]), *thin]) + "\n")
    run(series, "--flow", "load")
    assert "0.166667 apart in the column hours: give the mean of each" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "more", "code", "values"),
    [
        ("hours,restriction\n", [], "no_rows", {}),
        ("hours,level\n1,2\n", [], "column_missing", {"column": "restriction"}),
        ("hours,restriction\n1,2\n", ["--flow", "cdp"], "column_missing", {"column": "cdp"}),
        ("hours,restriction\n1,x\n", [], "value_not_a_number", {"value": "x"}),
        ("hours,restriction\n1,0\n", [], "restriction_not_above_zero", {"row": 1}),
        ("hours,restriction\n2,1\n1,1\n", [], "hours_fall", {"row": 1, "hours": 2}),
        ("hours;restriction\n1,5;2,5\n", [], "row_of_another_length", {"more": "more"}),
        ("hours,restriction\n1\n", [], "row_of_another_length", {"more": "fewer"}),
    ],
)
def test_a_file_that_cannot_be_used_is_refused(
    tmp_path: Path, text: str, more: list[str], code: str, values: dict[str, Any]
) -> None:
    file = tmp_path / "bad.csv"
    file.write_text(text)
    with refused(CalledWrongly, code, **values):
        run(file, *more)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with refused(CalledWrongly, "not_a_file"):
        run(tmp_path / "none.csv")


@pytest.mark.data
@pytest.mark.skipif(
    "CLEANSIDE_DATA" not in os.environ, reason="set CLEANSIDE_DATA to the folder with intake-field"
)
def test_on_the_open_field_series_the_annotated_changes_are_found_and_no_annotated_spike(
    tmp_path: Path,
) -> None:
    """
    Data: UCI Machine Learning Repository, data set 551, doi 10.24432/C5WC95, CC BY 4.0, years 2011 and 2012.
    The annotation is by inspection of the series; no maintenance record was published.
    """
    folder = Path(os.environ["CLEANSIDE_DATA"]) / "intake-field"

    def read(name: str) -> list[dict[str, str]]:
        return list(csv.DictReader((folder / name).read_text().splitlines()))

    rows = [row for year in (2011, 2012) for row in read(f"gt_{year}.csv")]
    file = tmp_path / "field.csv"
    lines = [f"{i + 1},{row['AFDP']},{row['CDP']}" for i, row in enumerate(rows)]
    file.write_text("\n".join(["hours,restriction,cdp", *lines]) + "\n")
    found = run(file, "--flow", "cdp")
    assert 1.45 < found["flow"]["exponent"] < 1.7
    annotated = read("element_changes_annotated.csv")
    true = [int(a["last_hour_index_before"]) for a in annotated if a["judgement"] == "filter_change"]
    assert [change["row"] for change in found["changes"]] == pytest.approx(true, abs=48)
    assert found["stray_rows"] == []
