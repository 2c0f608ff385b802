"""A client of one's own and a server that was restored from a backup: what the backup lacks comes again."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.client.client import Client, Reading
from tests.support.held import readings_of
from tests.support.house import ROOT
from tests.support.nursery import ran
from tests.support.serving import DEVICE, STREAM, Api, ServerProcess

START = datetime(2026, 3, 2, 6, tzinfo=UTC)
PAGE = (ROOT / "ingest" / "docs" / "integrators.md").read_text()
HEADER = "Database-Id"


def readings(count: int) -> list[Reading]:
    return [
        Reading(
            at=START + timedelta(seconds=10 * i),
            values={"restriction": 3.0 + i % 10 / 100},
            units={"restriction": "kPa"},
        )
        for i in range(count)
    ]


def command(*words: str) -> None:
    done = ran("cleanside.ingest", *words)
    assert done.returncode == 0, done.stderr


def back_up(folder: Path, database: str) -> None:
    command("backup", "--database", database, "--to", str(folder / "backup"))


def lose_and_restore(server: ServerProcess, folder: Path, database: str) -> None:
    server.kill()
    for leftover in folder.glob("ingest.db*"):
        shutil.rmtree(leftover) if leftover.is_dir() else leftover.unlink()
    command("restore", "--database", database, "--from", str(folder / "backup"))
    server.start()


def snippet() -> Callable[[Client, list[Reading], int], int]:
    """`bring_up_to_date` as the page for integrators has it."""
    code = next(c for c in re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL) if "bring_up_to_date" in c)
    names: dict[str, Any] = {}
    exec(compile(code, "integrators.md", "exec"), names)  # the reader runs it, too
    assert (names["DEVICE"], names["STREAM"]) == (DEVICE, STREAM)
    found: Callable[[Client, list[Reading], int], int] = names["bring_up_to_date"]
    return found


def with_device(server: ServerProcess) -> ServerProcess:
    """The server, with the device registered."""
    with server.client("admin") as admin:
        assert admin.post("/v1/devices", json={"device": DEVICE}).status_code == 200
    return server


@pytest.mark.timeout(110)
def test_what_a_restored_server_lacks_comes_again_from_a_client_of_ones_own(
    tmp_path: Path, sqlite_database_url: str, start_server: Callable[..., ServerProcess]
) -> None:
    server = with_device(start_server(sqlite_database_url))
    kept, bring_up_to_date = readings(40), snippet()
    with Client(server.url, key=server.tokens["device"]) as client:
        assert bring_up_to_date(client, kept[:15], 0) == 15
        back_up(tmp_path, sqlite_database_url)
        assert bring_up_to_date(client, kept[:30], 15) == 30
        before = client.database_id
        assert before is not None

    lose_and_restore(server, tmp_path, sqlite_database_url)
    assert len(readings_of(sqlite_database_url, DEVICE)) == 15
    with Client(server.url, key=server.tokens["device"]) as client:
        assert client.marks(DEVICE, {STREAM.upper(): (30, 30)}) == {STREAM.upper(): 15}
        assert client.database_id not in (None, before)
        assert bring_up_to_date(client, kept, 30) == 40
    assert len(readings_of(sqlite_database_url, DEVICE)) == 40


@pytest.mark.timeout(110)
def test_readings_without_numbers_may_all_be_posted_again_after_a_restore(
    tmp_path: Path, sqlite_database_url: str, start_server: Callable[..., ServerProcess]
) -> None:
    server = with_device(start_server(sqlite_database_url))
    kept = readings(30)
    with Client(server.url, key=server.tokens["device"]) as client:
        client.post(DEVICE, kept[:15])
        back_up(tmp_path, sqlite_database_url)
        client.post(DEVICE, kept[15:])
        before = client.database_id
    lose_and_restore(server, tmp_path, sqlite_database_url)
    with Client(server.url, key=server.tokens["device"]) as client:
        again = client.post(DEVICE, kept)
        assert client.database_id not in (None, before)
        changed = client.post(DEVICE, [Reading(at=START, values={"restriction": 9.0}, units=kept[0].units)])
    assert (again.stored, again.duplicates, again.quarantined) == (15, 15, [])
    assert [note.code for note in changed.quarantined] == ["number_conflict"]
    assert len(readings_of(sqlite_database_url, DEVICE)) == 30


def test_the_description_names_the_header_that_every_answer_has(api: Api) -> None:
    described = api.get("/openapi.json", key=None).json()
    problems = described["components"]["responses"].values()
    answers = [
        answer
        for path in described["paths"].values()
        for method in path.values()
        for status, answer in method["responses"].items()
        if int(status) < 400
    ]
    assert len(answers) > 100
    assert all("restored" in answer["headers"][HEADER]["description"] for answer in [*answers, *problems])
