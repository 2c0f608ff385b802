"""A file of the archive outlives the release that wrote it: quantities are added, and the file stays."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from cleanside.ingest.errors import ArchiveUnreadable
from cleanside.ingest.store import archive_file as files
from cleanside.ingest.store.archive_disk import Disk
from cleanside.ingest.store.whole_readings import WholeReadings

LATER = "signal_strength_dbm"  # stands for a quantity that the release of the file did not have
VALUES = {"restriction_pa": 3_000.0, LATER: -80.0}


def write(folder: Path, monkeypatch: pytest.MonkeyPatch, *, without: str = "") -> Path:
    """Two readings, in a file as a release without that column wrote it."""
    began_us, seq = 1_772_442_000_000_000, np.array([1, 2])
    columns = {name: np.full(2, value) for name, value in VALUES.items()}
    received_us, exact = np.full(2, began_us), np.zeros(2)
    readings = WholeReadings(1, seq, began_us + seq, received_us, exact, seq, columns, ["{}"] * 2, {})
    whole = files.table_of(readings)
    names = [name for name in whole.column_names if name != without]
    with monkeypatch.context() as older:
        older.setattr(files, "SCHEMA", pa.schema([files.SCHEMA.field(name) for name in names]))
        written = files.write(Disk(), folder, "2026-03/000001", lambda: [whole.select(names)], {})
    return folder / written.file


def test_a_quantity_that_came_later_has_no_value_in_an_older_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path, monkeypatch, without=LATER)
    assert LATER not in pq.read_schema(path).names
    table = files.load(path, ["seq", LATER, "restriction_pa"], numbers=(2, 9))
    assert table.to_pylist() == [{"seq": 2, LATER: None, "restriction_pa": 3_000.0}]


def test_older_and_newer_files_are_joined(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = [write(tmp_path, monkeypatch, without=LATER), write(tmp_path, monkeypatch)]
    joined = pa.concat_tables([group for path in paths for group in files.groups(path)])
    assert joined.schema.names == files.SCHEMA.names
    assert joined[LATER].to_pylist() == [None, None, -80.0, -80.0]


@pytest.mark.parametrize("column", ["seq", "content_hash"])
def test_a_file_without_what_every_release_wrote_is_broken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, column: str
) -> None:
    path = write(tmp_path, monkeypatch)
    pq.write_table(pq.read_table(path).drop_columns([column]), path)
    with pytest.raises(ArchiveUnreadable):
        files.load(path, ["stream_id", column])
    with pytest.raises(ArchiveUnreadable):
        list(files.groups(path))
