"""
Servers that are forked from a process which has their modules loaded, for runs with hundreds of starts.

Loading modules is nine tenths of a start. A forked server is a process of its own all the same, with its
own connections and locks, and dies of SIGKILL like any other.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import pkgutil
import signal
import subprocess
import sys
from collections.abc import Sequence
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerContext
from typing import Any

from cleanside.ingest import console
from cleanside.ingest.api import routes
from tests.support.serving import ServerProcess

#: each file of these is loaded by the app, once it is made
ROOMS = (console, routes)
#: and what else the command `serve` loads, some of it only once it runs
MODULES = (
    "cleanside.ingest.api.connection",
    "cleanside.ingest.commands.serve",
    "sqlalchemy.dialects.postgresql.psycopg",
    "sqlalchemy.dialects.sqlite.pysqlite",
    "tests.support.preloaded",
    "uvicorn.lifespan.on",
    "uvicorn.loops.auto",
)


def loaded() -> ForkServerContext:
    """Where such servers come from; its process begins with the first of them."""
    context = multiprocessing.get_context("forkserver")
    found = (f"{room.__name__}.{file.name}" for room in ROOMS for file in pkgutil.iter_modules(room.__path__))
    context.set_forkserver_preload([*MODULES, *found])
    return context


class PreloadedServer(ServerProcess):
    """The command `cleanside-ingest serve`, as `ServerProcess` has it."""

    def __init__(self, context: ForkServerContext, database_url: str, tokens: dict[str, str]) -> None:
        super().__init__(database_url, tokens)
        self._context = context

    def _launched(self, words: Sequence[str]) -> Any:
        return _Forked(self._context, words, self._log.fileno())


class _Forked:
    """A forked server, with what `ServerProcess` uses of `subprocess.Popen`."""

    def __init__(self, context: ForkServerContext, words: Sequence[str], log: int) -> None:
        out, into = os.pipe()
        self.stdout = os.fdopen(out)
        with Connection(into, readable=False) as ours, Connection(os.dup(log), readable=False) as logged:
            self._process = context.Process(target=_serve, args=(words, ours, logged))
            self._process.start()

    @property
    def pid(self) -> int:
        assert self._process.pid is not None
        return self._process.pid

    def poll(self) -> int | None:
        return self._process.exitcode

    def send_signal(self, number: signal.Signals) -> None:
        os.kill(self.pid, number)

    def wait(self, timeout: float) -> int:
        self._process.join(timeout)
        if self._process.exitcode is None:
            raise subprocess.TimeoutExpired("serve", timeout)
        return self._process.exitcode


def _serve(words: Sequence[str], out: Connection, log: Connection) -> None:
    """The forked process."""
    from cleanside.ingest.cli import main

    gc.freeze()  # what was loaded stays: the search for garbage before serving took three quarters of a start
    os.dup2(out.fileno(), 1)
    os.dup2(log.fileno(), 2)
    out.close()
    log.close()
    for name in [name for name in os.environ if name.startswith("CLEANSIDE_INGEST_")]:
        del os.environ[name]
    sys.exit(main(words))
