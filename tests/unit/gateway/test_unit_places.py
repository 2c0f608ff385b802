"""What a unit with PrivateTmp and ProtectHome cannot see (systemd.exec(5))."""

from __future__ import annotations

from pathlib import Path

import pytest

from cleanside.gateway.unit_places import HIDDEN, hidden_part, parts_of


@pytest.mark.parametrize(
    ("place", "hidden"),
    [
        ("/opt/cleanside/bin/cleanside-ingest", False),
        ("/usr/local/bin/cleanside-ingest", False),
        ("/homestead/bin/cleanside-ingest", False),
        ("/tmp/venv/bin/cleanside-ingest", True),
        ("/home/anna/cleanside/.venv/bin/cleanside-ingest", True),
        ("/var/tmp/venv/bin/cleanside-ingest", True),
    ],
)
def test_a_part_below_a_hidden_folder_is_named(place: str, *, hidden: bool) -> None:
    parts = (Path("/usr/bin/python3"), Path(place))
    assert hidden_part(parts) == (Path(place) if hidden else None)


@pytest.mark.parametrize("folder", HIDDEN)
def test_whatever_is_below_a_hidden_folder_is_hidden(folder: Path) -> None:
    place = folder / ".local" / "bin" / "cleanside-ingest"
    assert hidden_part((place,)) == place


def test_a_link_counts_by_its_target(tmp_path: Path) -> None:
    target, link = tmp_path / "command", tmp_path / "link"
    target.touch()
    link.symlink_to(target)
    assert target.resolve() in parts_of(link, tmp_path)
