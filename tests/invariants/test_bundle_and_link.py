"""Invariants 1, 2 and 5 where a person carries the backlog: bundle and link both deliver, nothing twice."""

from __future__ import annotations

import io
import json
import random
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.cli import main
from tests.support.databases import migrated_sqlite
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.held import readings_of
from tests.support.link import Link
from tests.support.serving import DEVICE, ServerProcess, as_process

READINGS = 6_000  # two blocks of a bundle
BEGIN_US = parse_instant("2026-03-02T06:00:00Z").us


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


def serve(tmp_path: Path, stack: ExitStack) -> ServerProcess:
    server = stack.enter_context(as_process(migrated_sqlite(tmp_path)))
    with server.client("admin") as client:
        client.post("/v1/machines", json={"machine": "grader-07"}).raise_for_status()
        client.post("/v1/devices", json={"device": DEVICE, "machine": "grader-07"}).raise_for_status()
    return server


def line(n: int) -> bytes:
    at = instant_text(BEGIN_US + n * 10_000_000)
    return json.dumps({"at": at, "at_uncertainty_s": 0, "restriction": n / 1000}).encode()


def collect(tmp_path: Path, server: ServerProcess, link: Link, stack: ExitStack) -> GatewayProcess:
    """A gateway without coverage, with readings on its disk."""
    source = {"use": "ndjson", "units": {"restriction": "kPa"}}
    gateway = GatewayProcess(
        tmp_path, device=DEVICE, key=server.tokens["device"], server=link.url, source=source
    )
    stack.callback(gateway.close)
    link.cut()
    gateway.start()
    for first in range(1, READINGS + 1, 500):
        gateway.write(b"\n".join(map(line, range(first, first + 500))))
    wait_until(lambda: gateway.appended() == READINGS, "all are on disk")
    return gateway


def export(tmp_path: Path, to: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "cleanside.gateway",
        "export",
        "--settings",
        str(tmp_path / f"{DEVICE}.toml"),
    ]
    subprocess.run([*command, "--out", str(to)], check=True, capture_output=True)


def bring(server: ServerProcess, key: Path | None, *files: Path) -> tuple[int, list[dict[str, Any]]]:
    """The command `import`: exit code and what it tells. key : a server does the work; None: the command."""
    words = ["import", "--json", "--database", server.database_url, "--owner", "plateau"]
    words += [] if key is None else ["--key-file", str(key), "--port", str(server.port)]
    words += map(str, files)
    with redirect_stdout(io.StringIO()) as said:
        code = main(words)
    told: list[dict[str, Any]] = json.loads(said.getvalue())
    return code, told


def operators_key(tmp_path: Path, server: ServerProcess) -> Path:
    path = tmp_path / "operator.key"
    path.write_text(server.tokens["operator"])
    return path


def assert_each_is_there_once(server: ServerProcess) -> None:
    with server.client("admin") as client:
        (stream,) = client.get("/v1/account").raise_for_status().json()["streams"]
    assert stream["balances"]
    assert (stream["stored"], stream["conflicts"], stream["quarantined"]) == (READINGS, 0, 0)
    assert [(seq, round(pa or 0)) for seq, _, pa in readings_of(server.database_url, DEVICE)] == [
        (n, n) for n in range(1, READINGS + 1)
    ]


def test_what_a_bundle_and_the_link_both_deliver_is_stored_once(tmp_path: Path, stack: ExitStack) -> None:
    server = serve(tmp_path, stack)
    link = stack.enter_context(Link(server.port))
    gateway = collect(tmp_path, server, link, stack)
    carried = tmp_path / "grader-07.bundle"
    export(tmp_path, carried)
    assert gateway.released() == 0  # the export releases nothing

    chance = random.Random(11)
    link.lose_replies(2)
    link.restore()
    wait_until(lambda: gateway.released() > chance.randint(200, 1500), "the link has brought some")
    link.cut()  # and is gone again in the middle
    before = gateway.released()
    assert before < READINGS

    code, (told,) = bring(server, operators_key(tmp_path, server), carried)
    assert (code, told["whole"]) == (0, True)
    assert told["stored"] + told["duplicates"] == READINGS
    assert told["duplicates"] >= before
    assert_each_is_there_once(server)

    link.restore()  # the gateway learns by the next answer that all of it is stored
    gateway.end_input()
    assert gateway.wait() == 0, gateway.log()
    assert gateway.released() == READINGS
    assert_each_is_there_once(server)


def test_a_bundle_is_taken_without_a_server_too_and_brought_again_it_is_known(
    tmp_path: Path, stack: ExitStack
) -> None:
    server = serve(tmp_path, stack)
    link = stack.enter_context(Link(server.port))
    gateway = collect(tmp_path, server, link, stack)
    carried = tmp_path / "grader-07.bundle"
    export(tmp_path, carried)
    content = carried.read_bytes()
    cut = tmp_path / "cut.bundle"
    cut.write_bytes(content[: len(content) - 100])
    altered = tmp_path / "altered.bundle"
    altered.write_bytes(content[:60] + b"x" + content[61:])
    key = operators_key(tmp_path, server)
    server.kill()  # no server runs: the command does it itself, under the lock

    code, (told,) = bring(server, None, cut)
    assert (code, told["whole"]) == (1, False)
    assert told["not_taken"][0]["code"] == "bundle_cut_short"
    code, (whole, refused) = bring(server, None, carried, altered)
    assert code == 1  # of one of them nothing was taken
    assert (whole["whole"], whole["stored"] + whole["duplicates"]) == (True, READINGS)
    assert refused["problem"]["code"] in ("bundle_unreadable", "bundle_not_authentic")

    server.start()
    assert_each_is_there_once(server)
    code, (again,) = bring(server, key, carried)
    assert (code, again["stored"], again["duplicates"]) == (0, 0, READINGS)
    gateway.kill()
    link.restore()
    gateway.start()
    gateway.end_input()
    assert gateway.wait() == 0, gateway.log()
    assert gateway.released() == READINGS
    assert_each_is_there_once(server)
