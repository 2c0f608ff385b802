"""What is wrong with recorded lives: each fault refuses them by name and row, each doubt is shown."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.evaluation import backtest
from cleanside.ingest.evaluation.life_audit import audit_life, audit_lives
from cleanside.ingest.evaluation.life_files import read_folder
from tests.support.coded import refused

Rows = list[list[float]]


def life_rows(seed: int, *, length_h: float = 300.0, left: bool = True) -> Rows:
    """A made life in kPa to a terminal of 6: hours, restriction, hours_left."""
    rng = np.random.default_rng(seed)
    hours = np.linspace(1.0, length_h * rng.uniform(0.85, 1.15), 80)
    level = 6.0 * (0.2 + 0.8 * np.expm1(3 * hours / hours[-1]) / np.expm1(3)) + rng.normal(0, 0.02, 80)
    level[-1] = 6.0
    columns = [hours, level, hours[-1] - hours] if left else [hours, level]
    return [list(row) for row in np.stack(columns, axis=1).tolist()]


def write(path: Path, rows: Rows) -> None:
    head = ["hours,restriction,hours_left" if len(rows[0]) == 3 else "hours,restriction"]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([*head, *(",".join(map(repr, row)) for row in rows)]) + "\n")


@pytest.fixture
def folders(tmp_path: Path) -> Path:
    for number in range(8):
        write(tmp_path / "train" / f"life_{number}.csv", life_rows(number, left=False))
    for number in range(8, 11):
        write(tmp_path / "test" / f"life_{number}.csv", life_rows(number))
    return tmp_path


def run(folder: Path) -> dict:
    parser, out = argparse.ArgumentParser(), folder / "report.json"
    backtest.add_arguments(parser)
    places = ["--train", str(folder / "train"), "--test", str(folder / "test"), "--json", str(out)]
    assert backtest.run(parser.parse_args([*places, "--terminal", "6", "--unit", "kPa"])) == 0
    return json.loads(out.read_text())


def change(path: Path, edit: Callable[[Rows], Rows]) -> None:
    rows = [[float(cell) for cell in line.split(",")] for line in path.read_text().splitlines()[1:]]
    write(path, edit(rows))


def with_cell(row: int, column: int, value: float) -> Callable[[Rows], Rows]:
    def edit(rows: Rows) -> Rows:
        rows[row - 1][column] = value
        return rows

    return edit


def at_terminal(rows: Rows, first: int, count: int) -> Rows:
    for n in range(count):
        rows[first - 1 + n][1] = 6.3 + 0.1 * n
    return rows


def test_sound_lives_are_scored_without_a_word(folders: Path) -> None:
    assert run(folders)["warnings"] == []


@pytest.mark.parametrize(
    ("edit", "code"),
    [
        (with_cell(6, 1, 6.3), "lone_row_at_terminal"),
        (with_cell(3, 1, 60.0), "lone_row_at_terminal"),
        (with_cell(2, 1, 6.3), "lone_row_at_terminal"),
        (lambda rows: with_cell(39, 1, 6.3)(rows[:40]), "lone_row_at_terminal"),
        (lambda rows: at_terminal(rows, 31, 2), "rows_at_terminal_and_back"),
        (lambda rows: at_terminal(rows, 31, 3), "rows_at_terminal_and_back"),
        (lambda rows: at_terminal(rows, 11, 20), "rows_at_terminal_and_back"),
        (with_cell(9, 2, -4.0), "hours_left_below_zero"),
        (lambda rows: [[a, b, rows[-1 - n][2]] for n, (a, b, _) in enumerate(rows)], "hours_left_rise"),
        (lambda rows: [[a, b, c * 24] for a, b, c in rows], "hours_left_do_not_add_up"),
        (lambda rows: [[a, b, min(c, 125.0)] for a, b, c in rows], "hours_left_do_not_add_up"),
        (with_cell(9, 1, -2.0), "restriction_far_below_zero"),
        (lambda rows: [[a - 40.0, b, c] for a, b, c in rows], "hours_below_zero"),
        (lambda rows: [[7.0, b, c] for _, b, c in rows[:1] * 2], "hours_stand_still"),
        (lambda rows: rows[:1], "life_of_one_row"),
    ],
)
def test_a_life_with_a_fault_is_refused_by_name(
    folders: Path, edit: Callable[[Rows], Rows], code: str
) -> None:
    change(folders / "test" / "life_9.csv", edit)
    with refused(CalledWrongly, "lives_with_faults", codes=[code]) as raised:
        run(folders)
    assert "test/life_9: " in str(raised.value)


@pytest.mark.parametrize("marker", [-999.0, -99999.0, -9999.0])
@pytest.mark.parametrize("column", [0, 1, 2])
def test_a_mark_for_a_missing_value_is_no_value(folders: Path, marker: float, column: int) -> None:
    change(folders / "test" / "life_9.csv", with_cell(5, column, marker))
    name = ("hours", "restriction", "hours_left")[column]
    with refused(CalledWrongly, "value_is_a_marker", row=5, column=name, value=marker):
        run(folders)


def test_a_file_with_each_row_twice_is_refused(folders: Path) -> None:
    change(folders / "train" / "life_2.csv", lambda rows: [row for row in rows for _ in range(2)])
    with refused(CalledWrongly, "rows_doubled", row=1, rows=160):
        run(folders)


def test_readings_that_stay_the_same_for_a_while_are_no_doubled_rows(folders: Path) -> None:
    """A coarse sensor, and an hour that is written to the hour."""
    change(
        folders / "train" / "life_2.csv",
        lambda rows: [[a // 5 * 5, max(0.5, round(b)) if b < 6 else 6.0] for a, b in rows],
    )
    assert run(folders)["train"]["lives"] == 8


@pytest.mark.parametrize("part", ["train", "test"])
def test_a_life_that_is_there_twice_is_refused(folders: Path, part: str) -> None:
    source = (folders / "train" / "life_3.csv").read_text()
    lines = source.splitlines()
    with_left = [
        f"{line},{float(lines[-1].split(',')[0]) - float(line.split(',')[0])!r}" for line in lines[1:]
    ]
    text = source if part == "train" else "\n".join(["hours,restriction,hours_left", *with_left[:50]]) + "\n"
    (folders / part / "z.csv").write_text(text)
    with refused(CalledWrongly, "lives_with_faults", codes=["life_doubled"]) as raised:
        run(folders)
    assert f"{part}/z: the figures of train/life_3 again" in str(raised.value)


@pytest.mark.parametrize(("factor", "unit"), [(10.0, "mbar"), (4.0146, "inH2O"), (1 / 6.894757, "psi")])
def test_files_in_another_unit_of_pressure_are_named(folders: Path, factor: float, unit: str) -> None:
    """Half of them. Factors: NIST SP 811 (2008) B.8."""
    for number in range(4):
        path = folders / "train" / f"life_{number}.csv"
        change(path, lambda rows: [[a, b * factor] for a, b in rows])
    if factor > 5:  # then the first row is beyond terminal already
        with refused(CalledWrongly, "life_above_terminal"):
            run(folders)
        return
    with refused(CalledWrongly, "lives_with_faults", codes=["restriction_in_other_unit"] * 4) as raised:
        run(folders)
    assert f"as {unit} for kPa would" in str(raised.value)
    assert "train/life_0: " in str(raised.value)


def test_a_life_that_ended_early_is_in_no_other_unit(folders: Path) -> None:
    """At a quarter of terminal, which is also what kPa for inH2O would show: it does not begin there."""
    change(folders / "train" / "life_2.csv", lambda rows: [row for row in rows if row[1] < 1.55])
    assert run(folders)["train"]["complete"] == 7


@pytest.mark.parametrize("factor", [60.0, 3600.0, 1 / 24])
def test_files_in_another_unit_of_time_are_named(folders: Path, factor: float) -> None:
    for number in range(3):
        path = folders / "train" / f"life_{number}.csv"
        change(path, lambda rows: [[a * factor, b] for a, b in rows])
    with refused(CalledWrongly, "lives_with_faults", codes=["hours_in_other_unit"] * 3):
        run(folders)


def _stretched(factor: float, rows: Rows) -> Rows:
    return [[hours * factor, restriction] for hours, restriction in rows]


def test_lives_of_very_different_lengths_are_in_one_unit_of_time(folders: Path) -> None:
    for number, factor in enumerate((0.3, 1.0, 3.0, 8.0, 20.0)):
        path = folders / "train" / f"life_{number}.csv"
        change(path, partial(_stretched, factor))
    assert run(folders)["train"]["lives"] == 8


def test_kinds_of_very_different_lengths_are_in_one_unit_of_time(folders: Path) -> None:
    for number in range(8):
        path, kind = folders / "train" / f"life_{number}.csv", "crusher" if number < 3 else "grader"
        if number < 3:
            change(path, lambda rows: [[a / 30, b] for a, b in rows])
        head, *lines = path.read_text().splitlines()
        path.write_text("\n".join([f"{head},site", *(f"{line},{kind}" for line in lines)]) + "\n")
    train = read_folder(folders / "train", terminal=6.0, terminal_pa=6e3, group="site")
    assert audit_lives(train, [], unit="kPa").faults == ()
    train = read_folder(folders / "train", terminal=6.0, terminal_pa=6e3, group=None)
    assert [fault.code for fault in audit_lives(train, [], unit="kPa").faults] == ["hours_in_other_unit"] * 3


def test_short_lives_of_equal_clean_readings_are_not_one_life(folders: Path) -> None:
    for number in (1, 2):
        write(folders / "train" / f"life_{number}.csv", [[float(h), 1.25] for h in range(1, 9)])
    assert run(folders)["train"]["complete"] == 6


def test_hours_of_a_running_meter_are_counted_from_the_first_row_and_it_is_said(folders: Path) -> None:
    change(folders / "test" / "life_9.csv", lambda rows: [[a + 5000.0, b, c] for a, b, c in rows])
    [warning] = run(folders)["warnings"]
    assert (warning["file"], warning["code"]) == ("test/life_9", "hours_counted_from_first_row")


def test_a_stray_row_is_named(folders: Path, capsys: pytest.CaptureFixture[str]) -> None:
    change(folders / "train" / "life_4.csv", with_cell(20, 1, 5.0))
    [warning] = run(folders)["warnings"]
    assert (warning["file"], warning["code"]) == ("train/life_4", "lone_row")
    assert "check train/life_4: row 20: " in capsys.readouterr().out


@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize(("value", "code"), [(6.3, "leap_to_terminal"), (5.0, "leap_at_end")])
def test_a_leap_that_the_file_ends_with_is_named(folders: Path, count: int, value: float, code: str) -> None:
    """Up to row 40 of 80 the level is below 2 kPa. Nothing shows whether it would have stayed."""

    def edit(rows: Rows) -> Rows:
        return rows[:37] + [[hours, value] for hours, _ in rows[37 : 37 + count]]

    change(folders / "train" / "life_4.csv", edit)
    [warning] = run(folders)["warnings"]
    assert (warning["file"], warning["code"]) == ("train/life_4", code)
    assert warning["text"].startswith("row 38: ")


@pytest.mark.parametrize("rows", [6, 8, 12, 80])
@pytest.mark.parametrize("power", [1.0, 3.0, 6.0, 12.0])
def test_a_steep_end_of_few_rows_is_no_leap(folders: Path, rows: int, power: float) -> None:
    made = [[300.0 * n / rows, 1.2 + 4.8 * (n / rows) ** power] for n in range(1, rows + 1)]
    write(folders / "train" / "life_4.csv", made)
    read = read_folder(folders / "train", terminal=6.0, terminal_pa=6e3, group=None)
    [entry] = [entry for entry in read if entry.name == "life_4"]
    audit = audit_life("life_4", entry)
    assert [one.code for one in (*audit.faults, *audit.doubts)] == []


def test_rows_that_stay_far_above_those_before_are_not_stray(folders: Path) -> None:
    """A life that leaps to another level and stays there, and one that rises for four rows."""
    change(
        folders / "train" / "life_4.csv",
        lambda rows: [[a, b + 2.4 * (n > 30)] for n, (a, b) in enumerate(rows)],
    )
    change(
        folders / "train" / "life_5.csv",
        lambda rows: [[a, b + 2.4 * (30 < n < 35)] for n, (a, b) in enumerate(rows)],
    )
    assert run(folders)["warnings"] == []


@pytest.mark.parametrize("count", [2, 3])
def test_stray_rows_on_end_are_named(folders: Path, count: int) -> None:
    def edit(rows: Rows) -> Rows:
        for row in range(19, 19 + count):
            rows[row][1] = 5.0
        return rows

    change(folders / "train" / "life_4.csv", edit)
    [warning] = run(folders)["warnings"]
    assert (warning["file"], warning["code"]) == ("train/life_4", "lone_row")
    assert f"({count} such rows)" in warning["text"]


def test_a_terminal_that_no_life_comes_near_is_doubted(folders: Path) -> None:
    for path in (folders / "train").glob("*.csv"):
        change(path, lambda rows: [[a, 0.5 * b] for a, b in rows[:70]])
    assert "terminal_far_above" in {warning["code"] for warning in run(folders)["warnings"]}


def test_noise_ends_no_life_that_goes_on(folders: Path) -> None:
    """A row at terminal with rows below after it: the level is there once most rows are."""
    rows = life_rows(4, left=False)
    ends = len(rows)
    rows += [[rows[-1][0] + n, 6.0 + 0.05 * n] for n in range(1, 8)]
    rows[ends - 9][1] = 6.05
    write(folders / "train" / "life_4.csv", rows)
    read = read_folder(folders / "train", terminal=6.0, terminal_pa=6e3, group=None)
    [entry] = [entry for entry in read if entry.name == "life_4"]
    assert len(entry.life.hours) == ends
    assert entry.rows_beyond == 7


def test_lives_that_teach_nothing_are_not_said_to_have_taught(
    folders: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for path in (folders / "train").glob("*.csv"):
        change(path, lambda rows: rows[:6])
    report = run(folders)
    assert report["learned"] is False
    assert report["train"] == {"lives": 8, "complete": 0, "just_below": 0}
    assert "nothing learned from 8 lives (0 complete)" in capsys.readouterr().out


def test_the_score_does_not_depend_on_the_names_of_the_files(folders: Path) -> None:
    before = run(folders)
    names = sorted(path.name for path in (folders / "train").glob("*.csv"))
    for name, other in zip(names, np.random.default_rng(1).permutation(names), strict=True):
        (folders / "train" / name).rename(folders / "train" / f"moved_{other}")
    assert run(folders)["overall"] == before["overall"]
