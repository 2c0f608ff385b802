"""The browser that all tests of a file share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.browser.chromium import chromium


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A real Chromium; each test opens a context of its own."""
    with chromium() as running:
        yield running
