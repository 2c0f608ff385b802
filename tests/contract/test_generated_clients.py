"""
Clients that general generators make of the served description post and read, checked by their type checkers.

The commands are those of the page for integrators. The generators are openapi-python-client (PyPI) and
openapi-typescript with openapi-fetch (npm, versions and checksums in `tests/clients/package-lock.json`).
Node.js is needed: where it is not there these tests fail, because half of the promise would go unseen.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.support.databases import migrated_sqlite
from tests.support.serving import ServerProcess, as_process

ROOT = Path(__file__).parents[2]
CLIENTS = ROOT / "tests" / "clients"
PAGE = (ROOT / "ingest" / "docs" / "integrators.md").read_text()
MACHINES = {"py": "loader-11", "ts": "loader-12"}
WITHIN_S = 300  # chosen: far beyond what it takes, so that a hang ends
PA_PER_INCH_OF_WATER = 249.08891  # NIST SP 811 (2008), appendix B.8
FIRST_AT = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=2)


def run(command: list[str], folder: Path) -> str:
    """What a command prints; its words are the failure where it fails."""
    program = shutil.which(command[0], path=search_path(folder))
    assert program is not None, f"{command[0]} is not there; install Node.js 20 or later, and .[dev]"
    environment = {**os.environ, "PATH": search_path(folder), "NO_UPDATE_NOTIFIER": "1"}
    done = subprocess.run(
        [program, *command[1:]],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=WITHIN_S,
        check=False,
    )
    assert done.returncode == 0, f"{shlex.join(command)}:\n{done.stdout}\n{done.stderr}"
    return done.stdout


def search_path(folder: Path) -> str:
    """Programs of the folder's packages first, then those of this environment."""
    own = [folder / "node_modules" / ".bin", Path(sys.executable).parent]
    return os.pathsep.join([*map(str, own), os.environ.get("PATH", "")])


def command_of_page(beginning: str, url: str) -> list[str]:
    """The line of the page for integrators that begins so, for this server."""
    (line,) = re.findall(rf"^{re.escape(beginning)} .*$", PAGE, re.MULTILINE)
    return shlex.split(line.replace("http://127.0.0.1:8750", url))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    devices = [f"{machine}-intake" for machine in MACHINES.values()]
    with as_process(migrated_sqlite(tmp_path_factory.mktemp("generated")), devices=devices) as running:
        yield running


@pytest.fixture(scope="module")
def node_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the packages of the lock, from whichever registry this machine asks."""
    folder = tmp_path_factory.mktemp("typescript")
    for name in ("package.json", "package-lock.json", ".npmrc", "tsconfig.json", "post_and_read.ts"):
        shutil.copy(CLIENTS / name, folder)
    run(["npm", "ci", "--ignore-scripts", "--prefer-offline", "--no-audit", "--no-fund"], folder)
    return folder


def arguments(server: ServerProcess) -> list[str]:
    return [server.url, server.tokens["admin"], server.tokens["device"], f"{FIRST_AT:%Y-%m-%dT%H:%M:%SZ}"]


def assert_is_what_was_posted(found: dict[str, Any], machine: str) -> None:
    fleet = {(name, housing): state for name, housing, state in found["fleet"]}
    assert fleet[machine, "main"] in ("running-in", "silent")  # of two readings nothing more is said
    assert (found["stored"], found["quarantined"], found["duplicates"]) == (2, ["out_of_range"], 2)
    assert found["now_is_an_instant"]
    assert found["limit"] == [25.0, "inH2O"]
    assert found["unit"] == "inwc"  # as it was asked for, in a spelling that is in no enumeration
    instants = [datetime.fromisoformat(at) for at, _ in found["readings"]]
    assert instants == [FIRST_AT, FIRST_AT + timedelta(seconds=10)]
    inches = [3050 / PA_PER_INCH_OF_WATER, 3100 / PA_PER_INCH_OF_WATER]
    assert [value for _, value in found["readings"]] == pytest.approx(inches)
    assert found["quarantine"] == [["out_of_range", 900.0]]
    assert found["problem"] == "unknown_machine"
    assert found["leap_second"] == "2016-12-31T23:59:60Z"  # read as it is, and no failure


def test_a_generated_python_client_posts_and_reads(server: ServerProcess, tmp_path: Path) -> None:
    generate = command_of_page("openapi-python-client", server.url)
    plain = ["--config", str(CLIENTS / "openapi-python-client.yml")]
    run(
        [*generate, *plain, "--fail-on-warning"], tmp_path
    )  # what it cannot read it leaves out, with a warning
    shutil.copy(CLIENTS / "post_and_read.py", tmp_path)
    cache = ["--config-file=", f"--cache-dir={ROOT / '.mypy_cache' / 'clients'}"]
    run([sys.executable, "-m", "mypy", "--strict", *cache, "post_and_read.py"], tmp_path)
    read = run([sys.executable, "post_and_read.py", *arguments(server)], tmp_path)
    assert_is_what_was_posted(json.loads(read), MACHINES["py"])


def test_a_generated_typescript_client_posts_and_reads(server: ServerProcess, node_folder: Path) -> None:
    run(command_of_page("npx openapi-typescript", server.url)[1:], node_folder)
    run(["tsc"], node_folder)  # checks the types, and writes what node runs
    read = run(["node", "post_and_read.js", *arguments(server)], node_folder)
    assert_is_what_was_posted(json.loads(read), MACHINES["ts"])


def test_the_lock_names_every_package_exactly_and_no_registry() -> None:
    declared = json.loads((CLIENTS / "package.json").read_text())
    wanted = declared["dependencies"] | declared["devDependencies"]
    locked = json.loads((CLIENTS / "package-lock.json").read_text())["packages"]
    for name, version in wanted.items():
        assert re.fullmatch(r"\d+\.\d+\.\d+", version), name
        assert locked[f"node_modules/{name}"]["version"] == version
    packages = {name: entry for name, entry in locked.items() if name}
    assert [name for name, entry in packages.items() if "integrity" not in entry] == []
    assert [name for name, entry in packages.items() if "resolved" in entry] == []
