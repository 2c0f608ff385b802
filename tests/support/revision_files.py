"""
The files of the revisions, read once for all migrations of this process.

Alembic reads each of them at each migration, and the server once more to know which there are. They are those
of this checkout and do not change while tests run. Processes that tests start read them as anybody's do.
"""

from __future__ import annotations

import importlib.resources

from alembic.config import Config
from alembic.script import ScriptDirectory

_PLACE = "script_location"
_OURS = str(importlib.resources.files("cleanside.migrations"))
_read = ScriptDirectory.from_config
_kept: list[ScriptDirectory] = []


def share() -> None:
    """From now on. Files of another folder are read as before."""
    ScriptDirectory.from_config = classmethod(_from_config)  # type: ignore[method-assign,assignment]


def _from_config(_: type[ScriptDirectory], config: Config) -> ScriptDirectory:
    if config.get_main_option(_PLACE) != _OURS:
        return _read(config)
    if not _kept:
        _kept.append(_read(config))
    return _kept[0]
