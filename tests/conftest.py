"""Where tests run, their fixtures and hooks: `tests/support/fixtures.py`. They load the whole server."""

from __future__ import annotations

import pytest


def pytest_sessionstart(session: pytest.Session) -> None:
    """The process that hands tests out to others runs none, and loads nothing."""
    plugins = session.config.pluginmanager
    if not plugins.has_plugin("dsession"):
        plugins.import_plugin("tests.support.fixtures")
