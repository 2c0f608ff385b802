"""One table for the settings of both programs, and the names of the previous release."""

from __future__ import annotations

import argparse
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway import cli as gateway_cli
from cleanside.gateway import settings as gateways
from cleanside.gateway.errors import SettingsWrong
from cleanside.gateway.setting_table import (
    NotASetting,
    Table,
    key_of_line,
    nearest,
    one_of,
    row,
    switch,
    text,
)
from cleanside.ingest import cli as ingest_cli
from cleanside.ingest import settings as servers
from tests.support.coded import refused


@dataclass(frozen=True, kw_only=True)
class Few:
    """A table of a program that there is not."""

    colour: str = field(default="", metadata=row(text, "What colour."))
    run_dry: bool = field(default=False, metadata=row(switch, "Try only.", section="run"))
    not_set: int = 0


FEW = Table(program="sieve", rows_of=Few, error=SettingsWrong, more_variables=("key",))


def read(words: list[str], environ: dict[str, str], table: Table = FEW) -> tuple[dict[str, Any], list[str]]:
    """What a command line and an environment set, and the notices."""
    parser, notices = argparse.ArgumentParser(), list[str]()
    table.add_flags(parser)
    values, _, _ = table.read(vars(table.parse(parser, words)), environ, notices.append)
    return values, notices


def test_a_row_has_the_same_name_in_every_place() -> None:
    names = [(row.attribute, row.name, row.key, row.flag, row.variable) for row in FEW.rows]
    assert names == [
        ("colour", "colour", "colour", "--colour", "CLEANSIDE_SIEVE_COLOUR"),
        ("run_dry", "run.dry", "dry", "--run-dry", "CLEANSIDE_SIEVE_RUN_DRY"),
    ]


@pytest.mark.parametrize(
    ("words", "environ", "wanted"),
    [
        (["--run-dry"], {}, True),
        (["--no-run-dry"], {"CLEANSIDE_SIEVE_RUN_DRY": "yes"}, False),
        ([], {"CLEANSIDE_SIEVE_RUN_DRY": "On"}, True),
        ([], {"CLEANSIDE_SIEVE_RUN_DRY": "0"}, False),
    ],
)
def test_a_switch_is_a_flag_without_a_value_or_a_boolean_word(
    words: list[str], environ: dict[str, str], wanted: bool
) -> None:
    """The words are those of systemd.syntax(7)."""
    assert read(words, environ) == ({"run_dry": wanted}, [])


