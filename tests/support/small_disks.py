"""A folder on a small file system of its own, so that a disk can be full."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def small_disk(folder: Path, size_bytes: int) -> Iterator[Path]:
    """The folder, made and mounted; the test is skipped where none may be mounted."""
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", str(folder)]
    try:
        is_mounted = os.geteuid() == 0 and subprocess.run(command, check=False).returncode == 0
    except FileNotFoundError:
        is_mounted = False
    if not is_mounted:
        pytest.skip("needs the right to mount a file system")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)
