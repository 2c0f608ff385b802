"""
Fixtures for all tests: both databases, the app in this process, and real servers.

`database_url` runs a test on SQLite and on PostgreSQL; `api` is the app over it; `server` is a real process.
"""

from __future__ import annotations

import gc
import logging
import os
import signal
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from hypothesis import settings

from tests.long_tests import is_long
from tests.support import compiled, revision_files
from tests.support.databases import BACKENDS, FORMS, Postgres, choose_form, migrated_sqlite
from tests.support.nursery import nursery
from tests.support.serving import Api, ServerProcess, as_process, in_process
from tests.with_rows import runs_with_rows

# No test is judged by the clock of a busy machine. In CI the examples are the same every time, so that a red
# run is about the change; at a desk they vary, so that new ones are found.
settings.register_profile("ours", deadline=None, derandomize="CI" in os.environ)
settings.load_profile("ours")


def pytest_configure() -> None:
    """
    No search for garbage while tests are collected: what that makes stays until the end.

    Each full search would go through twelve thousand tests and all modules again.
    """
    gc.disable()
    compiled.share()
    revision_files.share()


def pytest_collection_finish() -> None:
    """From here on the search leaves out what was collected; one more would find next to nothing in it."""
    gc.freeze()
    gc.enable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what the short run leaves out."""
    for item in items:
        if is_long(item.nodeid):
            item.add_marker(pytest.mark.long)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Some tests run with readings as rows too."""
    file = Path(metafunc.definition.path).name
    if runs_with_rows(file, metafunc.definition.name):
        metafunc.parametrize("form", FORMS, indirect=True)


#: a set-up starts servers and, once a session, a database; on a busy machine that takes longer than any test
SET_UP_LIMIT_S = 300


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup(item: pytest.Item) -> Iterator[None]:
    """A set-up has a limit of its own; that of the settings (`timeout_func_only`) is for the test alone."""

    def too_long(*_: object) -> None:
        pytest.fail(f"the set-up of {item.nodeid} took more than {SET_UP_LIMIT_S} s")

    before = signal.signal(signal.SIGALRM, too_long)
    signal.setitimer(signal.ITIMER_REAL, SET_UP_LIMIT_S)
    try:
        return (yield)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


@pytest.fixture(autouse=True)
def _logging_as_it_was() -> Iterator[None]:
    """What a test sends elsewhere goes back to pytest; its own handlers are closed, their streams end."""
    root = logging.getLogger()
    before = list(root.handlers)
    levels = {logger: logger.level for logger in (root, *_loggers())}
    yield
    root.handlers[:] = before
    for logger in (root, *_loggers()):
        level = levels.get(logger, logging.NOTSET)
        if logger.level != level:  # setting it goes through all loggers again
            logger.setLevel(level)


def _loggers() -> list[logging.Logger]:
    return [
        one for one in list(logging.Logger.manager.loggerDict.values()) if isinstance(one, logging.Logger)
    ]


@pytest.fixture(scope="session", autouse=True)
def _nursery() -> Iterator[None]:
    """Servers and gateways of the tests begin with their modules loaded."""
    with nursery():
        yield


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """
    A PostgreSQL server of this session's own.

    Its files lie outside pytest's folders, of which other sessions keep the newest three only: a server whose
    lock file is gone shuts down within a minute.
    """
    with tempfile.TemporaryDirectory(prefix="cleanside-pg-", ignore_cleanup_errors=True) as folder:
        server = Postgres(Path(folder) / "data", fsync=False)
        yield server
        server.stop()


@pytest.fixture(params=[BACKENDS[0], pytest.param(BACKENDS[1], marks=pytest.mark.postgres)])
def backend(request: pytest.FixtureRequest) -> str:
    """Runs a test once for each database."""
    name: str = request.param
    return name


@pytest.fixture
def empty_database_url(backend: str, tmp_path: Path, request: pytest.FixtureRequest) -> str:
    """A database without a schema."""
    if backend == "sqlite":
        return f"sqlite:///{tmp_path / 'empty.db'}"
    server: Postgres = request.getfixturevalue("postgres")
    return server.empty()


@pytest.fixture
def form(request: pytest.FixtureRequest) -> str | None:
    """The form of new readings, where a test runs in each (`tests/with_rows.py`); None: as they come."""
    named: str | None = getattr(request, "param", None)
    return named


@pytest.fixture
def database_url(backend: str, form: str | None, tmp_path: Path, request: pytest.FixtureRequest) -> str:
    """A database with the newest schema, on SQLite and on PostgreSQL."""
    if backend == "sqlite":
        return in_form(migrated_sqlite(tmp_path), form)
    server: Postgres = request.getfixturevalue("postgres")
    return in_form(server.migrated(), form)


@pytest.fixture
def sqlite_database_url(form: str | None, tmp_path: Path) -> str:
    """A SQLite database with the newest schema."""
    return in_form(migrated_sqlite(tmp_path), form)


def in_form(url: str, form: str | None) -> str:
    """The URL; new readings of the database take this form from now on. None: the one that they have."""
    if form is not None:
        choose_form(url, form)
    return url


@pytest.fixture
def api(database_url: str) -> Iterator[Api]:
    """The app in this process over either database."""
    with in_process(database_url) as running:
        yield running


@pytest.fixture
def server(sqlite_database_url: str) -> Iterator[ServerProcess]:
    """A real server on a free port over SQLite."""
    with as_process(sqlite_database_url) as running:
        yield running


@pytest.fixture
def start_server() -> Iterator[Callable[..., ServerProcess]]:
    """Starts real servers over databases of the test's choice; they end with the test."""
    with ExitStack() as stack:

        def start(url: str, **more: object) -> ServerProcess:
            return stack.enter_context(as_process(url, **more))  # type: ignore[arg-type]

        yield start
