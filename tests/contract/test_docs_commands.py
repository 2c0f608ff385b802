"""
Every command of the documents runs, in the order of its page, against a real server in an empty folder.

The short run takes one page; `.ci/run all` takes all. What is not run says why, beside it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.docs_shell import Shell, blocks_of
from tests.support.house import ROOT

FOLDER = ROOT / "ingest" / "docs"
#: page -> pages whose commands a reader has run before
BEFORE = {
    "start.md": (),
    "tutorials/planner.md": (),  # it brings a fleet of its own
    "integrators.md": ("start.md", "tutorials/integrator.md"),
    "planners.md": ("start.md", "tutorials/integrator.md"),
    "technicians.md": ("start.md", "tutorials/technician.md"),
    "operations.md": ("start.md", "tutorials/operations.md"),
}
PAGES = sorted(path.relative_to(FOLDER).as_posix() for path in FOLDER.rglob("*.md"))
WITH_COMMANDS = [name for name in PAGES if blocks_of((FOLDER / name).read_text())]


@pytest.fixture
def shell(tmp_path: Path) -> Iterator[Shell]:
    running = Shell(tmp_path)
    try:
        yield running
    finally:
        running.close()


@pytest.mark.timeout(900)
@pytest.mark.parametrize("name", WITH_COMMANDS)
def test_every_command_of_a_page_runs(name: str, shell: Shell) -> None:
    for page in (*BEFORE.get(name, ("start.md",)), name):
        run_page(page, shell)


def test_every_command_of_the_first_tutorial_runs(shell: Shell) -> None:
    for page in ("start.md", "tutorials/integrator.md"):
        run_page(page, shell)


def run_page(name: str, shell: Shell) -> None:
    """Run what a reader of the page runs; what the server refuses is a failure unless the page shows it."""
    for block in blocks_of((FOLDER / name).read_text()):
        written = "" if block.not_run else shell.run(block)
        refused = re.search('"type": ?"/docs/problems/', written)
        assert not refused or block.prints, f"refused:\n{block.text}\n{written}"


@pytest.mark.parametrize("name", ["README.md", *(f"ingest/docs/{name}" for name in PAGES)])
def test_what_is_not_run_or_may_fail_says_why(name: str) -> None:
    for block in blocks_of((ROOT / name).read_text()):
        assert all(len(reason.split()) >= 3 for reason in (block.not_run, block.may_fail) if reason), block


def test_blocks_are_found_with_what_their_comments_say() -> None:
    page = (
        "```sh\nfirst\n```\n\n<!-- prints: a b -->\n\n<!-- not run: as root -->\n```sh\nsecond\n```\n"
        "<!-- stop the server -->\n```sh\n.venv/bin/cleanside-ingest serve\n```\n```toml\nx = 1\n```\n"
    )
    first, second, stop, serve = blocks_of(page)
    assert (first.text, first.prints, first.not_run) == ("first\n", ["a b"], "")
    assert (second.text, second.not_run) == ("second\n", "as root")
    assert (stop.text, stop.serves) == ("", False)
    assert serve.serves
