"""What cannot be run is said before anything is started, with what to do instead."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from cleanside.simulator import cli
from cleanside.simulator.errors import CalledWrongly
from cleanside.simulator.load_run import LoadChoices, plan_for, run_check, run_load
from tests.unit.simulator.test_load_patterns import plan

QUIET = Console(file=io.StringIO())


@pytest.mark.parametrize(
    ("choices", "names"),
    [
        ({"machines": 2_000, "interval_s": 0.05, "duration_s": 3_600.0}, "--machines"),
        ({"pattern": "failing-database", "server": "http://127.0.0.1:1"}, "--server"),
        ({"server": "http://127.0.0.1:1"}, "--key-file"),
        ({"server": "https://shop.example", "key_file": Path("key")}, "--beyond-loopback"),
        ({"server": "http://shop.example", "key_file": Path("key")}, "--server"),
        ({"server": "http://127.0.0.1:1", "key_file": Path("not there")}, "--key-file"),
    ],
)
def test_a_run_that_cannot_be_is_refused_at_once(choices: dict[str, Any], names: str, tmp_path: Path) -> None:
    with pytest.raises(CalledWrongly, match=names):
        run_load(LoadChoices(folder=tmp_path / "run", **choices), console=QUIET)


def test_two_runs_have_other_devices() -> None:
    assert plan_for(LoadChoices()).device(0) != plan_for(LoadChoices()).device(0)


@pytest.mark.parametrize(
    "content", ["", "{}", json.dumps({"plan": plan().as_json(), "sampled_by_machine": [1]})]
)
def test_what_is_no_report_cannot_be_checked(content: str, tmp_path: Path) -> None:
    report = tmp_path / "report.json"
    report.write_text(content)
    with pytest.raises(CalledWrongly, match="report"):
        run_check(
            report,
            server="http://127.0.0.1:1",
            key_file=tmp_path / "key",
            beyond_loopback=False,
            console=QUIET,
        )


@pytest.mark.parametrize(
    "words",
    [
        ["load", "gust"],
        ["load", "--machines", "0"],
        ["load", "--machines", "2001"],
        ["load", "--interval-s", "0.01"],
        ["load", "--seconds", "nan"],
        ["load", "--backlog", "many"],
    ],
)
def test_a_word_that_is_out_of_bounds_is_refused(words: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(words)
    assert ended.value.code == 2
