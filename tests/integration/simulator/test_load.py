"""`cleanside-simulator load` on a real server, and `check` of what it left there."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from cleanside.simulator import cli
from tests.support.databases import migrated_sqlite
from tests.support.serving import as_process

PROGRESS = re.compile(r"(\d+) of 3 s: (\d+) sampled, (\d+) acknowledged, (\d+) wait, live p99 [\d,]+ ms")


def test_a_steady_load_holds_and_a_reading_that_is_taken_away_is_missed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report, page, key_file = (tmp_path / name for name in ("load.json", "load.html", "admin.key"))
    with as_process(migrated_sqlite(tmp_path)) as server:
        key_file.write_text(server.tokens["admin"])
        where = ["--server", server.url, "--key-file", str(key_file)]
        words = ["load", "--machines", "3", "--seconds", "3", "--interval-s", "0.6", *where]
        assert cli.main([*words, "--json", str(report), "--html", str(page)]) == 0
        said = [tuple(map(int, numbers)) for numbers in PROGRESS.findall(capsys.readouterr().out)]
        assert said  # while it ran: a line a second
        assert [line[:2] for line in said] == sorted(line[:2] for line in said)
        assert all(sampled == acknowledged + wait for _, sampled, acknowledged, wait in said)
        assert 0 < said[0][1] <= said[-1][1] <= 15
        found = json.loads(report.read_text())
        assert found["holds"]
        assert found["sampled"] == found["acknowledged"] == 15
        assert found["latencies"]["live, from when it was due"]["count"] == 15
        assert page.read_text().count("<svg") == 3

        check = ["check", str(report), *where]
        assert cli.main(check) == 0
        with server.client("admin") as http:
            device = f"load-{found['plan']['run']}-0001"
            shown = http.get(f"/v1/devices/{device}/readings").json()["readings"][2]
            numbers = {"stream": shown["stream"], "first": shown["seq"], "last": shown["seq"]}
            http.post("/v1/quarantine/set-aside", json={**numbers, "reason": "taken away"}).raise_for_status()
        assert cli.main(check) == 1
