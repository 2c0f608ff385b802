"""Where tests run, their fixtures and hooks: `tests/support/fixtures.py`. They load the whole server."""

from __future__ import annotations

from contextlib import ExitStack

import pytest

from tests.support.nursery import for_all

_until_the_end = ExitStack()


def pytest_sessionstart(session: pytest.Session) -> None:
    """The process that hands tests out to others runs none, and loads nothing; it has a nursery for all."""
    plugins = session.config.pluginmanager
    if plugins.has_plugin("dsession"):
        _until_the_end.enter_context(for_all())
    else:
        plugins.import_plugin("tests.support.fixtures")


def pytest_unconfigure() -> None:
    """All tests are over."""
    _until_the_end.close()
