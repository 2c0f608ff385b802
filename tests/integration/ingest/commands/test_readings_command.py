"""The command `readings`: every stored reading as a row, from blocks and rows, beside a server."""

from __future__ import annotations

import csv
import io
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from cleanside.ingest import cli
from cleanside.ingest.store import store_modes
from tests.support.coded import sentence
from tests.support.house import ROOT
from tests.support.serving import DEVICE, Api, batch

OTHER = "loader-02-intake"


@pytest.fixture
def filled(api: Api) -> Api:
    """Two devices; readings of the first in a block and in rows."""
    api.register()
    api.register(OTHER, "loader-02")
    api.send(batch(1, [3.0, 3.05, 3.1]))
    choose_rows(api)
    api.send(batch(4, [3.15]))
    return api


def choose_rows(api: Api) -> None:
    """As `blocks stop` does."""
    api.resources.writer.call(lambda connection: store_modes.stop(connection, store_modes.BLOCKS))


def printed(api: Api, capfdbinary: pytest.CaptureFixture[bytes], *words: str) -> bytes:
    """What the command writes."""
    capfdbinary.readouterr()
    assert cli.main(["readings", "--database", api.url, "--owner", "plateau", *words]) == 0
    return capfdbinary.readouterr().out


def rows(content: bytes) -> list[dict[str, Any]]:
    return list(csv.DictReader(io.StringIO(content.decode(), newline="")))


def test_every_reading_is_a_row_wherever_it_lies(
    filled: Api, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    found = rows(printed(filled, capfdbinary))
    assert [(row["device"], int(row["seq"])) for row in found] == [(DEVICE, n) for n in (1, 2, 3, 4)]
    assert [float(row["restriction [Pa]"]) for row in found] == [3000.0, 3050.0, 3100.0, 3150.0]
    assert found[0]["at"] == "2026-03-02T06:00:10Z"
    assert not found[0]["altitude [m]"]


def test_a_span_and_a_device_are_chosen(filled: Api, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    span = ["--since", "2026-03-02T06:00:20Z", "--until", "2026-03-02T06:00:40Z"]
    assert [row["seq"] for row in rows(printed(filled, capfdbinary, *span))] == ["2", "3"]
    assert rows(printed(filled, capfdbinary, "--device", OTHER)) == []


def test_parquet_has_the_same(filled: Api, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    table = pq.read_table(io.BytesIO(printed(filled, capfdbinary, "--format", "parquet")))
    assert table["restriction"].to_pylist() == [3000.0, 3050.0, 3100.0, 3150.0]
    assert table["altitude"].to_pylist() == [None] * 4


@pytest.mark.skipif(shutil.which("sqlite3") is None, reason="this machine has no sqlite3 (Debian: sqlite3)")
def test_sqlite_s_shell_reads_them_by_the_words_of_the_page(
    filled: Api, capfdbinary: pytest.CaptureFixture[bytes], tmp_path: Path
) -> None:
    page = (ROOT / "ingest" / "docs" / "operations.md").read_text()
    written = re.search(r"readings --since \S+ > (\S+)", page)
    read = re.search(r"`(\.mode csv)`, then `(\.import (\S+) readings)`", page)
    assert written is not None
    assert read is not None
    assert written[1] == read[3]
    (tmp_path / written[1]).write_bytes(printed(filled, capfdbinary))
    asked = 'SELECT device, seq, at, "restriction [Pa]" FROM readings ORDER BY CAST(seq AS INTEGER);'
    words = "\n".join([read[1], read[2], ".mode list", asked])
    done = subprocess.run(["sqlite3"], input=words, capture_output=True, text=True, cwd=tmp_path, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    found = [line.split("|") for line in done.stdout.splitlines()]
    assert [(device, seq, float(value)) for device, seq, _, value in found] == [
        (DEVICE, str(n), 2950.0 + 50 * n) for n in (1, 2, 3, 4)
    ]
    assert found[0][2] == "2026-03-02T06:00:10Z"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--device", "tpyo"], sentence("no_device", device="tpyo")),
        (["--since", "yesterday"], sentence("instant_not_usable", at="yesterday", why="")),
    ],
)
def test_what_does_not_fit_is_said(
    filled: Api, capfd: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    assert cli.main(["readings", "--database", filled.url, "--owner", "plateau", *words]) == 2
    assert said in capfd.readouterr().err