@pytest.mark.parametrize("word", ["maybe", "", "2"])
def test_a_switch_takes_no_other_word(word: str, capsys: pytest.CaptureFixture[str]) -> None:
    with refused(SettingsWrong, "not_a_switch", place="CLEANSIDE_SIEVE_RUN_DRY", value=word):
        read([], {"CLEANSIDE_SIEVE_RUN_DRY": word})
    with pytest.raises(SystemExit):
        read(["--run-dry", word or "maybe"], {})
    assert "unrecognized arguments" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "is_hinted"),
    [(["--colour", "dark", "red"], True), (["--colour", "dark", "--shade", "red"], False)],
)
def test_a_text_that_lost_its_quotes_is_answered_with_what_to_do(
    words: list[str], is_hinted: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        read(words, {})
    assert ("needs quotes" in capsys.readouterr().err) is is_hinted


def test_a_mistyped_key_is_refused_with_the_nearest_and_all_of_them_at_once(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text("color = 1\n[run]\ndri = true\n")
    with refused(SettingsWrong, "not_settings", names=["color", "run.dri"]) as error:
        read(["--settings", str(tmp_path / "s.toml")], {})
    assert re.findall(r"did you mean ([\w.]+)\?", str(error.value)) == ["colour", "run.dry"]
    assert nearest("zzz", ["a", "b"]) == "there are a, b"


def test_all_wrong_values_are_said_at_once() -> None:
    places = {"CLEANSIDE_SIEVE_RUN_DRY": "maybe", "CLEANSIDE_SIEVE_COLOUR": ""}
    with refused(SettingsWrong, "settings_wrong", codes=["not_a_text", "not_a_switch"]) as error:
        read([], places)
    assert all(place in str(error.value) for place in places)


@pytest.mark.parametrize(
    ("said", "key"),
    [
        ("Invalid value (at line 2, column 8)", ", key smtp_user"),
        ("(at end of document)", ""),
        ("line 9", ""),
    ],
)
def test_a_line_that_is_no_toml_is_named_by_its_key_alone(said: str, key: str) -> None:
    assert key_of_line('port = 1\nsmtp_user = "s3cret\n', said) == key


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "colour = s3cret\n",
            "line 1, column 10, key colour: this is no value: a text stands in",
        ),
        ("colour = True\n", "a switch is true or false"),
        ('colour = "s3cret\ndry = 1\n', "line 1, column 17, key colour: a text ends at its line"),
        ("colour = 's3cret", "at its end: a text has no quote at its end"),
        ("x = 1\nx = 2\n", "line 2, column 6, key x: this key is there twice"),
        ("[run]\n[run]\n", "this section is there twice"),
        ("host = 127.0.0.1\n", "key host: the value ends before its line does"),
        ("colour s3cret\n", "line 1, column 8: a line is KEY = VALUE"),
        ("[run\ndry = true\n", "a [section] has no ] at its end"),
        ('file = "C:\\Users"\n', "key file: write \\\\ for one \\ in a text"),
        ('file = "C:\\shop"\n', "key file: write \\\\ for one \\ in a text"),
        ("x = [1 2]\n", "a list has no ] at its end, or no comma"),
        ("= 3\n", "a line begins with a key"),
    ],
)
def test_a_file_that_is_no_toml_says_what_is_wrong_there_and_not_what_stands_there(
    text: str, says: str, tmp_path: Path
) -> None:
    (tmp_path / "s.toml").write_text(text)
    with refused(SettingsWrong, "settings_not_toml") as error:
        read(["--settings", str(tmp_path / "s.toml")], {})
    assert says in str(error.value)
    assert "s3cret" not in str(error.value)


def test_a_mistyped_variable_is_noticed_without_its_value() -> None:
    values, [notice] = read([], {"CLEANSIDE_SIEVE_COLOR": "secret", "CLEANSIDE_SIEVE_KEY": "k"})
    assert values == {}
    assert "CLEANSIDE_SIEVE_COLOUR" in notice
    assert "secret" not in notice


def test_a_word_that_is_none_of_the_few_is_refused() -> None:
    with refused(NotASetting, "not_one_of", words="a, b"):
        one_of("a", "b")("c")


OLD_VARIABLES = [
    (f"CLEANSIDE_{name}", f"CLEANSIDE_GATEWAY_{name}")
    for name in ("KEY", "SETTINGS", "SOURCES", *(row.attribute.upper() for row in gateways.TABLE.rows))
]


@pytest.mark.parametrize(("old", "new"), OLD_VARIABLES)
def test_every_old_variable_of_the_gateway_is_read_with_a_notice_of_the_new_one(
    old: str, new: str, tmp_path: Path
) -> None:
    (tmp_path / "empty").touch()
    values = {"CLEANSIDE_SETTINGS": str(tmp_path / "empty"), "CLEANSIDE_BESIDE_GAUGE_UNIT": "kPa"}
    value = values.get(old, "1")
    notices = list[str]()
    _, _, environ = gateways.TABLE.read({}, {old: value} | wide(old), notices.append)
    assert environ[new]
    assert [re.findall(r"CLEANSIDE_\w+", notice) for notice in notices] == [[old, new]]
    notices.clear()
    gateways.TABLE.read({}, {old: "x", new: value} | wide(new), notices.append)
    assert notices == []


