"""
The shell blocks of the documents, and a shell that runs them as a reader would: in order, in one folder.

A fenced block of `sh` is run. Comments say what else there is to know:

    <!-- not run: REASON -->       before a block: it is not run, and why
    <!-- may fail: REASON -->      before a block: a command of it may end with another code than 0, and why
    <!-- prints: TEXT -->          after a block: what it wrote contains this
    <!-- stop the server -->       the reader stops it with Ctrl-C

A block that serves goes on in the background, as in a terminal of its own.
"""

from __future__ import annotations

import os
import re
import shlex
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from queue import Empty, SimpleQueue

#: the address that the documents have
ADDRESS = "127.0.0.1:8750"
WITHIN_S = 300.0  # chosen: far beyond what a block takes, so that a hang ends
_PORT = re.compile(r"--port (\d+)")
_SERVES = re.compile(r"cleanside-(ingest serve|simulator demo --serve)")
_LISTENS = re.compile(r'(?:"listening": ?"|stays up at )https?://([\d.]+:\d+)')
_CALL = re.compile(r"(?:^|[\s/])(cleanside-(?:gateway|ingest|simulator)) ([a-z][^|&;<>\n]*)")
_PIECE = re.compile(
    r"<!-- (?P<word>not run|may fail|prints): (?P<said>.*?) -->|<!-- (?P<stop>stop the server) -->"
    r"|^```sh\n(?P<text>.*?)^```$",
    re.MULTILINE | re.DOTALL,
)


@dataclass(slots=True)
class Block:
    """One block, with what its comments say. text : "" where the server is stopped."""

    text: str
    not_run: str = ""
    may_fail: str = ""
    prints: list[str] = field(default_factory=list)

    @property
    def serves(self) -> bool:
        """True where it goes on until it is stopped."""
        return bool(_SERVES.search(self.text))


def blocks_of(page: str) -> list[Block]:
    """The blocks of a page, in order."""
    found: list[Block] = []
    said = {"not run": "", "may fail": ""}
    for piece in _PIECE.finditer(page):
        if piece["word"] in said:
            said[piece["word"]] = piece["said"]
        elif piece["word"] == "prints":
            found[-1].prints.append(piece["said"])
        elif piece["stop"]:
            found.append(Block(""))
        else:
            found.append(Block(piece["text"], said["not run"], said["may fail"]))
            said = dict.fromkeys(said, "")
    return found


def commands_of(block: Block) -> Iterator[tuple[str, list[str]]]:
    """Each call of a program of ours in a block: its name, and its words."""
    for name, words in _CALL.findall(block.text.replace("\\\n", " ")):
        yield name, shlex.split(words, comments=True)


class Running:
    """A process in a session of its own, whose lines are read as they come."""

    def __init__(self, command: Sequence[str], *, folder: Path, environ: Mapping[str, str]) -> None:
        self._lines: SimpleQueue[str] = SimpleQueue()
        self._process = subprocess.Popen(
            command,
            cwd=folder,
            env=environ,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout:
            for line in self._process.stdout:
                self._lines.put(line)
        self._lines.put("")

    def send(self, text: str) -> None:
        """Write to its standard input."""
        assert self._process.stdin is not None
        self._process.stdin.write(text)
        self._process.stdin.flush()

    def lines(self) -> Iterator[str]:
        """Lines as they come, until the end, or until none comes for too long."""
        while True:
            try:
                line = self._lines.get(timeout=WITHIN_S)
            except Empty:
                yield f"<nothing was written for {WITHIN_S} s>"
                return
            if not line:
                return
            yield line

    def end(self, number: signal.Signals) -> None:
        """Send its session a signal, and wait; what is left of it is killed."""
        for each in (number, signal.SIGKILL):
            with suppress(ProcessLookupError):
                os.killpg(self._process.pid, each)
            self._process.wait(WITHIN_S)
        assert self._process.stdin is not None
        with suppress(BrokenPipeError):
            self._process.stdin.close()
        self._reader.join(WITHIN_S)


class Shell:
    """Bash in a folder that has `.venv`, with data and state of its own, and the servers it started."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        (folder / ".venv").symlink_to(sys.prefix)
        kept = {name: value for name, value in os.environ.items() if not name.startswith("CLEANSIDE_")}
        places = {"HOME": "home", "XDG_DATA_HOME": "data", "XDG_STATE_HOME": "state"}
        self._environ = kept | {name: str(folder / place) for name, place in places.items()}
        self._environ["CLEANSIDE_INGEST_PORT"] = "0"
        self._addresses: dict[str, str] = {}  # as the documents have it -> where it listens
        self._servers: list[Running] = []
        self._bash = self._start("bash", "-s")

    def _start(self, *command: str) -> Running:
        return Running(command, folder=self._folder, environ=self._environ)

    def run(self, block: Block) -> str:
        """Run a block. Returns what it wrote. Raises AssertionError where it fails or does not print."""
        if not block.text:
            self.stop_server()
            return ""
        written = self._serve(block.text) if block.serves else self._do(block)
        for text in block.prints:
            assert text in written, f"{text!r} is not in what was written:\n{block.text}\n{written}"
        return written

    def _do(self, block: Block) -> str:
        text = block.text
        for written_so, listens_at in self._addresses.items():
            text = text.replace(written_so, listens_at)
        (self._folder / "block.sh").write_text(text)
        strict = "+e" if block.may_fail else "-e"
        self._bash.send(
            f"set {strict} -uo pipefail; source block.sh < /dev/null; set +e; printf '\\n<done>\\n'\n"
        )
        written: list[str] = []
        for line in self._bash.lines():
            if line == "<done>\n":
                return "".join(written)
            written.append(line)
        raise AssertionError(f"a command failed:\n{block.text}\n{''.join(written)}")

    def _serve(self, text: str) -> str:
        server = self._start("bash", "-euc", _PORT.sub("--port 0", text))
        self._servers.append(server)
        beside = _PORT.search(text)
        written: list[str] = []
        for line in server.lines():
            written.append(line)
            if found := _LISTENS.search(line):
                port = found[1].rpartition(":")[2]
                self._addresses[f"127.0.0.1:{beside[1]}" if beside else ADDRESS] = found[1]
                if len(self._servers) == 1:  # the one that commands ask
                    self._environ["CLEANSIDE_INGEST_PORT"] = port
                    self._do(Block(f"export CLEANSIDE_INGEST_PORT={port}"))
                return "".join(written)
        raise AssertionError(f"it does not serve:\n{text}\n{''.join(written)}")

    def stop_server(self) -> None:
        """Ctrl-C in the terminal of the server that was started last, and wait."""
        if self._servers:
            self._servers.pop().end(signal.SIGINT)

    def close(self) -> None:
        """End everything that was started."""
        while self._servers:
            self.stop_server()
        self._bash.end(signal.SIGTERM)
