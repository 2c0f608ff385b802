"""What a stranger installs: one name in site-packages, and programs that no folder of the user can shadow."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import tarfile
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from tests.support.house import ROOT
from tests.support.wheel import built

#: what the server needs and a machine must not be made to carry
SERVER_PACKAGES = {"alembic", "fastapi", "numpy", "pyarrow", "pydantic", "scipy", "sqlalchemy", "uvicorn"}
#: modules of ours that a user's folder may happen to be called after
HOSTILE = ("gateway", "ingest", "migrations", "simulator")
#: chosen: 1.4 MB when this was written; a machine fetches it over a metered link
LARGEST_WHEEL_BYTES = 3_000_000
PROGRAMS = ("cleanside-gateway", "cleanside-ingest", "cleanside-simulator")


def run(command: Sequence[str | Path], *, cwd: Path | None = None) -> str:
    """Run a command to its end; returns what it printed. Its own words are shown where it fails."""
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "CLEANSIDE"))}
    done = subprocess.run(
        list(map(str, command)), cwd=cwd, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(tmp_path_factory)


@pytest.fixture(scope="module")
def programs(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The programs of an environment that has the wheel and our dependencies, but not our checkout."""
    environment = tmp_path_factory.mktemp("installed") / "venv"
    run([sys.executable, "-m", "venv", "--without-pip", environment])
    python = environment / "bin" / "python"
    run([sys.executable, "-m", "pip", "--python", python, "install", "-q", "--no-deps", wheel])
    site = next((environment / "lib").glob("python*")) / "site-packages"
    # A folder named in a .pth file is searched; .pth files in it, such as that of our checkout, are not read.
    (site / "dependencies.pth").write_text(sysconfig.get_paths()["purelib"] + "\n")
    return environment / "bin"


@pytest.fixture
def hostile_folder(tmp_path: Path) -> Path:
    """A user's folder full of modules that are called as parts of ours are."""
    for name in HOSTILE:
        (tmp_path / name).mkdir()
        (tmp_path / name / "__init__.py").write_text("raise SystemExit('a module of the user was loaded')\n")
        (tmp_path / f"{name}.py").write_text("raise SystemExit('a module of the user was loaded')\n")
    (tmp_path / "migrations" / "env.py").write_text("raise SystemExit('a module of the user was loaded')\n")
    (tmp_path / "migrations" / "versions").mkdir()
    return tmp_path


def test_the_wheel_puts_one_name_into_site_packages(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = {name.split("/")[0] for name in archive.namelist()}
        assert {name for name in names if not name.endswith(".dist-info")} == {"cleanside"}
        inside = {name.split("/")[1] for name in archive.namelist() if name.startswith("cleanside/")}
    assert inside == {"__init__.py", "py.typed", "gateway", "ingest", "migrations", "simulator"}


def test_every_file_of_the_programs_is_in_the_wheel_once(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        found = archive.namelist()
    tracked = run(["git", "ls-files", *HOSTILE], cwd=ROOT).splitlines()
    expected = {f"cleanside/{path}" for path in tracked} - {
        "cleanside/gateway/cleanside.py",
        "cleanside/gateway/py.typed",
    }
    expected |= {"cleanside/__init__.py", "cleanside/py.typed"}
    site = ROOT / "ingest" / "docs" / "site"  # where the documents are built they are in it too
    expected |= {f"cleanside/{path.relative_to(ROOT)}" for path in site.rglob("*") if path.is_file()}
    assert {name for name in found if name.startswith("cleanside/")} == expected
    assert len(found) == len(set(found))


def test_the_wheel_stays_small_enough_for_a_metered_link(wheel: Path) -> None:
    """Counted without the documents, which lie in it only where they were built before it."""
    site = "cleanside/ingest/docs/site/"
    with zipfile.ZipFile(wheel) as archive:
        documents = sum(e.compress_size for e in archive.infolist() if e.filename.startswith(site))
    assert wheel.stat().st_size - documents <= LARGEST_WHEEL_BYTES


def test_a_source_distribution_of_a_checkout_that_is_worked_in_is_whole(tmp_path: Path) -> None:
    """An editable install leaves `.links` there, which leads to every folder a second time."""
    assert (ROOT / ".links").is_dir()
    run([sys.executable, "-m", "build", "--sdist", "--outdir", tmp_path, ROOT])
    with tarfile.open(next(tmp_path.glob("*.tar.gz"))) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
    tracked = run(["git", "ls-files", *HOSTILE, "tests", ".ci"], cwd=ROOT).splitlines()
    assert set(tracked) - names == set()


def test_all_programs_run_from_a_folder_full_of_hostile_names(programs: Path, hostile_folder: Path) -> None:
    for program in PROGRAMS:
        assert "usage" in run([programs / program, "--help"], cwd=hostile_folder).lower()
    database = f"sqlite:///{hostile_folder / 'shop.db'}"
    run([programs / "cleanside-ingest", "migrate", "--database", database], cwd=hostile_folder)
    said = run(
        [programs / "cleanside-ingest", "account", "--json", "--database", database], cwd=hostile_folder
    )
    assert json.loads(said)["balances"] is True


def test_the_client_is_imported_by_the_one_name(programs: Path, hostile_folder: Path) -> None:
    code = "import cleanside, sys; from cleanside import Client, Reading; print(Client.__module__)"
    assert run([programs / "python", "-c", code], cwd=hostile_folder).startswith("cleanside.gateway.client")


def test_the_edge_part_brings_no_package_of_the_server(wheel: Path, tmp_path: Path) -> None:
    report = tmp_path / "report.json"
    command = [sys.executable, "-m", "pip", "install", "-q", "--dry-run", "--ignore-installed"]
    run([*command, "--report", report, f"{wheel}[gateway]"])
    packages = names_of(json.loads(report.read_text()))
    assert {"apsw", "httpx", "cleanside"} <= packages
    assert packages & SERVER_PACKAGES == set()


def names_of(report: Mapping[str, list[Mapping[str, Mapping[str, str]]]]) -> set[str]:
    """Names of the packages that pip would install."""
    return {item["metadata"]["name"].lower() for item in report["install"]}
