"""The wheel of this checkout, built once for all processes of a run of the tests."""

from __future__ import annotations

import fcntl
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.house import ROOT


def built(factory: pytest.TempPathFactory) -> Path:
    """The wheel. Of several processes that want it the first builds it, the others wait."""
    own = factory.getbasetemp()
    folder = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own  # that of all processes
    with (folder / "wheel.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not list((folder / "wheel").glob("*.whl")):
            _build(folder / "wheel")
    (wheel,) = (folder / "wheel").glob("cleanside-*.whl")
    return wheel


def _build(folder: Path) -> None:
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--wheel-dir", str(folder), str(ROOT)]
    environ = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "CLEANSIDE"))}
    done = subprocess.run(command, env=environ, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
