"""Settings: one table; a flag outranks the environment, that the file, that the default."""

from __future__ import annotations

import argparse
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from cleanside.ingest import settings
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.settings import TABLE, Settings, load
from tests.support.coded import refused


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
    ("content", "code", "values"),
    [
        ("prot = 1", "not_settings", {"names": ["prot"]}),
        ('port = "eight"', "not_whole", {"value": "eight", "lowest": 0, "highest": 65_535}),
        ("port = true", "not_whole", {"value": True}),
        ("host = 1", "not_a_text", {"value": 1}),
        ('log_level = "loud"', "not_one_of", {"words": "debug, info, warning, error"}),
        ("port = ", "settings_not_toml", {}),
    ],
)
def test_a_file_that_does_not_fit_says_where_and_what(
    tmp_path: Path, content: str, code: str, values: dict[str, Any]
) -> None:
    file = tmp_path / "ingest.toml"
    file.write_text(content)
    with refused(CalledWrongly, code, **values) as error:
        load({"settings": str(file)}, {})
    assert str(file) in str(error.value)


def test_a_variable_that_does_not_fit_is_named() -> None:
    with refused(CalledWrongly, "not_whole", place="CLEANSIDE_INGEST_PORT", value="x"):
        load({}, {"CLEANSIDE_INGEST_PORT": "x"})


@pytest.mark.parametrize(
    ("flags", "code", "values"),
    [
        ({"port": 99_999}, "not_whole", {"place": "--port", "lowest": 0, "highest": 65_535}),
        ({"retention_days": -1}, "not_whole_from", {"place": "--retention-days", "lowest": 0}),
    ],
)
def test_a_number_that_cannot_be_is_refused(flags: dict[str, int], code: str, values: dict[str, Any]) -> None:
    """The system would take port 99999 as 34463 without a word."""
    with refused(CalledWrongly, code, value=next(iter(flags.values())), **values):
        load(flags, {})


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with refused(CalledWrongly, "settings_unreadable", file=tmp_path / "none.toml"):
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


def test_an_address_of_pages_has_its_scheme() -> None:
    bare = "filters.example"
    with refused(CalledWrongly, "not_a_web_address", value=bare, address=bare):
        load({"public_address": bare}, {})
    for address in ("https://filters.example", "http://10.0.0.4:8750", ""):
        assert load(flags={"public_address": address}, environ={}).public_address == address
