"""A program whose packages are not installed."""

from __future__ import annotations

import pytest

from cleanside.gateway import programs


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
    said = f"cleanside-{part}: its package {package} is not installed here; pip install 'cleanside[{part}]'\n"
    assert capsys.readouterr().err == said


def test_a_module_of_ours_that_is_missing_is_a_fault_and_keeps_its_traceback(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def load(name: str) -> None:
        raise ModuleNotFoundError(name, name="cleanside.gateway.gone")

    monkeypatch.setattr(programs, "import_module", load)
    with pytest.raises(ModuleNotFoundError):
        programs.gateway()
