"""README and DEVELOPERS say what is there: no promise without its test, no path that does not exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cleanside.gateway.cli import main as gateway_main
from cleanside.ingest.cli import main as ingest_main
from cleanside.simulator.cli import main as simulator_main

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
TESTS_README = (ROOT / "tests" / "README.md").read_text()

TEST_NAMES = {
    name
    for path in (ROOT / "tests").rglob("test_*.py")
    for name in re.findall(r"def (test_\w+)", path.read_text())
}
PROGRAMS = {
    "cleanside-gateway": gateway_main,
    "cleanside-ingest": ingest_main,
    "cleanside-simulator": simulator_main,
}


def test_the_readme_opens_with_the_job_in_one_paragraph() -> None:
    title, first, *_ = README.split("\n\n")
    assert title == "# cleanside"
    assert "complete, in order and once" in first


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`(test_\w+)", README))))
def test_every_promise_of_the_readme_has_its_test(name: str) -> None:
    assert any(known.startswith(name) for known in TEST_NAMES)


def test_every_invariant_is_promised() -> None:
    assert {int(n) for n in re.findall(r"test_invariant_(\d)", README)} == set(range(1, 10))


@pytest.mark.parametrize(
    ("program", "command"),
    sorted(set(re.findall(r"(cleanside-(?:gateway|ingest|simulator)) ([a-z]+)", README))),
)
def test_every_command_of_the_readme_exists(
    program: str, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        PROGRAMS[program]([command, "--help"])
    assert ended.value.code == 0
    assert command in capsys.readouterr().out


@pytest.mark.parametrize("flag", sorted(set(re.findall(r"(?<=\s)--[a-z][a-z-]+", README))))
def test_every_flag_of_the_readme_exists(flag: str, capsys: pytest.CaptureFixture[str]) -> None:
    said = ""
    for program, command in set(re.findall(r"(cleanside-(?:gateway|ingest|simulator)) ([a-z]+)", README)):
        words = [command, "create"] if command == "keys" else [command]
        with pytest.raises(SystemExit):
            PROGRAMS[program]([*words, "--help"])
        said += capsys.readouterr().out
    benchmark = (ROOT / "tests/benchmark/bench_first_start.py").read_text()
    assert flag in said + benchmark


@pytest.mark.parametrize(
    "path",
    sorted(
        set(
            re.findall(
                r"`((?:gateway|ingest|migrations|simulator|tests|\.ci)/[\w./]*)`",
                README + DEVELOPERS + TESTS_README,
            )
        )
    ),
)
def test_every_path_of_the_documents_exists(path: str) -> None:
    assert (ROOT / path).exists()


@pytest.mark.parametrize(
    "module", sorted(set(re.findall(r"python -m ([\w.]+)", README + DEVELOPERS + TESTS_README)))
)
def test_every_module_of_the_documents_exists(module: str) -> None:
    path = ROOT / module.replace(".", "/")
    assert path.with_suffix(".py").exists() or (path / "__main__.py").exists()


def test_every_dependency_has_its_reason() -> None:
    declared = set(
        re.findall(r'^ *"?([a-z][\w-]+)(?:\[\w+\])?>=', (ROOT / "pyproject.toml").read_text(), re.MULTILINE)
    )
    declared |= set(re.findall(r'"([a-z][\w-]+)(?:\[\w+\])?>=', (ROOT / "pyproject.toml").read_text()))
    explained = set(re.findall(r"[\w-]+", DEVELOPERS.split("## Why these dependencies")[1].split("\n## ")[0]))
    assert declared - explained - {"hatchling"} == set()
