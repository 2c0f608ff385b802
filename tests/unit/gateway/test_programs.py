"""A program whose packages are not installed."""

from __future__ import annotations

from importlib.metadata import PathDistribution

import pytest

from cleanside.gateway import programs
from cleanside.gateway.install_command import command_for


@pytest.mark.parametrize(
    ("part", "package"), [("gateway", "apsw"), ("ingest", "sqlalchemy"), ("simulator", "rich")]
)
def test_a_part_that_is_not_installed_says_what_to_install(
    part: str, package: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lacking = ModuleNotFoundError(f"No module named '{package}.core'", name=f"{package}.core")

    def load(name: str) -> None:
        assert name == f"cleanside.{part}.cli"
        raise lacking

    monkeypatch.setattr(programs, "import_module", load)
    assert programs.begin(part) == 2
    said = f"cleanside-{part}: its package {package} is not installed here; {command_for(part)}\n"
    assert capsys.readouterr().err == said


# PEP 610, "Example direct_url.json files"
@pytest.mark.parametrize(
    ("origin", "command"),
    [
        (None, "pip install 'cleanside[gateway]'"),  # from a registry
        ('{"url": "file:///home/shop/clean%20side", "dir_info": {}}', "'/home/shop/clean side[gateway]'"),
        ('{"url": "file:///srv/clone", "dir_info": {"editable": true}}', "install -e '/srv/clone[gateway]'"),
        (
            '{"url": "file:///srv/c-1-py3-none-any.whl", "archive_info": {}}',
            "'/srv/c-1-py3-none-any.whl[gateway]'",
        ),
        ("no json", "pip install 'cleanside[gateway]'"),
    ],
)
def test_a_part_is_installed_from_where_the_package_came(
    origin: str | None, command: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(PathDistribution, "read_text", lambda _self, _name: origin)
    assert command_for("gateway").endswith(command)


def test_a_module_of_ours_that_is_missing_is_a_fault_and_keeps_its_traceback(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def load(name: str) -> None:
        raise ModuleNotFoundError(name, name="cleanside.gateway.gone")

    monkeypatch.setattr(programs, "import_module", load)
    with pytest.raises(ModuleNotFoundError):
        programs.gateway()
