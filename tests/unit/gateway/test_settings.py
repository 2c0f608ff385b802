"""Settings: one table, four places, errors that say where and what next."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.errors import SettingsWrong
from cleanside.gateway.settings import TABLE, Settings, key_reader, load, parse_source, state_folder
from tests.support.coded import refused

ENV = {"CLEANSIDE_GATEWAY_DEVICE": "grader-07-intake", "XDG_STATE_HOME": "/somewhere"}


def write(path: Path, text: str) -> str:
    path.write_text(text)
    return str(path)


def test_everything_that_can_be_set_is_a_row() -> None:
    assert {field.name for field in fields(Settings)} - {row.attribute for row in TABLE.rows} == {"sources"}


def test_a_flag_comes_before_the_environment_before_the_file_before_the_default(tmp_path: Path) -> None:
    file = write(
        tmp_path / "g.toml", 'device = "a"\n[uplink]\ntimeout_s = 7\nlinger_s = 7\nmax_readings = 7\n'
    )
    settings = load(
        {"settings": file, "uplink.timeout_s": "9"},
        {"CLEANSIDE_GATEWAY_UPLINK_TIMEOUT_S": "8", "CLEANSIDE_GATEWAY_UPLINK_LINGER_S": "8"},
    )
    assert (settings.uplink_timeout_s, settings.uplink_linger_s, settings.uplink_max_readings) == (
        9.0,
        8.0,
        7,
    )
    assert settings.device == "a"


def test_the_spool_lies_in_the_state_folder_unless_said_otherwise() -> None:
    assert load({}, ENV).spool_path == Path("/somewhere/cleanside/grader-07-intake.spool")
    assert load({}, {**ENV, "STATE_DIRECTORY": "/var/lib/x"}).spool_path == Path(
        "/var/lib/x/grader-07-intake.spool"
    )
    assert load({"spool.path": "/data/s"}, ENV).spool_path == Path("/data/s")


def test_a_command_by_hand_with_the_settings_of_a_service_finds_its_spool() -> None:
    of_service = "/etc/cleanside/grader-07-intake.toml"
    assert state_folder({"HOME": "/root"}, of_service) == Path("/var/lib/cleanside")
    assert state_folder({"STATE_DIRECTORY": "/var/lib/x"}, of_service) == Path("/var/lib/x")
    own = {"XDG_STATE_HOME": "/home/anna/.state"}
    assert state_folder(own, "/home/anna/gateway.toml") == Path("/home/anna/.state/cleanside")


@pytest.mark.parametrize(
    ("text", "code", "values"),
    [
        ('[uplink]\ntimeout_s = "soon"', "not_a_number_of", {"value": "soon", "unit": "seconds"}),
        ("[uplink]\ntimeout_s = 0", "not_seconds", {"value": 0}),
        ("[uplink]\nmax_readings = 5001", "not_whole", {"value": 5001, "lowest": 1, "highest": 5000}),
        ("[uplink]\nmax_readings = true", "not_whole", {"value": True, "lowest": 1, "highest": 5000}),
        ('[beside]\nlisten = "soon"', "not_a_listen_address", {"value": "soon"}),
        ("[beside]\nlisten = 99999", "not_a_listen_address", {"value": 99999}),
        ("[beside]\nlisten = true", "not_a_listen_address", {"value": True}),
        ('[beside]\nlisten = "host:80"', "not_an_ip_address", {"value": "host:80"}),
        ("[spool]\nbudget_days = 0.5", "not_days", {"value": 0.5, "lowest": 1}),
        ("[spool]\nbudget_days = true", "not_days", {"value": True, "lowest": 1}),
        ('[spool]\nbudget_days = "long"', "not_a_number_of", {"value": "long", "unit": "days"}),
        ("[run]\nexit_when_done = 3", "not_a_switch", {"value": 3}),
    ],
)
def test_a_wrong_setting_says_where_it_stands_and_what_is_allowed(
    tmp_path: Path, text: str, code: str, values: dict[str, Any]
) -> None:
    file = write(tmp_path / "g.toml", text)
    section, key = text.split(" ")[0].split("\n")
    with refused(SettingsWrong, code, place=f"{file}: {section} {key}", **values) as raised:
        load({"settings": file}, ENV)
    assert str(raised.value).endswith(f"; {raised.value.values['about']}")


@pytest.mark.parametrize(
    ("text", "name", "nearest"),
    [
        ("[uplink]\nmax_reading = 5", "uplink.max_reading", "did you mean uplink.max_readings?"),
        ("[uplnk]\nmax_readings = 5", "uplnk.max_readings", "did you mean uplink.max_readings?"),
        ("colour = 1", "colour", "there are "),
    ],
)
def test_a_key_that_is_no_setting_is_refused_with_the_nearest(
    tmp_path: Path, text: str, name: str, nearest: str
) -> None:
    file = write(tmp_path / "g.toml", text)
    with refused(SettingsWrong, "not_settings", file=file, names=[name]) as raised:
        load({"settings": file}, ENV)
    assert nearest in raised.value.values["unknown"]


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("[[sources]]\npath = 'x'", "source_without_use"),
        ("sources = 3", "sources_not_a_list"),
        ("= 3", "settings_not_toml"),
    ],
)
def test_a_file_that_is_no_settings_file_is_refused(tmp_path: Path, text: str, code: str) -> None:
    with refused(SettingsWrong, code):
        load({"settings": write(tmp_path / "g.toml", text)}, ENV)


def test_a_settings_file_that_is_not_text_is_no_toml(tmp_path: Path) -> None:
    (tmp_path / "g.toml").write_bytes(b"\xff\xfe")
    file = tmp_path / "g.toml"
    with refused(SettingsWrong, "settings_not_toml", file=file, why="it is not text"):
        load({"settings": str(file)}, ENV)


def test_a_variable_is_named_when_it_is_wrong() -> None:
    name = "CLEANSIDE_GATEWAY_UPLINK_MAX_READINGS"
    with refused(SettingsWrong, "not_whole", place=name, value="many"):
        load({}, {**ENV, name: "many"})


def test_a_device_has_to_be_named() -> None:
    with refused(SettingsWrong, "device_not_set"):
        load({}, {})


@pytest.mark.parametrize("name", ["a b", "", "grader/07", "x" * 65])
def test_a_device_has_a_name_that_the_wire_accepts(name: str) -> None:
    with refused(SettingsWrong, "not_a_name", place="--device", value=name):
        load({"device": name}, {})


def test_sources_come_from_the_file_or_one_line_each(tmp_path: Path) -> None:
    file = write(
        tmp_path / "g.toml",
        '[[sources]]\nuse = "csv"\npath = "run 1.csv"\nstep_s = 0.1\n'
        '[sources.columns]\ndp = "restriction kPa"\n',
    )
    in_file = load({"settings": file}, ENV).sources
    assert in_file == (
        {"use": "csv", "path": "run 1.csv", "step_s": 0.1, "columns": {"dp": "restriction kPa"}},
    )
    line = "csv path='run 1.csv' step_s=0.1 columns.dp='restriction kPa'"
    wanted = {"use": "csv", "path": "run 1.csv", "step_s": "0.1", "columns": {"dp": "restriction kPa"}}
    assert load({"sources": [line]}, ENV).sources == (wanted,)
    assert (
        load({}, {**ENV, "CLEANSIDE_GATEWAY_SOURCES": f"{line}\n\nndjson units.restriction=kPa"}).sources[0]
        == wanted
    )


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("csv path", "source_option_not_a_pair"),
        ("csv 'path=x", "source_not_quoted"),
        ("csv x y=1", "source_option_not_a_pair"),
    ],
)
def test_a_source_line_that_is_none_is_refused(line: str, code: str) -> None:
    with refused(SettingsWrong, code) as raised:
        parse_source(line)
    assert "path=run.csv" in str(raised.value)


def test_the_key_comes_from_a_file_a_credential_or_the_environment_and_is_read_at_each_use(
    tmp_path: Path,
) -> None:
    (tmp_path / "key").write_text("from-file\n")
    (tmp_path / "cleanside-key").write_text("from-credential\n")
    plain = load({}, ENV)
    filed = load({"uplink.key_file": str(tmp_path / "key")}, ENV)
    environ = {"CLEANSIDE_GATEWAY_KEY": "from-environment"}
    assert key_reader(plain, environ)() == "from-environment"
    assert key_reader(plain, {**environ, "CREDENTIALS_DIRECTORY": str(tmp_path)})() == "from-credential"
    read = key_reader(filed, environ)
    assert read() == "from-file"
    (tmp_path / "key").write_text("renewed\n")
    assert read() == "renewed"


def test_where_the_key_file_is_of_root_alone_the_credential_of_the_service_stands_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "key").write_text("of-root\n")
    (tmp_path / "cleanside-key").write_text("from-credential\n")
    environ = {"CREDENTIALS_DIRECTORY": str(tmp_path)}
    filed = load({"uplink.key_file": str(tmp_path / "key")}, ENV)
    assert key_reader(filed, environ)() == "of-root"
    monkeypatch.setattr("os.access", lambda path, _: path != tmp_path / "key")  # tests may run as root
    assert key_reader(filed, environ)() == "from-credential"
    mistyped = load({"uplink.key_file": str(tmp_path / "none")}, ENV)
    with refused(SettingsWrong, "secret_unreadable", check="uplink.key_file"):
        key_reader(mistyped, environ)


def test_without_a_key_nothing_starts_and_the_message_says_where_to_put_one(tmp_path: Path) -> None:
    with refused(SettingsWrong, "no_key", variable="CLEANSIDE_GATEWAY_KEY"):
        key_reader(load({}, ENV), {})
    with refused(SettingsWrong, "secret_unreadable", check="uplink.key_file"):
        key_reader(load({"uplink.key_file": str(tmp_path / "none")}, ENV), {})


def test_no_flag_takes_a_key() -> None:
    assert [row.flag for row in TABLE.rows if "key" in row.name] == [
        "--uplink-key-file",
        "--uplink-certificate-key-file",
    ]
