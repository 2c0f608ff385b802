"""The audit of dependencies in CI: what fails it, and what is only said."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.ci_scripts import FOLDER, load

audit = load("audit")


def package(name: str, *vulns: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"name": name, "version": "1.0", "vulns": list(vulns)} | more


def test_a_published_vulnerability_fails_and_says_what_to_install() -> None:
    """The layout is pip-audit's JSON output (its documentation, section "Output format")."""
    bad = {"id": "PYSEC-2021-108", "fix_versions": ["1.26.5"], "aliases": [], "description": ""}
    found, notice = audit.verdict({"dependencies": [package("urllib3", bad), package("apsw")]})
    assert found == ["urllib3 1.0: PYSEC-2021-108, fixed in 1.26.5"]
    assert notice.startswith("2 packages looked up, 0 unknown")


def test_what_the_registry_cannot_say_fails_nothing_and_is_said() -> None:
    unknown = {"name": "uvicorn", "version": "0.54.0", "skip_reason": "not found"}
    assert audit.verdict({"dependencies": [unknown]}) == (
        [],
        "0 packages looked up, 1 unknown to the registry's vulnerability data",
    )
    assert audit.verdict(None)[0] == []


@pytest.mark.parametrize(("version", "safe"), [("3.51.2", False), ("3.51.3", True), ("3.52.0", True)])
def test_the_spools_sqlite_must_be_one_that_does_not_lose_commits(version: str, safe: bool) -> None:
    assert (audit.old_sqlite(version) == []) is safe


def test_what_is_installed_here_has_it() -> None:
    assert audit.old_sqlite(audit.apsw_version()) == []


def test_ci_runs_it() -> None:
    assert ".venv/bin/python .ci/audit" in (FOLDER / "run").read_text()
