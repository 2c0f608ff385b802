"""Settings: one table; a flag outranks the environment, that the file, that the default."""

from __future__ import annotations

import argparse
from dataclasses import fields
from pathlib import Path

import pytest

from cleanside.ingest import settings
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.settings import Settings, load


def test_without_anything_the_database_is_a_file_in_the_users_data_folder(tmp_path: Path) -> None:
    """XDG Base Directory Specification: $XDG_DATA_HOME, else ~/.local/share."""
    found = load(environ={"XDG_DATA_HOME": str(tmp_path)})
    assert found.database == f"sqlite:///{tmp_path}/cleanside/ingest.db"
    assert load(environ={}).database == f"sqlite:///{Path.home()}/.local/share/cleanside/ingest.db"
    assert (found.host, found.port) == ("127.0.0.1", 8750)


def test_a_flag_outranks_the_environment_and_that_the_file(tmp_path: Path) -> None:
    file = tmp_path / "ingest.toml"
    file.write_text('port = 1\nhost = "a"\nlog_level = "debug"\n')
    environ = {"CLEANSIDE_INGEST_PORT": "2", "CLEANSIDE_INGEST_HOST": "b"}
    found = load(flags={"port": 3, "host": None}, environ=environ, config=file)
    assert (found.port, found.host, found.log_level) == (3, "b", "debug")


def test_the_file_may_be_named_by_the_environment(tmp_path: Path) -> None:
    file = tmp_path / "ingest.toml"
    file.write_text("max_waiting = 7\n")
    assert load(environ={"CLEANSIDE_INGEST_CONFIG": str(file)}).max_waiting == 7


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("prot = 1", "prot is no setting"),
        ('port = "eight"', "port is 'eight'; it must be a whole number"),
        ("port = true", "it must be a whole number"),
        ("port = ", "is not TOML"),
    ],
)
def test_a_file_that_does_not_fit_says_where_and_what(tmp_path: Path, content: str, message: str) -> None:
    file = tmp_path / "ingest.toml"
    file.write_text(content)
    with pytest.raises(CalledWrongly, match=message) as error:
        load(environ={}, config=file)
    assert str(file) in str(error.value)


def test_a_variable_that_does_not_fit_is_named() -> None:
    with pytest.raises(CalledWrongly, match="CLEANSIDE_INGEST_PORT is 'x'"):
        load(environ={"CLEANSIDE_INGEST_PORT": "x"})


@pytest.mark.parametrize(
    ("flags", "message"),
    [
        ({"port": 99_999}, "port is 99999; it must be a whole number from 0 to 65535"),
        ({"retention_days": -1}, "retention_days is -1; it must be a whole number from 0 up"),
    ],
)
def test_a_number_that_cannot_be_is_refused(flags: dict[str, int], message: str) -> None:
    """The system would take port 99999 as 34463 without a word."""
    with pytest.raises(CalledWrongly, match=message):
        load(flags=flags, environ={})


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(CalledWrongly, match="cannot be read"):
        load(environ={}, config=tmp_path / "none.toml")


def test_every_setting_is_a_flag_with_a_sentence_and_its_variable() -> None:
    parser = argparse.ArgumentParser()
    settings.add_arguments(parser)
    shown = parser.format_help().replace("\n", " ")
    for row in fields(Settings):
        assert "--" + row.name.replace("_", "-") in shown
        assert f"CLEANSIDE_INGEST_{row.name.upper()}" in shown
        assert len(row.metadata["help"]) > 10
