"""
The gateway as one file: made of the wheel, run by a Python that has none of our packages, against a server.

For aarch64 and armv7l too where CLEANSIDE_AARCH64_PYTHON and CLEANSIDE_ARMV7L_PYTHON name a command that runs
such a Python: `.ci/emulated` makes both of Debian's packages, and `.ci/run` sets them.
"""

from __future__ import annotations

import json
import os
import platform
import shlex
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.ci_scripts import load
from tests.support.databases import migrated_sqlite
from tests.support.serving import DEVICE, ServerProcess, as_process
from tests.support.wheel import built

one_file = load("one_file")
#: ELF, e_machine (the ELF for the Arm 64-bit and for the Arm Architecture; System V ABI, AMD64)
ELF_MACHINE = {"aarch64": 183, "armv7l": 40, "x86_64": 62}
READINGS = 20


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(tmp_path_factory)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[ServerProcess]:
    with as_process(migrated_sqlite(tmp_path)) as running:
        with running.client("operator") as http:
            http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
        yield running


def made(wheel: Path, machine: str, python: list[str]) -> Path:
    """The file for that Python's version."""
    asked = [*python, "-c", "import sys; print(*sys.version_info[:2], sep='.')"]
    version = subprocess.run(asked, check=True, capture_output=True, text=True).stdout.strip()
    file: Path = one_file.make(wheel, machine, version)
    return file


def python_of(machine: str) -> list[str]:
    """A command that runs a Python of that kind of machine; empty where there is none."""
    return shlex.split(os.environ.get(f"CLEANSIDE_{machine.upper()}_PYTHON", ""))


def carry(python: list[str], file: Path, server: ServerProcess, folder: Path) -> None:
    """Let the file take readings from standard input to the server."""
    key = folder / "device.key"
    key.touch(mode=0o600)
    key.write_text(server.tokens["device"])
    flags = ["--device", DEVICE, "--spool-path", str(folder / "spool"), "--run-exit-when-done"]
    flags += ["--uplink-server", server.url, "--uplink-key-file", str(key)]
    flags += ["--source", "ndjson units.restriction=kPa"]
    lines = [
        json.dumps({"at": f"2026-03-02T06:{minute:02d}:00Z", "restriction": 3.0})
        for minute in range(READINGS)
    ]
    bare = {"PATH": os.defpath, "HOME": str(folder), "SHIV_ROOT": str(folder / "unpacked")}
    command = [*python, str(file), "run", *flags]
    done = subprocess.run(
        command, input="\n".join(lines) + "\n", env=bare, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    with server.client("admin") as http:
        assert len(http.get(f"/v1/devices/{DEVICE}/readings").json()["readings"]) == READINGS


def test_it_carries_readings_by_a_python_without_our_packages(
    wheel: Path, server: ServerProcess, tmp_path: Path
) -> None:
    python = [getattr(sys, "_base_executable", sys.executable), "-I"]
    carry(python, made(wheel, platform.machine(), python), server, tmp_path)


@pytest.mark.timeout(400)
@pytest.mark.parametrize("machine", ["aarch64", "armv7l"])
def test_it_is_made_for_another_kind_of_machine(
    wheel: Path, server: ServerProcess, tmp_path: Path, machine: str
) -> None:
    python = python_of(machine)
    file = made(wheel, machine, python or [sys.executable])
    with zipfile.ZipFile(file) as archive:
        compiled = [name for name in archive.namelist() if name.endswith(".so")]
        machines = {archive.read(name)[18] for name in compiled}
    assert compiled
    assert machines == {ELF_MACHINE[machine]}
    if not python:
        pytest.skip(f"it was made and not run: no Python for {machine} (.ci/emulated says why)")
    carry(python, file, server, tmp_path)


def test_only_32_bit_arm_is_without_zstandard(wheel: Path) -> None:
    assert not any(needed.startswith("zstandard") for needed in one_file.required(wheel, "armv7l"))
    for machine in ("aarch64", "x86_64"):
        assert any(needed.startswith("zstandard>=") for needed in one_file.required(wheel, machine))


def test_what_it_is_called_says_for_what_it_is(wheel: Path) -> None:
    name = one_file.file_name(wheel, "aarch64", "3.11")
    assert name.startswith("cleanside-gateway-")
    assert name.endswith("-py3.11-aarch64.pyz")


@pytest.mark.parametrize("words", [[], ["missing.whl"], ["{wheel}", "riscv64"], ["{wheel}", "x86_64", "4"]])
def test_a_call_that_fits_nothing_is_refused(words: list[str], wheel: Path) -> None:
    assert one_file.main([word.format(wheel=wheel) for word in words]) == 2
