"""The gateway's errors: each code has a sentence, each sentence its values; what a sentence must say."""

from __future__ import annotations

import ast
import string
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path

import pytest

from cleanside.gateway import errors, setting_texts
from cleanside.gateway.errors import CalledWrongly, SettingsWrong, SpoolFull, SpoolTooNew, TryAgain
from cleanside.gateway.wire import Coded
from tests.support.house import ROOT, tree

KINDS = {name for name, kind in vars(errors).items() if isinstance(kind, type) and issubclass(kind, Coded)}
#: what a helper adds to the values: the source, or the file of a secret and its setting
ADDED = {"wrong": {"source", "file", "check"}, "_wrong": {"source"}}


def raised(path: Path) -> Iterator[tuple[str, set[str]]]:
    """Each code that a file gives an error, and the names of its values."""
    for node in ast.walk(tree(path)):
        if not isinstance(node, ast.Call) or not node.args:
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name in KINDS or name in ADDED:
            values = {word.arg for word in node.keywords if word.arg} | ADDED.get(name, set())
            for part in ast.walk(node.args[0]):
                if isinstance(part, ast.Constant) and isinstance(part.value, str):
                    yield part.value, values


@cache
def calls() -> Sequence[tuple[str, str, set[str]]]:
    """Each place, its code and the names of its values; read by the test that asks first."""
    return [
        (path.relative_to(ROOT).as_posix(), code, values)
        for path in sorted((ROOT / "gateway").rglob("*.py"))
        for code, values in raised(path)
        if " " not in code
    ]


def test_every_code_has_a_sentence_and_every_sentence_a_use() -> None:
    used = {code for _, code, _ in calls()}
    assert used | setting_texts.SENTENCES.keys() == errors.GatewayError.SENTENCES.keys()


def test_the_sentences_of_settings_are_those_of_both_programs() -> None:
    shared = {code: errors.GatewayError.SENTENCES[code] for code in setting_texts.SENTENCES}
    assert shared == setting_texts.SENTENCES


def test_every_place_that_raises_gives_the_values_of_its_sentence() -> None:
    missing = []
    for place, code, values in calls():
        sentence = errors.GatewayError.SENTENCES[code]
        if isinstance(sentence, str):
            needed = {name for _, name, _, _ in string.Formatter().parse(sentence) if name}
            missing += [(place, code, name) for name in needed - values]
    assert missing == []


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (SpoolFull("disk_full", path="/data/a", why="full"), "free some MiB on this file system"),
        (
            SpoolTooNew("sqlite_loses_commits", version="3.51.2", least="3.51.3"),
            "install apsw 3.51.3 or later",
        ),
        (
            CalledWrongly("version_older", path="a", version=1, this_version=2),
            "has version 1, this program writes 2; start the gateway once",
        ),
        (CalledWrongly("not_a_spool", path="a"), "it was left as it is, give another spool.path"),
        (TryAgain("not_enrolled_yet", why="no answer"), "run the same command again, the code is still good"),
        (
            SettingsWrong("not_a_text", place="port", value=1, about="Port to listen on."),
            "is not a text; Port to listen on",
        ),
        (SettingsWrong("device_not_set"), "set --device, CLEANSIDE_GATEWAY_DEVICE or device in the"),
    ],
)
def test_a_sentence_names_the_next_step(error: Coded, says: str) -> None:
    assert says in str(error)


def test_an_error_with_a_sentence_of_its_own_has_the_code_of_its_class() -> None:
    error = SpoolFull("the disk of the bench is full; take another")
    assert (error.code, dict(error.values)) == ("spool_full", {})
    assert str(error) == "the disk of the bench is full; take another"
