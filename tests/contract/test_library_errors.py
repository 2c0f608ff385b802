"""No text of a library's error gets into a log, a note or a message: it may quote a key."""

from __future__ import annotations

import ast
import inspect
from collections.abc import Iterator
from pathlib import Path

import pytest

from cleanside.gateway import errors

ROOT = Path(__file__).parents[2]
FILES = sorted((ROOT / "gateway").rglob("*.py"))
OURS = {
    name
    for name, kind in inspect.getmembers(errors, inspect.isclass)
    if kind.__module__ == "cleanside.gateway.errors"
}

#: file and error -> why its text may be quoted all the same
ALLOWED = {
    ("gateway/spool/file.py", "apsw"): "SQLite speaks of pages and tables; no key is ever in the spool",
    ("gateway/spool/file.py", "_NOT_AS_WRITTEN"): "the same",
    ("gateway/commands/verify.py", "apsw"): "the same",
    ("gateway/spool/payload.py", "ValueError"): "a reading's own text",
    ("gateway/spool/payload.py", "TypeError"): "the same",
    ("gateway/sources/csv.py", "KeyError"): "the name of a column",
    ("gateway/sources/csv.py", "OverflowError"): "a time out of range",
    ("gateway/spool/queue.py", "KeyError"): "a row of the spool",
    ("gateway/spool/queue.py", "TypeError"): "a row of the spool",
    ("gateway/spool/queue.py", "ValueError"): "a row of the spool",
    ("gateway/bundle.py", "ValueError"): "what cannot be unpacked; a bundle has no key in it",
    ("gateway/wire/zstd.py", "zstandard"): "it speaks of frames, which hold readings alone",
    ("gateway/uplink/fakes.py", "BatchRefused"): "a text of ours",
}
#: errors that our own readers of text raise, in words of ours
OWN_WORDS = {"ValueError", "BatchRefused", "BundleBroken", "NotAsWritten", "NotAnInstant", "NotASetting"}
READERS = {
    *("gateway/wire/decoder.py", "gateway/wire/strict_json.py", "gateway/wire/replies.py"),
    "gateway/wire/instants.py",
    *(
        "gateway/settings.py",
        "gateway/setting_table.py",
        "gateway/commands/export.py",
        "gateway/client/client.py",
    ),
    *(
        "gateway/uplink/decision.py",
        "gateway/uplink/asking.py",
        "gateway/uplink/entry_lane.py",
        "gateway/sources/csv.py",
        "gateway/sources/ndjson.py",
    ),
    "gateway/spool/told_time.py",
    "gateway/sources/mqtt.py",
}


def caught(handler: ast.ExceptHandler) -> set[str]:
    """Names of what a handler takes: `apsw.Error` counts as apsw."""
    if handler.type is None:
        return {"BaseException"}
    kinds = handler.type.elts if isinstance(handler.type, ast.Tuple) else [handler.type]
    return {ast.unparse(kind).lstrip("*").split(".")[0] for kind in kinds}


def quotes(handler: ast.ExceptHandler) -> Iterator[ast.AST]:
    """Where the body makes a text of the error itself."""
    for node in (inner for statement in handler.body for inner in ast.walk(statement)):
        match node:
            case ast.FormattedValue(value=ast.Name(id=name)) if name == handler.name:
                yield node
            case ast.Call(func=ast.Name(id="str" | "repr" | "format"), args=[ast.Name(id=name)]):
                if name == handler.name:
                    yield node
            case ast.keyword(value=ast.Name(id=name)) if name == handler.name:
                yield node.value


def offences(path: Path) -> list[str]:
    place = path.relative_to(ROOT).as_posix()
    found = []
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ExceptHandler) and node.name and list(quotes(node)):
            strange = caught(node) - OURS - (OWN_WORDS if place in READERS else set())
            found += [f"{place}: {kind}" for kind in sorted(strange) if (place, kind) not in ALLOWED]
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_only_our_own_errors_are_quoted(path: Path) -> None:
    assert offences(path) == []


def test_a_quote_would_be_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    for text in ('f"{error}"', "str(error)", "log(reason=error)", 'f"{error!r}"'):
        (tmp_path / "a.py").write_text(f"try:\n    pass\nexcept (OSError, x.Wrong) as error:\n    {text}\n")
        assert offences(tmp_path / "a.py") == ["a.py: OSError", "a.py: x"]
