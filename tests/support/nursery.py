"""
Our commands as processes that need not load their modules: each begins as a copy of one that has.

Loading takes most of a start, and the tests start hundreds of servers and gateways. What runs is the command
itself, in a process of its own, with its own signals, files and exit code. Outside of pytest, as in a
benchmark, `start` starts the command as anybody does.

The nursery forks a keeper at each request. The keeper forks the command, waits for it and tells how it ended.
Where tests run in several processes, the one that hands them out keeps a nursery for all (`for_all`).
"""

from __future__ import annotations

import gc
import json
import os
import runpy
import select
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from importlib import import_module
from pathlib import Path
from typing import IO, Any, NoReturn

#: what the commands load; what is missing here, a command loads itself
LOADED = (
    *("cleanside.ingest.cli", "cleanside.ingest.commands.serve", "cleanside.ingest.api.connection"),
    *("uvicorn", "uvicorn.lifespan.on", "uvicorn.loops.uvloop", "anyio._backends._asyncio"),
    *("cleanside.gateway.cli", "cleanside.gateway.commands.run", "cleanside.gateway.sources.ndjson"),
)
MOST_BYTES = 2**17  # of a request, with its environment
PLACE = "CLEANSIDE_TESTS_NURSERY"  # in the environment: the socket of the nursery for all processes
_STDIN = 0


class Child:
    """A command that was started from the nursery, with the methods of `subprocess.Popen` that tests use."""

    def __init__(self, tells: IO[bytes], stdin: IO[bytes] | None, stdout: IO[bytes] | None) -> None:
        """tells : what its keeper writes: its pid, and later its exit code."""
        self._tells = tells
        self.pid = int(self._tells.readline())
        self.returncode: int | None = None
        self.stdin, self.stdout = stdin, stdout

    def poll(self) -> int | None:
        """Its exit code; None while it runs."""
        return self._ended_within(0.0)

    def wait(self, timeout: float | None = None) -> int:
        """Its exit code, once it has ended. Raises subprocess.TimeoutExpired."""
        code = self._ended_within(timeout)
        if code is None:
            raise subprocess.TimeoutExpired(str(self.pid), timeout or 0.0)
        return code

    def send_signal(self, number: int) -> None:
        """Send it a signal, unless it has ended."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def _ended_within(self, seconds: float | None) -> int | None:
        if self.returncode is None and select.select([self._tells], [], [], seconds)[0]:
            self.returncode = int(self._tells.readline())
            self._tells.close()
        return self.returncode


Process = Child | subprocess.Popen[bytes]


class Nursery:
    """
    A process that has loaded what the commands need; it begins with the first of them.

    Where there is one for all processes, it is that one.
    """

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._asks: socket.socket | None = None

    def ask(self, request: Mapping[str, Any], files: Sequence[int]) -> None:
        """Have a command started. files : its standard ones, and that in which the keeper tells of it."""
        if self._asks is None:
            self._asks = self._begun()
        socket.send_fds(self._asks, [json.dumps(request).encode()], files)

    def _begun(self) -> socket.socket:
        if place := os.environ.get(PLACE):
            asks = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            asks.connect(place)
            return asks
        asks, asked = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with asked:  # it has a copy: where it dies, asking fails
            self._process = _process("tend", asked, subprocess.DEVNULL)
        return asks

    def close(self) -> None:
        """End it, where it is of this process alone. Commands that still run go on."""
        if self._asks is not None:
            self._asks.close()
        if self._process is not None:
            self._process.wait(60.0)


def _process(function: str, asked: socket.socket, stdin: int) -> subprocess.Popen[bytes]:
    """A new process with one of the functions below, which gets the number of a socket."""
    script = f"from tests.support.nursery import {function}; {function}({asked.fileno()})"
    return subprocess.Popen(
        [sys.executable, "-c", script],
        stdin=stdin,
        stdout=subprocess.DEVNULL,
        pass_fds=[asked.fileno()],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )


@contextmanager
def for_all() -> Iterator[None]:
    """Until the block ends, processes that this one starts share a nursery; it begins when one needs it."""
    with tempfile.TemporaryDirectory() as folder:
        place = str(Path(folder) / "nursery")
        with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as entrance:
            entrance.bind(place)
            entrance.listen()
            process = _process("tend_all", entrance, subprocess.PIPE)
        os.environ[PLACE] = place
        try:
            yield
        finally:
            del os.environ[PLACE]
            assert process.stdin is not None
            process.stdin.close()
            process.wait(60.0)


_here: list[Nursery] = []  # the one of this session


@contextmanager
def nursery() -> Iterator[None]:
    """Until the block ends, `start` starts commands from a nursery."""
    _here.append(Nursery())
    try:
        yield
    finally:
        _here.pop().close()


def written(file: IO[Any]) -> str:
    """
    All whole lines that processes wrote to a file so far.

    Read by position: a seek would move the place where they write next, for they share it with this process.
    """
    text = os.pread(file.fileno(), os.fstat(file.fileno()).st_size, 0).decode()
    return text[: text.rfind("\n") + 1]


def start(
    command: Sequence[str],
    *,
    environ: Mapping[str, str],
    stderr: IO[Any],
    stdin: int = subprocess.DEVNULL,
    stdout: IO[Any] | int = subprocess.PIPE,
) -> Process:
    """
    Start `python -m` with a command: a module and its arguments.

    stdin : subprocess.DEVNULL or PIPE. stdout : subprocess.PIPE or a file. stderr : a file.
    """
    if not _here:
        arguments = [sys.executable, "-m", *command]
        return subprocess.Popen(arguments, stdin=stdin, stdout=stdout, stderr=stderr, env=environ)
    request = {"command": command, "environ": dict(environ), "folder": str(Path.cwd()), "umask": _umask()}
    with ExitStack() as theirs:  # our copies of what the command has
        reads, writes = _pipe(theirs, 0) if stdin == subprocess.PIPE else (_empty(theirs), None)
        says, listens = _pipe(theirs, 1) if isinstance(stdout, int) else (stdout.fileno(), None)
        told, tells = _pipe(theirs, 1)
        _here[-1].ask(request, [reads, says, stderr.fileno(), told])
    return Child(tells, writes, listens)


def ran(*command: str) -> subprocess.CompletedProcess[str]:
    """A command that was started and has ended: its exit code, and what it wrote."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as errors:
        code = start(command, environ=os.environ, stdout=out, stderr=errors).wait()
        written = []
        for file in (out, errors):
            file.seek(0)
            written.append(file.read().decode())
    return subprocess.CompletedProcess(command, code, *written)


