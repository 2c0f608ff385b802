"""`| head` ends a command of any program without a traceback."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from cleanside.gateway.cli import main as gateway_main
from cleanside.gateway.output import EXIT_CUT_OFF
from tests.unit.gateway.helpers import DEVICE, open_spool, readings

HELP = [("gateway", ["run"]), ("ingest", []), ("ingest", ["serve"]), ("simulator", ["demo"])]
#: what is written meets the broken pipe at the end, as in a shell, and not at each write
BUFFERED = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}


def cut_off(program: str, *words: str, stderr_too: bool = False) -> tuple[int, str]:
    """Run a command whose reader is gone before it writes. Returns exit code and standard error."""
    reader, writer = os.pipe()
    os.close(reader)
    ended = subprocess.run(
        [sys.executable, "-c", f"import sys; from {program}.cli import main; sys.exit(main())", *words],
        stdout=writer,
        stderr=writer if stderr_too else subprocess.PIPE,
        env=BUFFERED,
        timeout=100,
        check=False,
    )
    os.close(writer)
    return ended.returncode, (ended.stderr or b"").decode()


@pytest.mark.parametrize(("program", "words"), HELP)
def test_help_that_is_cut_off_says_nothing_more(program: str, words: list[str]) -> None:
    assert cut_off(program, *words, "--help") == (EXIT_CUT_OFF, "")


def test_output_that_is_cut_off_says_nothing_more(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 3))
    flags = ["--device", DEVICE, "--spool-path", str(tmp_path / "a")]
    database = ["--database", f"sqlite:///{tmp_path}/shop.db"]
    for words in (["status"], ["status", "--json"], ["verify"]):
        assert cut_off("gateway", *words, *flags) == (EXIT_CUT_OFF, "")
    assert cut_off("gateway", "status", *flags, stderr_too=True)[0] == EXIT_CUT_OFF
    assert cut_off("ingest", "migrate", *database)[1] == f"new database: {tmp_path}/shop.db\n"
    assert cut_off("ingest", "account", *database) == (EXIT_CUT_OFF, "")


def test_an_exit_code_is_kept_where_the_output_was_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    open_spool(tmp_path / "a").close()
    assert gateway_main(["verify", "--device", DEVICE, "--spool-path", str(tmp_path / "a")]) == 0
    assert "sound" in capsys.readouterr().out
