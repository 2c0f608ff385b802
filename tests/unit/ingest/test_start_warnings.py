"""What a server warns of at its start: settings that others can read, a key file that is of no use."""

from __future__ import annotations

from pathlib import Path

import pytest

from cleanside.ingest.commands.serve import _warn_of_no_key, _warn_of_readable
from cleanside.ingest.settings import load
from cleanside.ingest.store.key_file import KeyFile


@pytest.mark.parametrize(
    ("mode", "text", "warned"),
    [
        (0o644, 'database = "postgresql://shop:s3cret-word@db/shop"', ["ingest.settings_readable"]),
        (0o600, 'database = "postgresql://shop:s3cret-word@db/shop"', []),
        (0o640, 'database = "postgresql://shop:s3cret-word@db/shop"', []),
        (0o644, "port = 8750", []),  # the password came another way
    ],
)
def test_a_password_in_settings_that_others_can_read_is_warned_of(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, mode: int, text: str, warned: list[str]
) -> None:
    (file := tmp_path / "ingest.toml").write_text(text)
    file.chmod(mode)
    _warn_of_readable(file, ("s3cret-word",))
    assert caplog.messages == warned


@pytest.mark.parametrize(
    ("flags", "warned"),
    [
        ({"database": "postgresql://db/shop", "webhook_key_file": "absent"}, ["ingest.webhook_key_unusable"]),
        ({"database": "postgresql://db/shop"}, []),  # no webhook is wanted
        ({"database": "sqlite:////srv/none/shop.db"}, []),  # the first webhook makes it
    ],
)
def test_a_named_key_file_that_is_not_there_is_warned_of(
    flags: dict[str, str], warned: list[str], caplog: pytest.LogCaptureFixture
) -> None:
    _warn_of_no_key(KeyFile.of(load(flags=flags, environ={})))
    assert caplog.messages == warned
