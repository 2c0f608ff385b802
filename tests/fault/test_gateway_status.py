"""`status` beside real gateways in trouble: what it finds, and the exit code that a script gets."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.commands.live import ask
from cleanside.gateway.commands.run import Gateway as InProcess
from cleanside.gateway.commands.standing import CANNOT_TELL, FINE, NEEDS_PERSON, findings, look
from cleanside.gateway.commands.standing_text import as_text
from cleanside.gateway.settings import Settings
from cleanside.gateway.uplink.fakes import FakeServer
from tests.fault.test_gateway_dead_disk import COUNT, running
from tests.support.gatewaying import wait_until
from tests.unit.gateway.helpers import DEVICE, open_spool, readings, server_anchor, settable_clock
from tests.unit.gateway.uplink.test_transport import Site, answer


def status(folder: Path) -> tuple[int, dict[str, Any]]:
    """What the command says for programs, with its exit code."""
    flags = ["--device", DEVICE, "--spool-path", str(folder / "a"), "--json"]
    ended = subprocess.run(
        [sys.executable, "-m", "cleanside.gateway", "status", *flags],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.stdout, ended.stderr
    return ended.returncode, json.loads(ended.stdout)


def codes(document: dict[str, Any]) -> set[str]:
    return {finding["code"] for finding in document["findings"]}


def test_a_disk_that_takes_no_writes_is_said_with_the_readings_that_wait_for_it(tmp_path: Path) -> None:
    with running(tmp_path, "--run-stop-wait-s", "0.1") as gateway:
        gateway.bridge()
        code, document = status(tmp_path)
        assert code == NEEDS_PERSON
        assert {"disk_takes_no_writes", "readings_in_memory"} <= codes(document)
        assert document["in_memory"] == COUNT
        assert document["disk"]["failing_s"] >= 0
        assert document["disk"]["reason"]
        assert document["last_reading"]["values"]["restriction"] == {"value": COUNT / 100, "unit": "kPa"}
        assert document["process"]["pid"] == gateway.process.pid


READ_ONLY = """
import json, subprocess, sys
from pathlib import Path
from cleanside.gateway.commands.live import ask
from tests.fault.test_gateway_dead_disk import running
from tests.fault.test_gateway_status import status

folder = Path(sys.argv[1])
subprocess.run(["mount", "-t", "tmpfs", "none", str(folder)], check=True)
with running(folder) as gateway:
    gateway.until("gateway.started")
    gateway.write(1, 3)
    while status(folder)[1].get("backlog") != 3:
        pass
    gateway.process.kill()
    gateway.process.wait()
subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
print(json.dumps(status(folder)))
"""


SAME_NUMBER = """
import fcntl, os, subprocess, sys
from pathlib import Path
from cleanside.gateway.commands.live import ask
from cleanside.gateway.spool.known import lock_path

disks = [Path(sys.argv[1]) / name for name in ("one", "other")]
locks = [lock_path(disk / "a.spool") for disk in disks]
for disk, lock in zip(disks, locks):
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "none", str(disk)], check=True)
    lock.touch()
assert locks[0].stat().st_ino == locks[1].stat().st_ino
with locks[0].open() as held:
    fcntl.flock(held, fcntl.LOCK_EX)
    assert ask(disks[0] / "a.spool").pid == os.getpid()
    assert ask(disks[1] / "a.spool").state == "gone"
