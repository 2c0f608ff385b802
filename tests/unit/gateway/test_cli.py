"""The command: real processes, real signals, exit codes and one-line errors."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import apsw
import pytest

from cleanside.gateway.cli import EXIT_CALLED_WRONGLY, EXIT_FAILED, EXIT_OK, main
from cleanside.gateway.commands.standing import CANNOT_TELL
from cleanside.gateway.commands.status import Status, as_document, as_text, span_text
from cleanside.gateway.commands.status import read as read_status
from cleanside.gateway.spool.queue import Spool
from tests.unit.gateway.helpers import BEGIN_US, DEVICE, open_spool, readings, settable_clock


@pytest.fixture
def flags(tmp_path: Path) -> list[str]:
    return ["--device", DEVICE, "--spool-path", str(tmp_path / "a")]


def test_status_says_what_waits_and_why(
    tmp_path: Path, flags: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 5))
        spool.note("budget_bytes", 2**20)
        spool.note("link", {"failing": True, "last_error": "ConnectError: no route", "rate_per_s": 0.5})
        assert main(["status", *flags]) == CANNOT_TELL  # no gateway runs here
        text = capsys.readouterr().out
        assert main(["status", "--json", *flags]) == CANNOT_TELL
        document = json.loads(capsys.readouterr().out)
    assert "5 readings, the oldest from 2026-12-02T06:00:10Z" in text
    assert "ConnectError: no route" in text
    assert "not known yet" in text
    assert document["backlog"] == 5
    assert document["oldest_at"] == "2026-12-02T06:00:10Z"
    assert document["drain_s"] is None, "nothing drains while the link fails"
    assert document["clock"]["anchor"] is None
    assert document["streams"][0]["appended_through"] == 5


@pytest.mark.parametrize(
    ("command", "flags"),
    [
        ("status", {"--device", "--spool-path", "--json"}),
        ("verify", {"--device", "--spool-path", "--json"}),
        ("rewind", {"--device", "--spool-path", "--from", "--stream"}),
        ("tell-time", {"--device", "--spool-path", "--now", "--within", "--yes"}),
        ("export", {"--device", "--spool-path", "--uplink-key-file", "--out"}),
    ],
)
def test_a_command_beside_run_shows_the_settings_that_it_reads_and_no_others(
    command: str, flags: set[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        main([command, "--help"])
    shown = set(re.findall(r"^  (--[a-z-]+)", capsys.readouterr().out, re.MULTILINE))
    assert shown == flags | {"--settings"}


def test_status_warns_when_what_waits_fills_the_budget(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 20_000))
        spool.note("budget_bytes", int(spool.used_bytes() * 1.1))
        status: Status = read_status(tmp_path / "a", now_us=BEGIN_US)
        assert status.budget_share is not None
        assert status.budget_share >= 0.8
        spool.acknowledge(spool.open_stream, 19_000)
        assert (read_status(tmp_path / "a", now_us=BEGIN_US).budget_share or 0) < 0.1


def test_status_warns_when_the_backlog_comes_near_the_days_it_is_kept(
    tmp_path: Path,
) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 5))
        spool.note("budget_days", 10.0)
        fresh = read_status(tmp_path / "a", now_us=BEGIN_US + 7 * 86_400_000_000)
        late = read_status(tmp_path / "a", now_us=BEGIN_US + 9 * 86_400_000_000)
    assert "WARNING" not in as_text(fresh)
    assert "WARNING" in as_text(late)
    assert "used, held for 10 d" in as_text(late)
    assert as_document(late)["disk"]["budget_days"] == 10.0


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0 s"), (119, "119 s"), (600, "10.0 min"), (7200, "2.0 h"), (864000, "10.0 d")]
)
def test_a_span_is_said_in_the_unit_a_person_would_use(seconds: float, text: str) -> None:
    assert span_text(seconds) == text


def test_rewind_sends_again_beside_a_running_gateway(
    tmp_path: Path, flags: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 9))
        spool.acknowledge(spool.open_stream, 9)
        assert main(["rewind", "--from", "4", *flags]) == EXIT_OK
        assert "to be sent again: 6 readings, from number" in capsys.readouterr().out
        batch = spool.peek()
        assert batch is not None
        assert list(batch.seq or ()) == [4, 5, 6, 7, 8, 9]
        assert main(["rewind", "--from", "99", *flags]) == EXIT_CALLED_WRONGLY
        assert main(["rewind", "--from", "0", *flags]) == EXIT_CALLED_WRONGLY
        assert main(["rewind", "--from", "1", "--stream", "x", *flags]) == EXIT_CALLED_WRONGLY


def test_verify_finds_a_sound_spool_sound(
    tmp_path: Path, flags: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 9))
        spool.shed(spool.open_stream, 2, 3, reason="disk_budget")
    assert main(["verify", *flags]) == EXIT_OK
    assert "sound" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("damage", "finding"),
    [
        ("DELETE FROM readings WHERE position = 5", "1 number of 1..9 neither stored nor declared shed"),
        ("INSERT INTO shed VALUES (1, 4, 4, 'disk_budget')", "1 number both stored and declared shed"),
        ("UPDATE readings SET payload = '[1' WHERE position = 5", "position 5: '[1' is not readable"),
        ("UPDATE readings SET payload = '[1]' WHERE position = 5", "does not fit its unit set"),
        ("UPDATE readings SET unit_set = 7 WHERE position = 5", "row of unit_sets that does not exist"),
    ],
)
def test_verify_names_what_is_wrong(
    tmp_path: Path, flags: list[str], capsys: pytest.CaptureFixture[str], damage: str, finding: str
) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 9))
    connection = apsw.Connection(str(tmp_path / "a"))
    connection.execute(damage)
    connection.close()
    assert main(["verify", *flags]) == EXIT_FAILED
    assert finding in capsys.readouterr().out


ENROL = ["enrol", "--device", "d", "--uplink-server", "https://a", "--uplink-key-file", "/nowhere/k"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["status"], "device is not set"),
        (["status", "--device", "d", "--spool-path", "/nowhere/a"], "/nowhere/a does not exist"),
        (
            ["rewind", "--device", "d", "--spool-path", "/nowhere/a", "--from", "1"],
            "/nowhere/a does not exist",
        ),
        (["run", "--device", "d", "--uplink-timeout-s", "soon"], '--uplink-timeout-s "soon" is not a number'),
        (
            ["run", "--device", "d", "--uplink-server", "https://a", "--uplink-key-file", "/nowhere/k"],
            "/nowhere/k cannot be read (No such file or directory); check uplink.key_file",
        ),
        (["run", "--device", "d", "--source", "nothing"], "is not a source"),
        (
            ["run", "--settings", "/nowhere/g.toml"],
            "/nowhere/g.toml cannot be read (No such file or directory)",
        ),
        (
            [*ENROL, "--code-file", "/nowhere/code"],
            "--code-file /nowhere/code cannot be read (No such file or directory); check the name",
        ),
        (["export", "--device", "d", "--out", "o"], "no key for d; set uplink.key_file"),
    ],
)
def test_our_own_errors_are_one_line_and_an_exit_code(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    message: str,
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.delenv("CLEANSIDE_GATEWAY_DEVICE", raising=False)
    assert main(arguments) == EXIT_CALLED_WRONGLY
    err = capsys.readouterr().err
    assert message in err
    assert err.count("\n") == 1


def test_help_comes_from_the_table_of_settings(capsys: pytest.CaptureFixture[str]) -> None:
    from cleanside.gateway.settings import TABLE

    with pytest.raises(SystemExit) as exit_:
        main(["run", "--help"])
    assert exit_.value.code == 0
    text = " ".join(capsys.readouterr().out.split())
    for row in TABLE.rows:
        assert row.flag in text
        assert row.variable in text


def test_importing_the_package_loads_no_library() -> None:
    loaded = "print({'apsw', 'httpx', 'zstandard'} & set(sys.modules))"
    code = f"import sys, cleanside, cleanside.gateway.wire; {loaded}"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "set()"


def test_every_name_the_package_promises_is_there() -> None:
    from cleanside import gateway

    assert [name for name in gateway.__all__ if getattr(gateway, name) is None] == []
    assert gateway.Spool is Spool
    with pytest.raises(AttributeError):
        _ = gateway.nothing_of_that_name
    assert settable_clock().boot_id()


def test_an_export_says_that_readings_without_a_known_time_stay_behind(
    tmp_path: Path, flags: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Who carries an empty bundle for hours should know before."""
    monkeypatch.setenv("CLEANSIDE_GATEWAY_KEY", "k00000000." + "0" * 64)
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 3, timed=False))
    assert main(["export", *flags, "--out", str(tmp_path / "b")]) == EXIT_FAILED
    said = capsys.readouterr().out
    assert "3 readings waiting in all. Those whose time is not known yet" in said
    assert "tell-time" in said


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (["--now", "2026-12-02T09:30:00"], "--now"),
        (["--now", "2026-12-02T09:30:00Z", "--within", "0", "--yes"], "--within 0 is not between"),
        (["--now", "2020-12-02T09:30:00Z", "--yes"], "when this program was built"),
    ],
)
def test_a_time_that_cannot_be_is_refused_in_one_line(
    flags: list[str], words: list[str], reason: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["tell-time", *flags, *words]) == EXIT_CALLED_WRONGLY
    [line] = capsys.readouterr().err.splitlines()
    assert reason in line


def test_a_time_is_taken_only_once_a_person_agreed(
    flags: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("builtins.input", lambda _: "n")
    assert main(["tell-time", *flags, "--now", "2026-12-02T09:30:00+01:00"]) == EXIT_FAILED
    assert "This is 2026-12-02T08:30:00Z in UTC, within 120 s." in capsys.readouterr().out