def wide(name: str) -> dict[str, str]:
    """A value that the rule of a setting takes, where 1 is none."""
    if name.endswith("BUDGET_BYTES"):
        return {name: str(2**20)}
    return {name: "1024"} if name.endswith("MAX_BYTES") else {}


def test_the_device_and_key_of_an_old_unit_file_still_work() -> None:
    notices = list[str]()
    old = {"CLEANSIDE_DEVICE": "grader-07-intake", "CLEANSIDE_KEY": "k0.s", "HOME": "/h"}
    chosen = gateways.load({}, old, notify=notices.append)
    assert chosen.device == "grader-07-intake"
    assert gateways.key_reader(chosen, old)() == "k0.s"
    assert len(notices) == 2


def test_the_old_name_of_the_servers_file_is_read_with_a_notice(tmp_path: Path) -> None:
    file = tmp_path / "server.toml"
    file.write_text("port = 7\n")
    by_flag = read(["--config", str(file)], {}, servers.TABLE)
    by_variable = read([], {"CLEANSIDE_INGEST_CONFIG": str(file)}, servers.TABLE)
    for (values, [notice]), new in ((by_flag, "--settings"), (by_variable, "CLEANSIDE_INGEST_SETTINGS")):
        assert values == {"port": 7}
        assert new in notice


@pytest.mark.parametrize(
    ("table", "words", "attribute", "value", "now"),
    [
        (
            gateways.TABLE,
            ["--run-exit-when-done", "true"],
            "run_exit_when_done",
            True,
            "--run-exit-when-done",
        ),
        (
            gateways.TABLE,
            ["--run-exit-when-done", "false"],
            "run_exit_when_done",
            False,
            "--no-run-exit-when-done",
        ),
        (servers.TABLE, ["--access-log", "on"], "access_log", True, "--access-log"),
        (servers.TABLE, ["--access-log=off"], "access_log", False, "--no-access-log"),
    ],
)
def test_a_switch_with_a_value_is_read_with_a_notice(
    table: Table, words: list[str], attribute: str, value: bool, now: str
) -> None:
    values, [notice] = read(words, {}, table)
    assert values == {attribute: value}
    assert f"is now {now};" in notice


def test_the_servers_old_words_in_a_file_still_work(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text('access_log = "off"\n')
    assert servers.load({"settings": str(tmp_path / "s.toml")}, {}).access_log is False


def test_a_notice_is_one_line_on_standard_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "s.toml").touch()
    database = f"sqlite:///{tmp_path / 'd.db'}"
    flags = ["--config", str(tmp_path / "s.toml"), "--database", database]
    assert ingest_cli.main(["migrate", *flags]) == 0
    assert ingest_cli.main(["account", *flags]) == 0
    heard = capsys.readouterr()
    assert [line for line in heard.err.splitlines() if not line.startswith("new database: ")] == [
        "cleanside-ingest: --config is now --settings; the old name is read for one release"
    ] * 2
    monkeypatch.setenv("CLEANSIDE_SPOOL_PATH", str(tmp_path / "a"))
    assert gateway_cli.main(["verify", "--device", "d"]) == 2
    assert (
        capsys.readouterr()
        .err.splitlines()[0]
        .startswith("cleanside-gateway: CLEANSIDE_SPOOL_PATH is now CLEANSIDE_GATEWAY_SPOOL_PATH;")
    )


def test_without_a_command_a_notice_goes_to_the_log(caplog: pytest.LogCaptureFixture) -> None:
    gateways.load({}, {"CLEANSIDE_DEVICE": "d", "HOME": "/h"})
    assert [record.name for record in caplog.records] == ["cleanside.gateway"]


def test_both_programs_call_the_file_and_the_values_the_same() -> None:
    for add in (gateways.add_flags, servers.add_flags):
        parser = argparse.ArgumentParser(prog="p")
        add(parser)
        shown = parser.format_help()
        assert "--settings FILE" in shown
        assert " VALUE" in shown
        assert not re.search(r"\b(STR|INT)\b|--config", shown)
