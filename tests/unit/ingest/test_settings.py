"""Settings: one table; a flag outranks the environment, that the file, that the default."""

from __future__ import annotations

import argparse
from dataclasses import fields
from pathlib import Path

import pytest

from cleanside.ingest import settings
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.settings import TABLE, Settings, load


def test_without_anything_the_database_is_a_file_in_the_users_data_folder(tmp_path: Path) -> None:
    """XDG Base Directory Specification: $XDG_DATA_HOME, else ~/.local/share."""
    found = load({}, {"XDG_DATA_HOME": str(tmp_path)})
    assert found.database == f"sqlite:///{tmp_path}/cleanside/ingest.db"
    assert load({}, {}).database == f"sqlite:///{Path.home()}/.local/share/cleanside/ingest.db"
    assert (found.host, found.port) == ("127.0.0.1", 8750)


def test_a_flag_outranks_the_environment_and_that_the_file(tmp_path: Path) -> None:
    file = tmp_path / "ingest.toml"
    file.write_text('port = 1\nhost = "a"\nlog_level = "debug"\n')
    environ = {"CLEANSIDE_INGEST_PORT": "2", "CLEANSIDE_INGEST_HOST": "b"}
    found = load({"settings": str(file), "port": 3, "host": None}, environ)
    assert (found.port, found.host, found.log_level) == (3, "b", "debug")


def test_the_file_may_be_named_by_the_environment(tmp_path: Path) -> None:
    file = tmp_path / "ingest.toml"
    file.write_text("max_waiting = 7\n")
    assert load({}, {"CLEANSIDE_INGEST_SETTINGS": str(file)}).max_waiting == 7


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("prot = 1", r"prot is not a setting; did you mean port\?"),
        ('port = "eight"', 'port "eight" is not a whole number from 0 to 65535'),
        ("port = true", "is not a whole number"),
        ("host = 1", "is not a text"),
        ('log_level = "loud"', "is not one of debug, info, warning, error"),
        ("port = ", "is not TOML"),
    ],
)
def test_a_file_that_does_not_fit_says_where_and_what(tmp_path: Path, content: str, message: str) -> None:
    file = tmp_path / "ingest.toml"
    file.write_text(content)
    with pytest.raises(CalledWrongly, match=message) as error:
        load({"settings": str(file)}, {})
    assert str(file) in str(error.value)


def test_a_variable_that_does_not_fit_is_named() -> None:
    with pytest.raises(CalledWrongly, match='CLEANSIDE_INGEST_PORT "x" is not a whole number'):
        load({}, {"CLEANSIDE_INGEST_PORT": "x"})


@pytest.mark.parametrize(
    ("flags", "message"),
    [
        ({"port": 99_999}, '--port "99999" is not a whole number from 0 to 65535'),
        ({"retention_days": -1}, '--retention-days "-1" is not a whole number from 0 up'),
    ],
)
def test_a_number_that_cannot_be_is_refused(flags: dict[str, int], message: str) -> None:
    """The system would take port 99999 as 34463 without a word."""
    with pytest.raises(CalledWrongly, match=message):
        load(flags, {})


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(CalledWrongly, match="cannot be read"):
        load({"settings": str(tmp_path / "none.toml")}, {})


def test_every_setting_is_a_flag_with_a_sentence_and_its_variable() -> None:
    parser = argparse.ArgumentParser()
    settings.add_flags(parser)
    shown = parser.format_help().replace("\n", " ")
    assert {row.attribute for row in TABLE.rows} == {field.name for field in fields(Settings)}
    for row in TABLE.rows:
        assert row.flag in shown
        assert row.variable in shown
        assert len(row.sentence) > 10
