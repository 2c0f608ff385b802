"""What lies on disk is what was lived: the tables of a small fleet."""

from __future__ import annotations

import hashlib
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from cleanside.simulator.cli import main
from cleanside.simulator.difficulty import FILE
from tests.support.fleet_truth import Machine, read_fleet


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("fleet")
    words = f"fleet --machines 4 --days 120 --seed 9 --cadence-s 300 --out {out}".split()
    assert main(words) == 0
    return out


@pytest.fixture(scope="module")
def machines(folder: Path) -> list[Machine]:
    return read_fleet(folder)


def test_the_tables_say_of_which_seed_and_difficulty_they_are(folder: Path) -> None:
    about = pq.read_schema(folder / "machines.parquet").metadata
    assert about[b"seed"] == b"9"
    assert about[b"difficulty_sha256"].decode() == hashlib.sha256(FILE.read_bytes()).hexdigest()


def test_every_machine_has_its_readings_and_its_truth(folder: Path, machines: list[Machine]) -> None:
    assert len(machines) == 4
    for machine in machines:
        readings = pq.read_table(folder / "readings" / f"{machine.name}.parquet")
        assert readings.num_rows == machine.about["readings"] > 1000
        assert machine.operating_h[-1] == pytest.approx(machine.about["operating_h"], abs=1e-4)
        assert np.all(np.diff(machine.at_s) >= 0)
        assert set(readings["device"].to_pylist()) == ({1, 2} if machine.about["second_device"] else {1})


def test_elements_follow_each_other_without_a_hole(machines: list[Machine]) -> None:
    for machine in machines:
        elements = machine.elements
        assert elements[0]["began"] == "running"
        assert elements[-1]["ended"] == "running"
        for before, after in pairwise(elements):
            assert before["end_h"] == after["start_h"]
            assert (before["ended"] == "cleaned") == (after["began"] == "cleaned")


def test_a_change_is_entered_between_two_power_cycles(machines: list[Machine]) -> None:
    for machine in machines:
        for element in machine.elements[1:]:
            gap = np.searchsorted(machine.at_s, element["start_s"])
            assert machine.at_s[gap] - machine.at_s[gap - 1] > 300.0


def test_the_terminal_that_stands_entered_is_wrong_only_while_its_cause_lasts(
    machines: list[Machine],
) -> None:
    for machine in machines:
        assert machine.entered_terminal_pa(machine.until_s + 1) == machine.about["terminal_pa"]
        for cause in machine.causes:
            if cause["cause"] == "terminal":
                assert machine.entered_terminal_pa(cause["from_s"]) != machine.about["terminal_pa"]


@pytest.mark.parametrize("words", ["--machines 0", "--days 1", "--cadence-s 0.5", "--seed x"])
def test_a_size_that_makes_no_sense_is_refused_with_the_rule(
    words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        main(["fleet", *words.split(), "--out", str(tmp_path)])
    assert words.split()[0] in capsys.readouterr().err


SMALL = ["fleet", "--machines", "1", "--days", "2", "--cadence-s", "3600", "--out"]


def test_a_fleet_that_lies_there_is_replaced_only_when_told_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "fleet"
    assert main([*SMALL, str(out)]) == 0
    first = (out / "machines.parquet").read_bytes()
    (out / "readings" / "of-before.parquet").write_bytes(b"")
    assert main([*SMALL, str(out), "--seed", "2"]) == 2
    assert f"{out} holds a fleet already; give another --out, or --overwrite" in capsys.readouterr().err
    assert (out / "machines.parquet").read_bytes() == first
    assert main([*SMALL, str(out), "--seed", "2", "--overwrite"]) == 0
    assert pq.read_schema(out / "machines.parquet").metadata[b"seed"] == b"2"
    assert len(list((out / "readings").iterdir())) == 1


def test_a_folder_of_something_else_is_refused_and_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "machines.parquet").write_text("mine too")
    assert main([*SMALL, str(tmp_path), "--overwrite"]) == 2
    assert 'holds "notes.txt", which is no part of a fleet; give another --out' in capsys.readouterr().err
    assert main([*SMALL, str(tmp_path / "notes.txt")]) == 2
    assert "notes.txt cannot be written to (Not a directory)" in capsys.readouterr().err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["machines.parquet", "notes.txt"]
