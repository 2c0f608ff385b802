"""A command of the nursery is a process as any other: files, folder, environment, signals and exit code."""

from __future__ import annotations

import os
import signal
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.nursery import Process, start, written

ENVIRON = {"PATH": os.environ["PATH"], "WORD": "gravel"}
Run = Callable[..., Process]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs code as `python -m` runs a module of the folder it is called in."""
    monkeypatch.chdir(tmp_path)

    def run(code: str, *, stdin: int = subprocess.DEVNULL) -> Process:
        (tmp_path / "command.py").write_text(code)
        with tempfile.TemporaryFile() as errors:
            return start(["command", "--flag"], environ=ENVIRON, stderr=errors, stdin=stdin)

    return run


def said(process: Process) -> str:
    assert process.stdout is not None
    with process.stdout:
        return process.stdout.readline().decode().strip()


def test_it_has_what_the_test_gives_it(run: Run, tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        process = run("import os, sys; print(sys.argv[1:], dict(os.environ), os.getcwd(), os.umask(0))")
    finally:
        os.umask(before)
    assert said(process) == f"['--flag'] {ENVIRON} {tmp_path} {0o027}"
    assert process.wait(30.0) == 0


def test_it_reads_what_it_is_given(run: Run) -> None:
    process = run("import sys; print(sys.stdin.read().upper())", stdin=subprocess.PIPE)
    assert process.stdin is not None
    with process.stdin:
        process.stdin.write(b"gravel")
    assert said(process) == "GRAVEL"
    assert process.wait(30.0) == 0


def test_how_it_ends_is_told(run: Run) -> None:
    process = run("raise SystemExit(3)")
    assert (said(process), process.wait(30.0)) == ("", 3)
    process = run("import os, signal; print(os.getpid(), flush=True); signal.pause()")
    assert said(process) == str(process.pid)
    assert process.poll() is None
    with pytest.raises(subprocess.TimeoutExpired):
        process.wait(0.01)
    process.send_signal(signal.SIGKILL)
    assert process.wait(30.0) == process.poll() == -signal.SIGKILL
    process.send_signal(signal.SIGKILL)  # to nothing, and to no other process of that number


def test_reading_what_was_written_does_not_move_the_place_where_the_next_line_goes() -> None:
    with tempfile.TemporaryFile() as file:
        own = os.dup(file.fileno())  # shares its place in the file, as a process does that was given it
        try:
            os.write(own, b"first\nsec")
            assert written(file) == "first\n"  # only whole lines
            os.write(own, b"ond\n")
        finally:
            os.close(own)
        assert written(file) == "first\nsecond\n"
