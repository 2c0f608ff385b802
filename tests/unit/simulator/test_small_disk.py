"""A file system that is small: filled, mounted read-only, and gone afterwards."""

from __future__ import annotations

from pathlib import Path

import pytest

from cleanside.simulator.small_disk import SMALL_DISK_BYTES, small_disk


def test_it_fills_up_takes_no_write_and_is_gone_afterwards(tmp_path: Path) -> None:
    folder = tmp_path / "disk"
    with small_disk(folder) as disk:
        if disk is None:
            pytest.skip("needs the right to mount a file system")
        disk.fill()
        with pytest.raises(OSError, match="No space left"):
            (folder / "a").write_bytes(bytes(2**12))
        assert sum(file.stat().st_size for file in folder.iterdir()) > 0.9 * SMALL_DISK_BYTES
        disk.clear()
        (folder / "a").write_bytes(b"1")
        assert disk.mount_again(read_only=True)
        with pytest.raises(OSError, match="Read-only"):
            (folder / "a").write_bytes(b"2")
        assert disk.mount_again(read_only=False)
        assert (folder / "a").read_bytes() == b"1"
        with (folder / "a").open("ab"):
            assert not disk.mount_again(read_only=True), "somebody writes to it"
    assert list(folder.iterdir()) == []


def test_where_none_may_be_mounted_the_folder_is_there_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("os.geteuid", lambda: 1000)
    with small_disk(tmp_path / "disk") as disk:
        assert disk is None
        (tmp_path / "disk" / "a").write_bytes(b"1")
