"""Enrolment on the machine: against the real server, over a link that loses replies; no secret is shown."""

from __future__ import annotations

import io
import stat
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.cli import main
from cleanside.gateway.commands.enrol import Again, IssuedKey, enrol, meaning, read_code
from cleanside.gateway.errors import CalledWrongly, TryAgain
from cleanside.gateway.uplink.transport import HttpTransport, NoAnswer, Reply
from tests.support.coded import refused
from tests.support.link import Link
from tests.support.serving import ServerProcess, batch

DEVICE = "loader-02-intake"
NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    from tests.support.databases import migrated_sqlite
    from tests.support.serving import as_process

    with as_process(migrated_sqlite(tmp_path_factory.mktemp("shop"))) as server:
        with server.client("admin") as client:
            client.post("/v1/machines", json={"machine": "loader-02"}).raise_for_status()
        yield server


def code_of(server: ServerProcess, device: str = DEVICE) -> str:
    with server.client("operator") as client:
        made = client.post("/v1/enrolments", json={"device": device, "machine": "loader-02"})
    code: str = made.json()["code"]
    return code


def command(server: str, key_file: Path, *more: str, device: str = DEVICE) -> int:
    where = ["--uplink-server", server, "--uplink-key-file", str(key_file), "--uplink-timeout-s", "5"]
    return main(["enrol", "--device", device, *where, *more])


def test_the_command_writes_the_key_where_only_its_user_reads_it_and_shows_nothing_secret(
    shop: ServerProcess, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    code, key_file = code_of(shop), tmp_path / "device.key"
    monkeypatch.setattr("sys.stdin", io.StringIO(code + "\n"))
    assert command(shop.url, key_file) == 0
    assert stat.S_IMODE(key_file.stat().st_mode) == 0o600
    key = key_file.read_text().strip()
    shown = "".join(capsys.readouterr()) + shop.log()
    assert "loader-02" in shown
    for secret in (code, code.replace("-", ""), key, key.partition(".")[2]):
        assert secret not in shown
    assert [path.name for path in tmp_path.iterdir()] == ["device.key"]
    with shop.client(None) as client:
        document = batch(1, [3.0]) | {"device": DEVICE}
        sent = client.post("/v1/readings", json=document, headers={"Authorization": f"Bearer {key}"})
    assert sent.json()["stored"] == 1


def test_a_code_comes_from_a_file_too(shop: ServerProcess, tmp_path: Path) -> None:
    (tmp_path / "code").write_text(code_of(shop).lower() + "\n")
    assert command(shop.url, tmp_path / "device.key", "--code-file", str(tmp_path / "code")) == 0


def test_a_code_is_never_an_argument(shop: ServerProcess, tmp_path: Path) -> None:
    """Others on the machine see the arguments of a process, and shells keep them."""
    with pytest.raises(SystemExit):
        command(shop.url, tmp_path / "device.key", "--code", code_of(shop))


def test_a_key_file_that_is_there_is_left_alone(
    shop: ServerProcess, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    key_file = tmp_path / "device.key"
    key_file.write_text("the old key")
    monkeypatch.setattr("sys.stdin", io.StringIO(code_of(shop)))
    assert command(shop.url, key_file) == 2
    assert key_file.read_text() == "the old key"


def test_a_code_that_is_refused_ends_the_command_with_the_reason(
    shop: ServerProcess, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("00000-00000-00000"))
    assert command(shop.url, tmp_path / "device.key") == 2
    assert "not valid" in capsys.readouterr().err
    assert not (tmp_path / "device.key").exists()


def transport(url: str) -> HttpTransport:
    return HttpTransport(url, key=None, timeout_s=5.0)


def test_lost_replies_do_not_use_the_code_up(shop: ServerProcess, tmp_path: Path) -> None:
    paused: list[float] = []
    said: list[str] = []
    with Link(shop.port) as link:
        link.lose_replies(3)
        way = transport(link.url)
        done = enrol(
            way,
            tmp_path / "device.key",
            code=code_of(shop),
            device=DEVICE,
            new_attempt=lambda: "a-random-word",
            sleep=paused.append,
            now=lambda: NOW,
            say=said.append,
        )
        way.close()
        assert link.replies_lost == 3
    assert paused == [2.0, 4.0, 8.0]
    assert ["next try in 2 s" in said[0], "next try in 4 s" in said[1], len(said)] == [True, True, 3]
    assert done.key not in repr(done)


def test_a_command_cut_short_goes_on_with_its_attempt_at_the_next_call(
    shop: ServerProcess, tmp_path: Path
) -> None:
    code, key_file = code_of(shop), tmp_path / "device.key"
    attempts = iter(["first-word", "second-word"])
    arguments: dict[str, Any] = {
        "code": code,
        "device": DEVICE,
        "sleep": lambda _: None,
        "now": lambda: NOW,
        "say": lambda _: None,
        "new_attempt": lambda: next(attempts),
    }
    with Link(shop.port) as link:
        link.lose_replies(100)
        way = transport(link.url)
        with refused(TryAgain, "not_enrolled_yet"):
            enrol(way, key_file, **arguments)
        link.lose_replies(0)
        enrol(way, key_file, **arguments)
        way.close()
    assert key_file.exists()
    assert next(attempts) == "second-word"  # it was not asked for


JSON = {"content-type": "application/json"}
PROBLEM = {"content-type": "application/problem+json"}


@pytest.mark.parametrize(
    ("answer", "pause_s"),
    [
        (NoAnswer("no route"), 0.0),
        (Reply(status=200, headers={"content-type": "text/html"}, body=b"<html>"), 0.0),
        (Reply(status=201, headers=JSON, body=b'{"device": "another", "key": "k.s"}'), 0.0),
        (Reply(status=403, headers={"content-type": "text/html"}, body=b"portal"), 0.0),
        (Reply(status=429, headers={**PROBLEM, "retry-after": "17"}, body=b'{"code": "over_quota"}'), 17.0),
        (Reply(status=503, headers={**PROBLEM, "retry-after": "9"}, body=b'{"code": "overloaded"}'), 9.0),
    ],
)
def test_what_is_no_answer_of_our_server_is_asked_again(answer: Any, pause_s: float) -> None:
    found = meaning(answer, DEVICE, now=NOW)
    assert isinstance(found, Again)
    assert found.pause_s == pause_s


def test_what_the_server_gave_is_taken() -> None:
    body = b'{"device": "loader-02-intake", "machine": "loader-02", "key": "k1.s"}'
    found = meaning(Reply(status=201, headers=JSON, body=body), DEVICE, now=NOW)
    assert found == IssuedKey(DEVICE, "loader-02", "k1.s")


def test_a_code_is_asked_for_on_a_terminal_without_showing_it() -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    assert read_code(None, Terminal(), lambda _: " K7M3A-9QTWX-2BDF4 ") == "K7M3A-9QTWX-2BDF4"
    with refused(CalledWrongly, "no_code"):
        read_code(None, io.StringIO(""), lambda _: "")