def _pipe(theirs: ExitStack, end: int) -> tuple[int, IO[bytes]]:
    """Their end of a new pipe (0: to read, 1: to write), which is closed with the stack, and ours."""
    ends = os.pipe()
    theirs.callback(os.close, ends[end])
    return ends[end], os.fdopen(ends[1 - end], "rb" if end else "wb")


def _empty(theirs: ExitStack) -> int:
    return theirs.enter_context(Path(os.devnull).open("rb")).fileno()


def _umask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


# ---------------------------------------------------------------- in the nursery


def tend(number: int) -> None:
    """Load everything, then start what is asked for until the tests are over. number : the socket's file."""
    with socket.socket(fileno=number) as asked:
        _load()
        _tend([asked], None)


def tend_all(number: int) -> None:
    """The same for all that connect to the socket of this number, until standard input ends."""
    with socket.socket(fileno=number) as entrance:
        if _STDIN not in select.select([entrance.fileno(), _STDIN], [], [])[0]:
            _load()
            _tend([], entrance)


def _load() -> None:
    for name in LOADED:
        import_module(name)
    import_module("cleanside.ingest.api.app").all_routes()
    import_module("cleanside.ingest.console.every_page").all_pages()
    gc.collect()
    gc.freeze()  # what is loaded stays; nothing goes through it again


def _tend(asked: list[socket.socket], entrance: socket.socket | None) -> None:
    """asked : sockets with requests. entrance : where further ones come from, while standard input lasts."""
    entrances = [] if entrance is None else [entrance]
    while asked or entrances:
        by_number = {one.fileno(): one for one in (*asked, *entrances)}
        ready = select.select([*by_number, *([_STDIN] if entrances else [])], [], [])[0]
        if _STDIN in ready:
            return
        for one in map(by_number.__getitem__, ready):
            if one is entrance:
                asked.append(one.accept()[0])
            elif not _start_next(one, [*asked, *entrances]):
                asked.remove(one)
                one.close()


def _start_next(asked: socket.socket, ours: Sequence[socket.socket]) -> bool:
    """Start what is asked for. ours : sockets that no command gets. False: nothing is asked for any more."""
    request, files, _, _ = socket.recv_fds(asked, MOST_BYTES, 4)
    if not request:
        return False
    if os.fork() == 0:
        for one in ours:
            one.close()
        _keep(json.loads(request), *files)
    for file in files:
        os.close(file)
    _forget_keepers_that_ended()
    return True


def _forget_keepers_that_ended() -> None:
    with suppress(ChildProcessError):
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass


def _keep(request: Mapping[str, Any], stdin: int, stdout: int, stderr: int, told: int) -> None:
    command = os.fork()
    if command == 0:
        os.close(told)
        _become(request, stdin, stdout, stderr)
    for file in (stdin, stdout, stderr):
        os.close(file)
    os.write(told, f"{command}\n".encode())
    _, status = os.waitpid(command, 0)
    os.write(told, f"{os.waitstatus_to_exitcode(status)}\n".encode())
    os._exit(0)


def _become(request: Mapping[str, Any], *standard: int) -> NoReturn:
    for number, file in enumerate(standard):
        os.dup2(file, number)
        os.close(file)
    os.environ.clear()
    os.environ.update(request["environ"])
    time.tzset()
    os.chdir(request["folder"])
    os.umask(request["umask"])
    module, *sys.argv[1:] = request["command"]
    runpy.run_module(module, run_name="__main__", alter_sys=True)
    sys.exit()
