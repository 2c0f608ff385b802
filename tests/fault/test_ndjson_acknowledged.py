"""What a program that writes lines is answered: on disk, or why not; never a word too early."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.commands import status
from cleanside.gateway.commands.feed import BRIDGE_READINGS, Feed
from cleanside.gateway.errors import SourceWrong
from cleanside.gateway.sources.ndjson import NdjsonSource
from cleanside.gateway.spool.queue import Spool
from tests.fault.test_gateway_dead_disk import DEAD, WELL, running
from tests.support.coded import refused
from tests.support.gatewaying import wait_until
from tests.unit.gateway.helpers import DEVICE, numbers, open_spool, server_anchor, settable_clock
from tests.unit.gateway.sources.test_csv import Taken

ENTRY = {"use": "ndjson", "units": {"restriction": "kPa", "engine_speed": "r/min"}, "acknowledge": True}
OPTION = "ndjson units.restriction=kPa units.engine_speed=r/min acknowledge=true"


def answered(spool: Spool, text: bytes, **more: Any) -> list[dict[str, Any]]:
    """What the source says to lines on a pipe, all of them read to their end."""
    ours, theirs = os.pipe()
    heard, said = os.pipe()
    feed = Feed(
        spool,
        {**ENTRY, **more},
        number=1,
        clock=settable_clock(),
        log=lambda *_, **__: None,
        stop=threading.Event(),
    )
    feed._source._descriptor, feed._source._answer_to = ours, said  # type: ignore[attr-defined]
    writer = threading.Thread(target=lambda: _write(theirs, text))
    answers: list[bytes] = []
    reader = threading.Thread(target=lambda: answers.append(_read(heard)))
    writer.start()
    reader.start()
    feed.run()
    os.close(said)
    writer.join()
    reader.join()
    os.close(ours)
    return [json.loads(line) for line in answers[0].splitlines()]


def _write(descriptor: int, text: bytes) -> None:
    with os.fdopen(descriptor, "wb") as pipe:
        pipe.write(text)


def _read(descriptor: int) -> bytes:
    with os.fdopen(descriptor, "rb") as pipe:
        return pipe.read()


def test_each_line_is_answered_with_its_count_or_the_callers_id(tmp_path: Path) -> None:
    lines = [
        b'{"restriction": 1}',
        b"",
        b'{"restriction": 2, "id": "a7"}',
        b'{"restriction": 3, "id": 12}',
        b"not JSON",
        b'{"restriction": "high", "id": "a8"}',
        b'{"supply_voltage": 27}',
        b'{"restriction": 5, "id": [1]}',
        b'{"engine_speed": 1152921504606846976}',
        b'{"restriction": ' + b"1" * 70_000 + b"}",
        b'{"restriction": 6}',
    ]
    with open_spool(tmp_path / "a") as spool:
        said = answered(spool, b"\n".join(lines))
        held = spool.state().backlog
    by_line = {answer["line"]: answer for answer in said}
    assert len(said) == len(by_line) == 10, "one answer a line, and none for an empty one"
    assert by_line[1] == {"line": 1, "on_disk": True}
    assert by_line[3] == {"line": 3, "id": "a7", "on_disk": True}
    assert by_line[4] == {"line": 4, "id": 12, "on_disk": True}
    assert [number for number, answer in sorted(by_line.items()) if answer["on_disk"]] == [1, 3, 4, 11]
    refused = {number: answer["reason"] for number, answer in by_line.items() if not answer["on_disk"]}
    assert all(refused.values())
    assert by_line[6]["id"] == "a8"
    assert "longer than" in refused[10]
    assert held == 4


def test_without_the_option_an_id_is_left_out_and_no_word_comes_back(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        assert answered(spool, b'{"restriction": 1}\n{"restriction": 2, "id": 1}\n', acknowledge=False) == []
        assert spool.state().backlog == 2  # each line is kept as far as it is known
    with refused(SourceWrong, "option_not_a_switch", name="acknowledge"):
        NdjsonSource({"units": {"restriction": "kPa"}, "acknowledge": "perhaps"}, Taken().context)


def test_many_lines_are_all_answered(tmp_path: Path) -> None:
    count = 30_000
    with open_spool(tmp_path / "a") as spool:
        said = answered(spool, b"".join(b'{"restriction": %d}\n' % n for n in range(count)))
        assert spool.state().backlog == count
    assert [answer["line"] for answer in said] == list(range(1, count + 1))
    assert all(answer["on_disk"] for answer in said)


# ------------------------------------------------------------ a real gateway


class Client:
    """A program with a line to the gateway, and its answers."""

    def __init__(self, path: Path) -> None:
        self.way = socket.socket(socket.AF_UNIX)

        def is_connected() -> bool:
            with suppress(OSError):
                self.way.connect(os.fspath(path))
                return True
            return False

        wait_until(is_connected, "the socket is listened on")
        self.way.settimeout(60)
        self.answers = self.way.makefile("rb")

    def send(self, first: int, last: int) -> None:
        rows = [{"restriction": number / 100, "engine_speed": number} for number in range(first, last + 1)]
        self.way.sendall("".join(json.dumps(row) + "\n" for row in rows).encode())

    def hear(self, count: int) -> list[dict[str, Any]]:
        return [json.loads(self.answers.readline()) for _ in range(count)]

    def close(self) -> None:
        self.answers.close()
        self.way.close()


@contextmanager
def client(path: Path) -> Iterator[Client]:
    made = Client(path)
    try:
        yield made
    finally:
        made.close()


def on_disk(path: Path) -> list[int]:
    """All readings of a spool that no process runs."""
    clock = settable_clock()
    with open_spool(path, clock) as spool:
        spool.anchor(server_anchor(clock))
        return numbers(spool.peek(max_readings=5000, max_bytes=2**22))


def appended(path: Path) -> int:
    """How many readings a spool took, read beside the process that runs it."""
    return sum(stream.appended_through for stream in status.read(path, now_us=0).spool.streams)


def test_what_was_acknowledged_on_a_socket_survives_a_kill(tmp_path: Path) -> None:
    with (
        running(tmp_path, "--source", f"{OPTION} socket={tmp_path}/in") as gateway,
        client(tmp_path / "in") as one,
        client(tmp_path / "in") as two,
    ):
        one.send(1, 300)
        two.send(301, 600)
        said = [one.hear(300), two.hear(300)]
        gateway.process.kill()
        gateway.process.wait(30)
    for answers in said:
        assert [answer["line"] for answer in answers] == list(range(1, 301))
        assert all(answer["on_disk"] for answer in answers)
    assert sorted(on_disk(tmp_path / "a")) == list(range(1, 601))


def test_while_the_disk_takes_no_writes_no_answer_comes_and_afterwards_all_do(tmp_path: Path) -> None:
    with running(tmp_path, "--source", f"{OPTION} socket={tmp_path}/in") as gateway:
        with client(tmp_path / "in") as one:
            one.send(1, 5)
            assert len(one.hear(5)) == 5
            gateway.disk(DEAD)
            one.send(6, 900)
            one.way.shutdown(socket.SHUT_WR)  # it has said all, and waits for the answers
            gateway.until("gateway.append_failed")
            one.way.setblocking(False)
            with pytest.raises(BlockingIOError):
                one.way.recv(1)
            one.way.settimeout(60)
            gateway.disk(WELL)
            assert [answer["line"] for answer in one.hear(895)] == list(range(6, 901))
            assert one.answers.readline() == b"", "the end comes after the last answer"
        gateway.process.send_signal(signal.SIGTERM)
        gateway.process.wait(30)
    assert on_disk(tmp_path / "a") == list(range(1, 901))


def test_what_is_lost_for_want_of_room_is_answered_with_the_reason(tmp_path: Path) -> None:
    source = f"{OPTION} socket={tmp_path}/in"
    with (
        running(tmp_path, "--source", source, "--run-stop-wait-s", "0.1") as gateway,
        client(tmp_path / "in") as one,
    ):
        one.send(1, 1)
        one.hear(1)
        gateway.disk(DEAD)
        one.send(2, BRIDGE_READINGS + 2_250)
        first = one.hear(1)[0]
        assert (first["line"], first["on_disk"]) == (2, False)
        assert "no more room" in first["reason"]


def test_a_client_that_does_not_read_its_answers_stops_nobody(tmp_path: Path) -> None:
    with running(tmp_path, "--source", f"{OPTION} socket={tmp_path}/in") as gateway:
        with client(tmp_path / "in") as deaf, client(tmp_path / "in") as other:
            for first in range(1, 60_001, 1_000):
                deaf.send(first, first + 999)
            other.send(70_001, 70_010)
            assert len(other.hear(10)) == 10
        gateway.process.send_signal(signal.SIGTERM)
        assert gateway.end() == 0
    with open_spool(tmp_path / "a") as spool:
        assert spool.state().backlog >= 50_010


def test_standard_input_is_answered_on_standard_output(tmp_path: Path) -> None:
    flags = ["--device", DEVICE, "--spool-path", str(tmp_path / "a"), "--run-exit-when-done"]
    source = ["--source", OPTION]
    lines = '{"restriction": 1}\n{"restriction": 2, "id": "x"}\n{"restriction": "no"}\n'
    with running_command([*flags, *source]) as gateway:
        assert gateway.stdin is not None
        assert gateway.stdout is not None
        gateway.stdin.write(lines)
        gateway.stdin.flush()
        said = {
            answer["line"]: answer for answer in (json.loads(gateway.stdout.readline()) for _ in range(3))
        }
        gateway.stdin.close()
        gateway.terminate()
        gateway.wait(30)
    assert said[1] == {"line": 1, "on_disk": True}
    assert said[2] == {"line": 2, "id": "x", "on_disk": True}
    assert said[3]["on_disk"] is False


@contextmanager
def running_command(arguments: list[str]) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-m", "cleanside.gateway", "run", *arguments]
    gateway = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    with gateway:
        try:
            yield gateway
        finally:
            gateway.kill()


def test_a_reader_of_answers_that_is_gone_stops_no_line(tmp_path: Path) -> None:
    with running(tmp_path, "--source", f"{OPTION} socket={tmp_path}/in"):
        with client(tmp_path / "in") as gone:
            gone.send(1, 50)
        with client(tmp_path / "in") as one:
            one.send(51, 60)
            assert [answer["line"] for answer in one.hear(10)] == list(range(1, 11))
        wait_until(lambda: appended(tmp_path / "a") == 60, "the lines of both are on disk")
    assert sorted(on_disk(tmp_path / "a")) == list(range(1, 61))
