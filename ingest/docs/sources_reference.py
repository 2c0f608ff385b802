"""What each source of a gateway reads and which options it takes: the words at the top of its file."""

from __future__ import annotations

import ast
from importlib.metadata import EntryPoint, entry_points
from importlib.resources import files

from cleanside.ingest.docs.markdown_text import anchor, code, example, page

GROUP = "cleanside.sources"


def sources() -> str:
    """The page of all sources that come with the gateway."""
    opening = (
        "A gateway reads from one or more sources, each a table `[[sources]]` of its settings with `use` and "
        "the options that stand here. Another package adds its own in the group `cleanside.sources`."
    )
    ours = sorted(e for e in entry_points(group=GROUP) if e.module.startswith("cleanside."))
    parts = [
        f"## {entry.name}\n\n{anchor(entry.name)}{code(entry.module)}\n\n{_words(entry)}" for entry in ours
    ]
    return page("Sources of readings", opening, *parts)


def _words(entry: EntryPoint) -> str:
    """The docstring; read, not imported, because a source may need a library that is not there."""
    package, _, name = entry.module.rpartition(".")
    text = (files(package) / f"{name}.py").read_text(encoding="utf-8")
    return example(ast.get_docstring(ast.parse(text)) or "", words="text")
