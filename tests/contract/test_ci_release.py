"""A release: what is stamped and what stops it. And the rule for commit subjects."""

from __future__ import annotations

from datetime import date

import pytest

from cleanside.gateway.version import VERSION
from tests.support.ci_scripts import FOLDER, load

release = load("release")
subjects = load("subjects")
TODAY = date(2027, 2, 1)


def test_a_release_stamps_version_and_build_day() -> None:
    text = (FOLDER.parent / "gateway" / "version.py").read_text()
    stamped = release.stamped(text, "9.8.7", TODAY)
    assert 'VERSION: Final = "9.8.7"\nBUILT: Final = "2027-02-01"' in stamped
    assert len(stamped.splitlines()) == len(text.splitlines())


def test_a_version_file_that_is_not_as_expected_stops_the_release() -> None:
    with pytest.raises(release.NotReady):
        release.stamped('VERSION = "1.0.0"\n', "9.8.7", TODAY)


def test_the_schema_of_the_last_release_is_named_or_the_release_stops() -> None:
    text = (FOLDER.parent / "ingest" / "store" / "releases.py").read_text()
    release.require_previous(text, [])
    files = ["migrations/versions/__init__.py", "migrations/versions/0001_readings.py"]
    with pytest.raises(release.NotReady, match='"0001"'):
        release.require_previous(text, files)
    named = text.replace("[str | None] = None", '[str | None] = "0001"')
    release.require_previous(named, files)
    with pytest.raises(release.NotReady, match="None"):
        release.require_previous(named, [])


def test_the_changelog_gets_a_heading_for_the_release() -> None:
    text = "# Changelog\n\n## Unreleased\n\n### Fixed\n- A thing.\n\n## 0.1.0 (2026-11-24)\n"
    dated = release.dated(text, "0.2.0", TODAY)
    assert "## Unreleased\n\n## 0.2.0 (2027-02-01)\n\n### Fixed\n- A thing.\n" in dated


def test_a_release_that_changes_nothing_for_a_user_is_stopped() -> None:
    with pytest.raises(release.NotReady):
        release.dated("## Unreleased\n\n## 0.1.0 (2026-11-24)\n- First.\n", "0.2.0", TODAY)


@pytest.mark.parametrize("words", [[], ["1"], ["v1.0.0"], [VERSION, "extra"]])
def test_a_version_that_is_none_is_refused(words: list[str]) -> None:
    assert release.main(words) == 2


def test_a_subject_over_the_limit_is_named() -> None:
    fits, long = f"abc1234 {'x' * 72}", f"abc1235 {'x' * 73}"
    assert subjects.too_long([fits, long]) == [long]
