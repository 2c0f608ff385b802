"""The command `import`: what it says, its exit codes, and whom it asks while a server serves."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from cleanside.gateway.bundle import BundleWriter, mac_secret
from cleanside.gateway.wire import Batch, encode, parse_instant
from cleanside.ingest.cli import main
from cleanside.ingest.intake import codes
from cleanside.ingest.store import database
from tests.support.coded import sentence
from tests.support.held import quarantined_of, readings_of
from tests.support.serving import DEVICE, STREAM, make_keys

AT_US = parse_instant("2026-03-02T06:00:00Z").us


@pytest.fixture
def tokens(sqlite_database_url: str) -> dict[str, str]:
    return make_keys(sqlite_database_url, [DEVICE])


def a_bundle(path: Path, key: str, *, blocks: int = 2) -> Path:
    writer = BundleWriter(path, device=DEVICE, secret=mac_secret(key))
    for n in range(blocks):
        batch = Batch(
            device=DEVICE,
            stream=STREAM,
            seq=[n + 1],
            at_us=[AT_US + n * 10_000_000],
            units={"restriction": "kPa"},
            columns={"restriction": [3.0]},
        )
        writer.write(encode(batch))
    writer.finish()
    return path


def words(url: str, *more: object) -> list[str]:
    return ["import", "--database", url, "--owner", "plateau", *map(str, more)]


def test_it_says_what_was_taken_and_ends_well(
    sqlite_database_url: str, tokens: dict[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = a_bundle(tmp_path / "b", tokens["device"])
    assert main(words(sqlite_database_url, path)) == 0
    # The device is not registered: its readings are quarantined until it is.
    said = f"{path}: device {DEVICE}, 2 blocks: 0 stored, 0 known already, 2 in quarantine\n"
    assert capsys.readouterr().out == said


def test_what_is_not_taken_is_named_and_ends_with_one(
    sqlite_database_url: str, tokens: dict[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = a_bundle(tmp_path / "whole", tokens["device"])
    cut = tmp_path / "cut"
    cut.write_bytes(whole.read_bytes()[:-40])
    letter = tmp_path / "letter"
    letter.write_text("dear shop")
    other = a_bundle(tmp_path / "other", "k00000000.ff")
    assert main(words(sqlite_database_url, cut, letter, other)) == 1
    said = capsys.readouterr().out.splitlines()
    assert said[0].startswith(f"{cut}: device {DEVICE}, 1 block: ")
    assert said[1].startswith("  not taken: block 2 is cut short; what stands before it is good; ")
    assert codes.NEXT_STEPS["bundle_cut_short"] in said[1]
    assert said[2].startswith(f"{letter}: not taken: block 1 cannot be reached")
    assert said[3].startswith(
        f"{other}: not taken: {sentence('bundle_not_authentic', because='no key of device')}"
    )


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ([], "give --key-file FILE with an operator's key"),
        (["--server", "http://shop.example"], "neither https nor on this machine"),
        (["--key-file", "missing.key"], "check --key-file"),
    ],
)
def test_while_a_server_serves_it_has_to_be_asked(
    sqlite_database_url: str,
    tokens: dict[str, str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    more: list[str],
    message: str,
) -> None:
    path = a_bundle(tmp_path / "b", tokens["device"])
    with database.exclusive(sqlite_database_url):
        assert main(words(sqlite_database_url, path, *more)) == 2
    assert message in capsys.readouterr().err


@contextmanager
def somebody(status: int, body: bytes) -> Iterator[str]:
    """Somebody who answers on loopback."""

    class Answers(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers.get("content-length", "0")))
            self.send_response(status)
            self.send_header("content-length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    site = HTTPServer(("127.0.0.1", 0), Answers)
    thread = threading.Thread(target=site.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{site.server_port}"
    finally:
        site.shutdown()
        thread.join()
        site.server_close()


@pytest.mark.parametrize(
    ("status", "body", "code", "message"),
    [
        (403, b'{"code": "role_not_allowed", "detail": "use one of role operator"}', 1, "use one of role"),
        (200, b"<html>welcome</html>", 2, "is not our server (status 200)"),
        (404, b"[]", 2, "is not our server (status 404)"),
    ],
)
def test_what_the_server_says_is_told(
    sqlite_database_url: str,
    tokens: dict[str, str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    status: int,
    body: bytes,
    code: int,
    message: str,
) -> None:
    path = a_bundle(tmp_path / "b", tokens["device"])
    key = tmp_path / "key"
    key.write_text(tokens["planner"])
    with database.exclusive(sqlite_database_url), somebody(status, body) as server:
        assert main(words(sqlite_database_url, path, "--key-file", key, "--server", server)) == code
    said = capsys.readouterr()
    assert message in said.out + said.err


def test_nobody_there_and_no_such_file_are_said(
    sqlite_database_url: str, tokens: dict[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = a_bundle(tmp_path / "b", tokens["device"])
    key = tmp_path / "key"
    key.write_text(tokens["operator"])
    with somebody(200, b"") as gone:
        pass
    with database.exclusive(sqlite_database_url):
        assert main(words(sqlite_database_url, path, "--key-file", key, "--server", gone)) == 2
    assert "does not answer" in capsys.readouterr().err
    assert main(words(sqlite_database_url, tmp_path / "none")) == 2
    assert "cannot be read" in capsys.readouterr().err


@pytest.mark.parametrize("named", [True, False], ids=["--server", "--key-file alone"])
def test_a_server_that_is_asked_for_is_asked_where_none_serves_here(
    sqlite_database_url: str, tokens: dict[str, str], tmp_path: Path, named: bool
) -> None:
    """Found in a trial: "3 stored", exit 0, into a restored copy, while the real server got nothing."""
    path, key = a_bundle(tmp_path / "b", tokens["device"]), tmp_path / "key"
    key.write_text(tokens["operator"])
    whole = {"device": DEVICE, "blocks": 2, "stored": 2, "duplicates": 0, "quarantined": 0, "not_taken": []}
    with somebody(200, json.dumps(whole | {"whole": True}).encode()) as server:
        where = ["--server", server] if named else ["--port", str(urlsplit(server).port)]
        assert main(words(sqlite_database_url, path, "--key-file", key, *where)) == 0
    assert not quarantined_of(sqlite_database_url, DEVICE)
    assert not readings_of(sqlite_database_url, DEVICE)


@pytest.mark.parametrize("what", ["server", "key", "both"])
def test_what_is_asked_for_and_cannot_be_is_an_error_and_nothing_is_taken_here(
    sqlite_database_url: str, tokens: dict[str, str], tmp_path: Path, what: str
) -> None:
    path, key = a_bundle(tmp_path / "b", tokens["device"]), tmp_path / "key"
    key.write_text(tokens["operator"])
    with somebody(200, b"") as gone:
        pass
    more = {
        "server": ["--server", gone],
        "key": ["--key-file", str(key), "--port", str(urlsplit(gone).port)],
        "both": ["--server", gone, "--key-file", str(key)],
    }[what]
    assert main(words(sqlite_database_url, path, *more)) == 2
    assert not quarantined_of(sqlite_database_url, DEVICE)
    assert not readings_of(sqlite_database_url, DEVICE)
