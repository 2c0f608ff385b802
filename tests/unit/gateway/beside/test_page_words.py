"""Words of the page: both languages have every one, and every code of the checks has its sentence."""

from __future__ import annotations

import re
import string
from pathlib import Path

import pytest

from cleanside.gateway import spot_checks
from cleanside.gateway.beside.page_words import DE, EN, language_of
from cleanside.gateway.units import QUANTITIES


def places(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def test_both_languages_have_the_same_codes_and_places() -> None:
    assert list(DE) == list(EN)
    assert {code: places(text) for code, text in DE.items()} == {
        code: places(text) for code, text in EN.items()
    }


def test_every_code_that_a_check_says_has_its_sentence() -> None:
    source = Path(spot_checks.__file__).read_text()
    said = set(re.findall(r'say\(\s*"([^"]+)"', source)) | {"high_idle_not_seen"}
    names = {spot_checks.SUPPLY, spot_checks.KEY_OFF, spot_checks.CLOCK, spot_checks.LINK}
    names |= {spot_checks.ZERO, spot_checks.ANSWER, "passed", "failed", "not yet seen"}
    assert len(said) > 20
    assert (said | names | set(QUANTITIES)) - set(EN) == set()


@pytest.mark.parametrize(
    ("accept", "language"),
    [
        ("de-AT,de;q=0.9,en;q=0.5", "de"),
        ("fr-FR, en", "en"),
        ("en-GB,de", "en"),
        ("", "en"),
        ("x" * 9000 + ",de", "en"),
    ],
)
def test_the_first_language_of_ours_counts(accept: str, language: str) -> None:
    assert language_of(accept) == language
