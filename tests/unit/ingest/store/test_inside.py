"""Names from elsewhere as paths: inside their folder, or refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from cleanside.ingest.store.inside import PathOutside, path_inside

#: CWE-22 (path traversal) and its children 23, 36 and 59: relative, absolute, by a link
OUTSIDE = ["", ".", "..", "../x", "a/../../x", "a/..", "a/./b", "a//b", "a/", "/etc/passwd", "//host/share"]
OUTSIDE += ["\\\\host\\x", "a\\..\\x", "a\0b"]


@pytest.mark.parametrize("name", OUTSIDE)
def test_a_name_that_is_not_plain_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(PathOutside):
        path_inside(tmp_path, name)


def test_a_plain_name_is_its_path(tmp_path: Path) -> None:
    assert path_inside(tmp_path, "2026-01/000001-0.parquet") == tmp_path / "2026-01" / "000001-0.parquet"


def test_a_folder_that_is_itself_reached_by_a_link_is_fine(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    assert path_inside(tmp_path / "link", "a/b") == tmp_path / "link" / "a" / "b"


@pytest.mark.parametrize("name", ["link", "link/x", "a/link"])
def test_a_name_that_meets_a_link_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "link").symlink_to("../x")
    with pytest.raises(PathOutside):
        path_inside(tmp_path, name)
