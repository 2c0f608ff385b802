"""The command `attention`: one screen, and an exit code for scripts."""

from __future__ import annotations

import json

import pytest

from cleanside.ingest import cli
from cleanside.ingest.analysis.concerns import GROUPS
from cleanside.ingest.commands.attention import MOST_LINES
from cleanside.ingest.store import fleet
from tests.support.databases import opened

DEVICES = 20


def test_it_is_one_screen_and_its_exit_code_says_whether_somebody_is_needed(
    sqlite_database_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["attention", "--database", sqlite_database_url]
    assert cli.main(arguments) == 0
    assert len(capsys.readouterr().out.splitlines()) == len(GROUPS)
    with opened(sqlite_database_url) as engine, engine.begin() as connection:
        owner_id = fleet.keep_owner(connection, "plateau", 0)
        for number in range(DEVICES):
            known = fleet.keep_device(connection, owner_id, f"grader-{number:02}-intake")
            fleet.register(connection, known, 1, None)
    assert cli.main(arguments) == 1
    shown = capsys.readouterr().out.splitlines()
    # Titles, the first lines of the one group that has any, how many more there are, and the next step.
    assert len(shown) == len(GROUPS) + MOST_LINES + 2
    assert cli.main([*arguments, "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert {g["group"]: g["count"] for g in document["groups"] if g["count"]} == {"silent": DEVICES}
    assert document["needs_person"] == DEVICES
