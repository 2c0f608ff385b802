"""`doctor` looks at all that a gateway needs, and says what to do about each."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.cli import EXIT_FAILED, main
from cleanside.gateway.commands.aside_files import MAKE_ROOM, unread_beside
from cleanside.gateway.commands.doctor import (
    BAD,
    GOOD,
    NOT_LOOKED_AT,
    Examined,
    as_text,
    examine,
    what_unread_files_mean,
)
from cleanside.gateway.commands.doctor import what_the_server_says as said
from cleanside.gateway.commands.service import UNIT_NAME
from cleanside.gateway.commands.standing import LEAST_FREE_BYTES
from cleanside.gateway.commands.status import as_document, read
from cleanside.gateway.commands.status import as_text as status_text
from cleanside.gateway.errors import SettingsWrong
from cleanside.gateway.settings import load
from cleanside.gateway.uplink.fakes import FakeServer, problem
from cleanside.gateway.uplink.transport import NoAnswer, Reply
from cleanside.gateway.wire import ANSWER_MEDIA_TYPE
from tests.unit.gateway.helpers import DEVICE, open_spool, server_anchor, settable_clock

SERVER = "https://shop.example"


def settings_of(folder: Path, **more: Any) -> Any:
    key = folder / "key"
    key.touch(mode=0o600)
    key.write_text("k3f9a1c20." + "5b" * 32)
    given: dict[str, Any] = {"device": DEVICE, "spool.path": str(folder / "a"), "uplink.server": SERVER}
    given |= {"uplink.key_file": str(key), "sources": ["ndjson units.restriction=kPa"]}
    return load({**given, **more}, {})


def found(
    settings: Any,
    folder: Path,
    environ: Mapping[str, str] | None = None,
    *,
    server: FakeServer | None = None,
) -> dict[str, Examined]:
    clock = settable_clock()
    clock.evidence_uncertainty_us = 20_000
    server = server or FakeServer(now_us=clock.true_us)
    checks = examine(
        settings, environ=environ or {}, clock=clock, connect=lambda _: server, unit_folder=folder
    )
    return {check.part: check for check in checks}


def installed(folder: Path) -> None:
    (folder / "multi-user.target.wants").mkdir()
    (folder / UNIT_NAME).touch()
    (folder / "multi-user.target.wants" / f"cleanside-gateway@{DEVICE}.service").touch()


def test_where_all_is_well_each_check_is_good_and_asks_for_nothing(tmp_path: Path) -> None:
    installed(tmp_path)
    checks = found(settings_of(tmp_path), tmp_path)
    assert {part: check.result for part, check in checks.items()} == dict.fromkeys(
        ("key", "server", "disk", "clock", "unit", "source"), GOOD
    )
    assert all(not check.next_step for check in checks.values())


def test_a_source_that_sent_what_cannot_be_read_needs_a_person(tmp_path: Path) -> None:
    settings = settings_of(tmp_path)
    said = {"refused": 0, "in_part": 2, "last_in_part": '"note" is not a quantity; add it to pass_over'}
    with open_spool(tmp_path / "a", settable_clock()) as spool:
        spool.declare("readings_in_part", {"source": "ndjson-1", "lines": 2}, note=("unread:ndjson-1", said))
    check = found(settings, tmp_path)["source"]
    assert check.result == BAD
    assert '2 lines read in part; the last: "note" is not a quantity; add it to pass_over' in check.seen
    assert "log" in check.next_step
    with open_spool(tmp_path / "a", settable_clock()) as spool:
        spool.note("unread:ndjson-1", None)
    assert found(settings, tmp_path)["source"].result == GOOD


def test_each_check_says_what_to_do(tmp_path: Path) -> None:
    settings = settings_of(tmp_path, **{"sources": ["no-such-source"], "uplink.server": None})
    settings.uplink_key_file.chmod(0o644)
    checks = found(settings, tmp_path)
    assert {part for part, check in checks.items() if check.result == BAD} == {
        *("key", "server", "unit", "source")
    }
    assert all(check.next_step for check in checks.values() if check.result == BAD)
    assert as_text(list(checks.values())).count("to do: ") == 4


def test_a_clock_that_nothing_disciplines_is_named(tmp_path: Path) -> None:
    checks = examine(
        settings_of(tmp_path),
        environ={},
        clock=settable_clock(),
        connect=lambda _: FakeServer(now_us=lambda: 0),
        unit_folder=tmp_path,
    )
    assert next(check for check in checks if check.part == "clock").result == BAD


def test_a_time_that_the_server_contradicts_is_named_here_and_by_status(tmp_path: Path) -> None:
    """Found in a trial: status said "within 0.094 s" of a boot that was a day wrong, and doctor nothing."""
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.anchor(replace(server_anchor(clock), utc_us=clock.true_us() - 86_400 * 10**6))
        told = spool.anchor(server_anchor(clock))
    assert not told
    server = FakeServer(now_us=clock.true_us)
    checks = examine(
        settings_of(tmp_path), environ={}, clock=clock, connect=lambda _: server, unit_folder=tmp_path
    )
    [clock_check] = [check for check in checks if check.part == "clock" and "an answer" in check.seen]
    assert clock_check.result == BAD
    assert "24.0 h after" in clock_check.seen
    assert "tell-time" in clock_check.next_step
    status = read(tmp_path / "a", now_us=clock.utc_us())
    assert as_document(status)["clock"]["contradicted_by_s"] == pytest.approx(86_400, abs=1)
    assert "clock        in question: an answer of the server" in status_text(status)


def test_without_a_key_the_server_is_not_asked(tmp_path: Path) -> None:
    settings = settings_of(tmp_path)
    settings.uplink_key_file.unlink()
    checks = found(settings, tmp_path)
    assert (checks["key"].result, checks["server"].result) == (BAD, NOT_LOOKED_AT)


def test_certificates_that_do_not_fit_are_named(tmp_path: Path) -> None:
    def connect(_: Any) -> Any:
        raise SettingsWrong("uplink.ca_file: no certificate in it")

    checks = examine(
        settings_of(tmp_path), environ={}, clock=settable_clock(), connect=connect, unit_folder=tmp_path
    )
    assert next(check for check in checks if check.part == "server").result == BAD


def test_a_unit_that_does_not_start_with_the_machine_is_named(tmp_path: Path) -> None:
    (tmp_path / UNIT_NAME).touch()
    unit = found(settings_of(tmp_path), tmp_path)["unit"]
    assert (unit.result, f"enable --now cleanside-gateway@{DEVICE}.service" in unit.next_step) == (BAD, True)


@pytest.mark.parametrize(
    ("outcome", "result"),
    [
        (problem(404, "unknown_stream"), GOOD),
        (problem(401, "key_unknown"), BAD),
        (problem(403, "role_not_allowed"), BAD),
        (problem(403, "key_not_for_device"), BAD),
        (Reply(status=200, headers={"content-type": ANSWER_MEDIA_TYPE}, body=b"{}"), GOOD),
        (problem(503, "store_full"), BAD),
        (Reply(status=404, headers={"content-type": "text/html"}, body=b"no"), BAD),
        (Reply(status=200, headers={"content-type": "text/html"}, body=b"welcome"), BAD),
        (NoAnswer("certificate has expired"), BAD),
    ],
)
def test_what_the_answer_of_the_server_means(outcome: Reply | NoAnswer, result: str) -> None:
    assert said(outcome, SERVER).result == result


def test_it_is_asked_for_the_device_that_the_settings_name(tmp_path: Path) -> None:
    server = FakeServer(now_us=lambda: 0)
    server.faults.append(problem(403, "key_not_for_device"))
    checks = found(settings_of(tmp_path), tmp_path, server=server)
    assert DEVICE.encode() in (server.requests[0].body or b"")
    assert (checks["server"].result, "device in the settings" in checks["server"].next_step) == (BAD, True)


def test_a_server_of_the_previous_release_is_asked_its_own_question(tmp_path: Path) -> None:
    server = FakeServer(now_us=lambda: 0, previous_release=True)
    server.faults.append(problem(404, "not_found"))
    checks = found(settings_of(tmp_path), tmp_path, server=server)
    assert [request.method for request in server.requests] == ["POST", "GET"]
    assert checks["server"].result == GOOD


def test_files_that_are_not_read_need_a_person_where_the_disk_is_full(tmp_path: Path) -> None:
    (tmp_path / "a.damaged-1").write_bytes(bytes(3 * 2**20))
    (tmp_path / "a.damaged-1-wal").write_bytes(bytes(2**20))
    settings = settings_of(tmp_path)
    assert found(settings, tmp_path)["set_aside"].result == GOOD
    files = unread_beside(settings.spool_path)
    full = what_unread_files_mean(files, LEAST_FREE_BYTES - 1)
    assert (full.result, full.next_step) == (BAD, MAKE_ROOM)
    assert "a.damaged-1 (4.0 MiB)" in full.seen
    assert what_unread_files_mean(files, LEAST_FREE_BYTES).result == GOOD


def test_the_command_says_it_with_its_exit_code(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--device", DEVICE, "--spool-path", str(tmp_path / "a"), "--json"]) == EXIT_FAILED
    checks = json.loads(capsys.readouterr().out)["checks"]
    assert [check["part"] for check in checks] == ["key", "server", "disk", "clock", "unit", "source"]
    assert not (tmp_path / "a").exists()
