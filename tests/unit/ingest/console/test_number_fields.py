"""
No page cuts a number: a browser drops what is beyond `maxlength` without a word.

HTML, section "Limiting user input length: the maxlength attribute": user agents may prevent the user from
entering more. The server says what is too long.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cleanside.ingest.console.rendering import TEMPLATES

FILES = sorted(Path(TEMPLATES).glob("*.html"))
TAG = re.compile(r"<input\b(?:\{\{.*?\}\}|\{%.*?%\}|[^>{]|\{(?![{%]))*>", re.DOTALL)
OF_NUMBERS = re.compile(r'inputmode="(?:numeric|decimal)"')
#: of a macro whose caller says which keyboard: text alone has a length
EITHER = re.compile(r"\{% if mode %\}[^%]*\{% el\w+[^%]*%\}[^%]*maxlength[^%]*\{% endif %\}")


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_a_field_for_a_number_cuts_nothing(file: Path) -> None:
    tags = [tag.group() for tag in TAG.finditer(file.read_text())]
    cut = [tag for tag in tags if OF_NUMBERS.search(tag) and "maxlength" in tag]
    either = [tag for tag in tags if "{{ mode }}" in tag and "maxlength" in EITHER.sub("", tag)]
    assert cut + either == []


def test_there_are_fields_for_numbers_to_look_at() -> None:
    found = [tag for file in FILES for tag in TAG.findall(file.read_text()) if OF_NUMBERS.search(tag)]
    assert len(found) >= 15
