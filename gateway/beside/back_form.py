"""
Taking back what was entered at the machine by mistake: a record of its own that names the entry.

Promises: pure. The entry itself stays on the gateway and in the list, with what became of it.
Leaves to others: keeping the record and sending both in order (`gateway.spool.machine_entries`), undoing the
entry (the server).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

from cleanside.gateway.beside.form_fields import fault_top, name_and_note, text_field
from cleanside.gateway.beside.page_words import WORDS
from cleanside.gateway.spool.machine_entries import KeptEntry

TAKES_BACK: Final = "takes_back"


@dataclass(frozen=True, kw_only=True, slots=True)
class WrittenBack:
    """Who takes which entry back, and why."""

    of: str
    by: str
    note: str

    @property
    def content(self) -> dict[str, Any]:
        """As it is kept and sent."""
        return {"what": TAKES_BACK, "of": self.of, "note": self.note, "by": self.by}


def read_back_form(fields: Mapping[str, str]) -> WrittenBack | dict[str, str]:
    """The record, or field -> code of its fault."""
    by, note, faults = name_and_note(fields)
    if faults:
        return faults
    return WrittenBack(of=fields.get("of", ""), by=by, note=note)


def taken_back(entries: Sequence[KeptEntry]) -> dict[str, KeptEntry]:
    """Id of an entry -> what takes it back, for those that are."""
    return {str(e.content.get("of")): e for e in entries if e.content.get("what") == TAKES_BACK}


def back_page(
    language: str,
    *,
    named: KeptEntry,
    said_of: str,
    fields: Mapping[str, str],
    faults: Mapping[str, str],
    said: str = "",
) -> str:
    """The form. named : the entry to take back. said_of : it in words, HTML. said : a sentence at its top."""
    words = WORDS[language]
    return (
        f'<div class="opening"><h1>{escape(words["back_title"])}</h1>{fault_top(words, faults, said)}</div>'
        f'<p class="question">{said_of}</p>'
        f'<form method="post" action="/entry/back">'
        f'<input type="hidden" name="of" value="{escape(named.entry_id)}">'
        f"{text_field(words, 'by', 'entry_who', fields, faults)}"
        f"{text_field(words, 'note', 'back_why', fields, faults)}"
        f'<p class="note">{escape(words["back_then"])}</p>'
        f'<p><button class="first">{escape(words["back_save"])}</button></p></form>'
        f'<p class="note">{escape(words["back_instead"])}</p>'
        f'<div class="end-bar"><a class="button" href="/entry">{escape(words["back_not"])}</a></div>'
    )
