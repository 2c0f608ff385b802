"""
Fields of the page's forms: a name and a note as the server takes them, each with its fault beside it.

Promises: pure; a fault keeps what was written; nothing is cut or guessed.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Final

MOST_NAME: Final = 60  # characters; chosen
MOST_NOTE: Final = 400  # characters, as the server takes
#: of text alone: a browser cuts what is longer without a word, and a number that is cut is another number
_MOST: Final = {"by": MOST_NAME, "note": MOST_NOTE}


def name_and_note(fields: Mapping[str, str]) -> tuple[str, str, dict[str, str]]:
    """Name, note, and field -> code of its fault."""
    by, note, faults = fields.get("by", "").strip(), fields.get("note", "").strip(), {}
    if not 1 <= len(by) <= MOST_NAME or not by.isprintable():
        faults["by"] = "fault_who"
    if len(note) > MOST_NOTE or not note.isprintable():
        faults["note"] = "fault_note"
    return by, note, faults


def fault_top(words: Mapping[str, str], faults: Mapping[str, str], said: str) -> str:
    """How many faults there are, and a sentence, above a form."""
    count = words["fault_count"].format(count=len(faults)) if faults else ""
    return "".join(f'<p class="fault" role="alert">{escape(text)}</p>' for text in (count, said) if text)


def text_field(
    words: Mapping[str, str], name: str, label: str, fields: Mapping[str, str], faults: Mapping[str, str]
) -> str:
    """A field for one line of text. label : code of its words."""
    kind = ' inputmode="numeric"' if name == "ago_min" else ' autocomplete="name"' if name == "by" else ""
    most = f' maxlength="{_MOST[name]}"' if name in _MOST else ""
    return (
        f'<div><label for="{name}">{escape(words[label])}</label>'
        f'<input id="{name}" name="{name}"{most} value="{escape(fields.get(name, ""))}"'
        f"{kind}{described(name, faults)}>{fault_beside(words, name, faults)}</div>"
    )


def described(name: str, faults: Mapping[str, str]) -> str:
    """What leads a reader from a field to its fault."""
    return f' aria-describedby="{name}-fault" aria-invalid="true"' if name in faults else ""


def fault_beside(words: Mapping[str, str], name: str, faults: Mapping[str, str]) -> str:
    """The fault of a field in words."""
    if name not in faults:
        return ""
    return f'<p class="fault" id="{name}-fault">{escape(words[faults[name]])}</p>'