"""


def may_mount() -> bool:
    made = subprocess.run(
        ["unshare", "-rm", "mount", "-t", "tmpfs", "none", "/mnt"], capture_output=True, check=False
    )
    return made.returncode == 0


def with_mounts(script: str, folder: Path) -> str:
    """Run a script that may mount what it likes. Returns what it printed."""
    ended = subprocess.run(
        ["unshare", "-rm", sys.executable, "-c", script, str(folder)],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
        check=False,
    )
    assert ended.returncode == 0, ended.stderr
    return ended.stdout


@pytest.mark.skipif(not may_mount(), reason="no mounts of one's own here (user namespaces)")
def test_a_read_only_disk_is_said_and_what_it_holds_is_read(tmp_path: Path) -> None:
    code, document = json.loads(with_mounts(READ_ONLY, tmp_path))
    assert (code, document["disk"]["read_only"], document["backlog"]) == (CANNOT_TELL, True, 3)
    assert codes(document) == {"not_running", "disk_read_only"}


def test_a_gateway_that_is_gone_is_said_and_one_that_is_started_again_answers(tmp_path: Path) -> None:
    with running(tmp_path) as gateway:
        gateway.until("gateway.started")
        gateway.write(1, 3)
        wait_until(lambda: status(tmp_path)[1].get("backlog") == 3, "three readings are on disk")
        code, document = status(tmp_path)
        assert (code, document["process"]["state"], codes(document)) == (FINE, "runs", set())
        gateway.process.kill()
        gateway.process.wait(30)
        assert (tmp_path / "a.live").exists(), "what a killed process leaves behind tells nothing"
        code, document = status(tmp_path)
        assert (code, document["process"]["state"], codes(document)) == (CANNOT_TELL, "gone", {"not_running"})
        assert document["last_write_s"] >= 0
        assert document["last_reading"]["values"]["engine_speed"]["value"] == 3
        assert document["last_reading"]["age_s"] >= 0
    with running(tmp_path) as gateway:
        gateway.until("gateway.started")
        wait_until(lambda: ask(tmp_path / "a").state == "runs", "it answers")
        assert ask(tmp_path / "a").pid == gateway.process.pid
        gateway.process.send_signal(signal.SIGTERM)
        gateway.process.wait(30)
        assert not (tmp_path / "a.live").exists()


def test_a_gateway_that_hangs_is_told_from_one_that_is_gone(tmp_path: Path) -> None:
    with running(tmp_path) as gateway:
        gateway.until("gateway.started")
        wait_until(lambda: ask(tmp_path / "a").state == "runs", "it answers")
        gateway.process.send_signal(signal.SIGSTOP)
        code, document = status(tmp_path)
        assert (code, codes(document)) == (CANNOT_TELL, {"no_answer"})
        assert document["process"]["pid"] == gateway.process.pid


def test_lines_that_were_refused_are_counted_and_the_last_reason_is_said(tmp_path: Path) -> None:
    with running(tmp_path) as gateway:
        gateway.until("gateway.started")
        assert gateway.process.stdin is not None
        gateway.process.stdin.write('{"restriction": "high"}\n' * 300 + "no JSON\n" * 8)
        gateway.process.stdin.flush()
        wait_until(lambda: status(tmp_path)[1]["refused"] == 308, "all are counted")
        code, document = status(tmp_path)
    assert (code, codes(document)) == (NEEDS_PERSON, {"lines_refused"})
    assert "not JSON" in document["sources"][0]["last_refusal"]


def test_a_key_that_the_server_refuses_is_said_with_its_word_and_the_next_try(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CLEANSIDE_GATEWAY_KEY", "k0.of-another-device")
    site = Site()
    body = b'{"code": "device_not_allowed", "detail": "this key is of loader-03"}'
    site.behaviour = answer(403, body, Content_Type="application/problem+json")
    try:
        with running(tmp_path, "--uplink-server", site.url) as gateway:
            gateway.until("gateway.key_refused")
            wait_until(lambda: ask(tmp_path / "a").state == "runs", "it answers")
            code, document = status(tmp_path)
    finally:
        site.close()
    assert (code, codes(document)) == (NEEDS_PERSON, {"key_refused"})
    server = document["server"]
    assert "403: device_not_allowed: this key is of loader-03" in server["last_word"]
    assert (server["address"], server["waits_for"]) == (site.url, "key")
    assert 0 < server["next_try_s"] <= 300
    assert server["failing_s"] >= 0


@pytest.fixture
def sound(tmp_path: Path) -> InProcess:
    """A gateway whose server keeps the contract, in another time."""
    clock = settable_clock()
    settings = Settings(device=DEVICE, spool_path=tmp_path / "a", uplink_server="http://127.0.0.1:9")
    server = FakeServer(now_us=clock.true_us)
    return InProcess(settings, clock=clock, transport=server, log=lambda *_, **__: None, tells=True)


def test_a_gateway_that_has_nothing_to_do_is_fine(sound: InProcess, tmp_path: Path) -> None:
    thread = threading.Thread(target=sound.run)
    thread.start()
    try:
        sound.spool.append(readings(1, 30))
        wait_until(lambda: sound.spool.state().backlog == 0, "all is acknowledged")
        wait_until(lambda: sound.told()["link"]["waits_for"] == "readings", "it waits for readings")
        standing = look(tmp_path / "a", sound.clock)
    finally:
        sound.stop()
        thread.join(10)
    assert (standing.exit_code, findings(standing)) == (FINE, [])
    assert standing.link is not None
    assert (standing.link["failing_s"], standing.link["last_word"]) == (None, "status 200")
    assert standing.newest is not None
    assert standing.newest.values["engine_speed"] == (30, "r/min")


def test_a_path_longer_than_an_address_of_a_socket_is_answered_too(tmp_path: Path) -> None:
    folder = tmp_path / ("long" * 30)
    folder.mkdir()
    with running(folder) as gateway:
        gateway.until("gateway.started")
        wait_until(lambda: ask(folder / "a").state == "runs", "it answers")


def test_a_socket_that_cannot_be_made_stops_nothing(tmp_path: Path) -> None:
    (tmp_path / "a.live").write_text("somebody's file\n")
    with running(tmp_path) as gateway:
        gateway.until("gateway.status_socket_failed")
        gateway.write(1, 2)
        wait_until(lambda: status(tmp_path)[1].get("backlog") == 2, "the readings are on disk")
        code, document = status(tmp_path)
        assert (code, document["process"]["state"]) == (CANNOT_TELL, "silent")
        assert document["process"]["pid"] == gateway.process.pid
    assert (tmp_path / "a.live").read_text() == "somebody's file\n"


def test_all_of_it_fits_on_one_screen(tmp_path: Path) -> None:
    """However many streams, files and days there are; 24 lines, as terminals have had since the first."""
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append(readings(1, 9))
        spool.anchor(server_anchor(clock))
        for _ in range(20):
            spool.fork("stream_forked")
            spool.append(readings(1, 1))
            spool.count_traffic(up_bytes=10**12, down_bytes=10**12)
            spool.note("link", {"failing": True, "last_error": "x " * 500})
            clock.advance(86_400)
    for number in range(1, 40):
        (tmp_path / f"a.damaged-{number}").write_bytes(b"x")
    standing = look(tmp_path / "a", clock)
    text = as_text(standing).splitlines()
    assert len(text) <= 24
    assert max(map(len, text)) <= 118
    assert len(standing.aside) == 39


def test_what_is_no_gateway_at_the_socket_is_no_answer(tmp_path: Path) -> None:
    open_spool(tmp_path / "a").close()
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "a.live"))
        listener.listen()

        def talk() -> None:
            connection, _ = listener.accept()
            with connection:
                connection.sendall(b"[1, 2]")

        thread = threading.Thread(target=talk)
        thread.start()
        assert ask(tmp_path / "a").state == "silent"
        thread.join()


@pytest.mark.skipif(not may_mount(), reason="no mounts of one's own here (user namespaces)")
def test_a_gateway_on_another_disk_holds_no_spool_of_this_one(tmp_path: Path) -> None:
    """Files of two disks may have one number."""
    with_mounts(SAME_NUMBER, tmp_path)
