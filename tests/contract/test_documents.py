"""The documents say what is there: no promise without its test, no link or path that leads nowhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cleanside.gateway.cli import main as gateway_main
from cleanside.ingest.cli import main as ingest_main
from cleanside.ingest.docs.commands_reference import parser_of
from cleanside.simulator.cli import main as simulator_main
from tests.support.docs_shell import blocks_of, commands_of

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
TESTS_README = (ROOT / "tests" / "README.md").read_text()
PAGES = {path: path.read_text() for path in sorted((ROOT / "ingest" / "docs").glob("*.md"))}
BELOW = [path.read_text() for path in sorted((ROOT / "ingest" / "docs").glob("*/*.md"))]
#: what a user reads, and what everybody reads
FOR_USERS = README + "".join(PAGES.values()) + "".join(BELOW)
FOR_ALL = FOR_USERS + DEVELOPERS + TESTS_README
#: lines that call a program of others: `test_generated_clients.py` and `test_docs_commands.py` run them
OF_OTHERS = re.compile(
    r"^(?:openapi-python-client|npx|(?:sudo )?systemctl|sudo (?:-u|useradd|\S*/pip)|pg_basebackup|openssl"
    r"|curl) .*(?:\\\n.*)*$",
    re.MULTILINE,
)
LONGEST_README = 1_400  # words: what it is, see it work, one path for each group of readers, promises, limits

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
#: commands whose flags belong to an action
ACTIONS = {"keys": ["create"], "people": ["invite"]}


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
    sorted(set(re.findall(r"(cleanside-(?:gateway|ingest|simulator)) ([a-z]+(?:-[a-z]+)*)", FOR_USERS))),
)
def test_every_command_of_the_readme_exists(
    program: str, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        PROGRAMS[program]([command, "--help"])
    assert ended.value.code == 0
    assert command in capsys.readouterr().out


def test_every_command_line_of_the_documents_is_one_that_its_program_takes() -> None:
    lines = [
        command
        for page in (README, *PAGES.values(), *BELOW)
        for block in blocks_of(page)
        for command in commands_of(block)
    ]
    assert len(lines) > 50
    for program, words in lines:
        try:
            parser_of(program, words[0]).parse_args(words)
        except SystemExit as ended:
            raise AssertionError(f"not taken: {program} {' '.join(words)}") from ended


@pytest.mark.parametrize(
    "flag", sorted(set(re.findall(r"(?<=\s)--[a-z][a-z-]+", OF_OTHERS.sub("", FOR_USERS))))
)
def test_every_flag_of_the_readme_exists(flag: str, capsys: pytest.CaptureFixture[str]) -> None:
    said = ""
    named = re.findall(r"(cleanside-(?:gateway|ingest|simulator)) ([a-z]+(?:-[a-z]+)*)", FOR_USERS)
    for program, command in set(named):
        words = [command, *ACTIONS.get(command, ())]
        with pytest.raises(SystemExit):
            PROGRAMS[program]([*words, "--help"])
        said += capsys.readouterr().out
    modules = set(re.findall(r"python -m (tests\.(?:benchmark|fault)\.\w+)", FOR_USERS))
    said += "".join((ROOT / f"{module.replace('.', '/')}.py").read_text() for module in sorted(modules))
    assert flag in said


@pytest.mark.parametrize(
    "path",
    sorted(
        set(
            re.findall(
                r"`((?:gateway|ingest|migrations|simulator|tests|\.ci)/[\w./]*)`",
                FOR_ALL,
            )
        )
    ),
)
def test_every_path_of_the_documents_exists(path: str) -> None:
    assert (ROOT / path).exists()


@pytest.mark.parametrize("module", sorted(set(re.findall(r"python -m ([\w.]+)", FOR_ALL))))
def test_every_module_of_the_documents_exists(module: str) -> None:
    path = ROOT / module.removeprefix("cleanside.").replace(".", "/")
    assert path.with_suffix(".py").exists() or (path / "__main__.py").exists()


@pytest.mark.parametrize(
    ("page", "link"),
    sorted(
        (path.relative_to(ROOT).as_posix(), link)
        for path in (ROOT / "README.md", ROOT / ".github" / "CONTRIBUTING.md", *PAGES)
        for link in re.findall(r"\]\(([^)#]+)", path.read_text())
    ),
)
def test_every_link_leads_to_a_file(page: str, link: str) -> None:
    assert ((ROOT / page).parent / link).is_file()


def test_every_page_is_linked_from_the_readme() -> None:
    linked = {(ROOT / link).resolve() for link in re.findall(r"\]\(([^)#]+)", README)}
    assert set(PAGES) <= linked


def test_the_readme_is_read_in_ten_minutes() -> None:
    assert len(README.split()) <= LONGEST_README


def test_every_dependency_has_its_reason() -> None:
    declared = set(
        re.findall(r'^ *"?([a-z][\w-]+)(?:\[\w+\])?>=', (ROOT / "pyproject.toml").read_text(), re.MULTILINE)
    )
    declared |= set(re.findall(r'"([a-z][\w-]+)(?:\[\w+\])?>=', (ROOT / "pyproject.toml").read_text()))
    explained = set(re.findall(r"[\w-]+", DEVELOPERS.split("## Why these dependencies")[1].split("\n## ")[0]))
    assert declared - explained - {"hatchling"} == set()
