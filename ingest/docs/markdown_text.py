"""Pieces of Markdown for the pages that are made of the code. Pure."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from typing import Any


def plain(text: object) -> str:
    """A text as it is, on one line: nothing in it is markup."""
    one_line = " ".join(str(text).split())
    return re.sub(r"([\\`*|\[\]])", r"\\\1", one_line).replace("<", "&lt;")


def code(text: object) -> str:
    """A text in the letters of code; in a table its bars are kept from cutting the row."""
    return f"`` {text} ``".replace("|", "\\|") if "`" in str(text) else f"`{text}`".replace("|", "\\|")


def anchor(name: str) -> str:
    """The place that `page.html#name` leads to."""
    return f'<span id="{name}"></span>'


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table of finished cells; empty where there is no row. On a phone each row stands below the other."""
    lines = ["| " + " | ".join(row) + " |" for row in rows]
    if not lines:
        return ""
    head = ["| " + " | ".join(heads) + " |", "|" + " --- |" * len(heads)]
    return "\n".join([":::{container} facts", "", *head, *lines, ":::"])


def example(document: Any, *, words: str = "json") -> str:
    """A document as a block; a text stands as it is."""
    text = document if isinstance(document, str) else json.dumps(document, indent=2, ensure_ascii=False)
    return f"```{words}\n{text.rstrip()}\n```"


def page(title: str, *parts: str) -> str:
    """A page of its parts, empty ones left out."""
    return "\n\n".join([f"# {title}", *(part for part in parts if part)]) + "\n"
