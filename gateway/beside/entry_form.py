"""
The form for what was done at the machine: from fields to an entry, or to what has to be put right.

Promises: pure. A fault keeps what was written in its field; nothing is cut or guessed.
Leaves to others: keeping the entry (`gateway.spool.queue`), who may send it (`gateway.beside.reception`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final
from urllib.parse import urlencode

from cleanside.gateway.beside.back_form import TAKES_BACK, taken_back
from cleanside.gateway.beside.form_fields import (
    described,
    fault_beside,
    fault_top,
    name_and_note,
    text_field,
)
from cleanside.gateway.beside.page_words import WORDS
from cleanside.gateway.beside.spot_page import age_text
from cleanside.gateway.spool.machine_entries import KeptEntry
from cleanside.gateway.wire import is_name

#: what may have been done; a denial of a change that was found needs the shop's page, which shows it
WORK: Final = ("new", "cleaned", "inspected", "safety_element")
MOST_AGO_MIN: Final = 1_440  # a day; what is older is entered at the shop (chosen)


@dataclass(frozen=True, kw_only=True, slots=True)
class WrittenEntry:
    """What a person entered."""

    entry_id: str
    what: str
    by: str
    note: str
    ago_min: int

    @property
    def content(self) -> dict[str, Any]:
        """As it is kept and sent."""
        return {"what": self.what, "note": self.note, "by": self.by}


def read_form(fields: Mapping[str, str]) -> WrittenEntry | dict[str, str]:
    """The entry, or field -> code of its fault."""
    what = fields.get("what", "")
    by, note, faults = name_and_note(fields)
    ago = fields.get("ago_min", "").strip() or "0"
    if what not in WORK:
        faults["what"] = "fault_what"
    is_number = ago.isdecimal() and ago.isascii() and len(ago) < 6
    if not is_number or int(ago) > MOST_AGO_MIN:
        faults["ago_min"] = "fault_ago"
    if faults:
        return faults
    return WrittenEntry(entry_id=fields.get("entry_id", ""), what=what, by=by, note=note, ago_min=int(ago))


def entry_id_of(given: str, made: str) -> str:
    """The id that a phone made for the same entry, if it is one; else ours."""
    return given if is_name(given) else made


def form_page(
    language: str,
    *,
    entry_id: str,
    fields: Mapping[str, str],
    faults: Mapping[str, str],
    made: Sequence[KeptEntry],
    said: str = "",
) -> str:
    """The form with what was written in it, and what was made here before. said : a sentence at its top."""
    words = WORDS[language]
    return (
        f'<div class="opening"><h1>{escape(words["entry_title"])}</h1>{fault_top(words, faults, said)}</div>'
        f'<section class="caution"><h2>{escape(words["entry_caution_title"])}</h2>'
        f"<p>{escape(words['entry_caution'])}</p></section>"
        f'<form method="post" action="/entry">'
        f'<input type="hidden" name="entry_id" value="{escape(entry_id)}">'
        f"{_what(words, fields, faults)}"
        f"{text_field(words, 'by', 'entry_who', fields, faults)}"
        f"{text_field(words, 'note', 'entry_note', fields, faults)}"
        f"{text_field(words, 'ago_min', 'entry_ago', {'ago_min': '0', **fields}, faults)}"
        f'<p class="note">{escape(words["entry_question"])}</p>'
        f'<p><button class="first">{escape(words["entry_save"])}</button></p></form>'
        f"{_made(words, made)}"
        f'<div class="end-bar"><a class="button" href="/">{escape(words["entry_back"])}</a></div>'
    )


def _what(words: Mapping[str, str], fields: Mapping[str, str], faults: Mapping[str, str]) -> str:
    options = "".join(
        f'<option value="{what}"{" selected" if fields.get("what") == what else ""}>'
        f"{escape(words[f'what_{what}'])}</option>"
        for what in WORK
    )
    return (
        f'<div><label for="what">{escape(words["entry_what"])}</label>'
        f'<select id="what" name="what" required{described("what", faults)}>'
        f'<option value="">{escape(words["entry_choose"])}</option>{options}</select>'
        f"{fault_beside(words, 'what', faults)}</div>"
    )


def _made(words: Mapping[str, str], made: Sequence[KeptEntry]) -> str:
    entries = [entry for entry in made if entry.content.get("what") != TAKES_BACK]
    if not entries:
        return ""
    back = taken_back(made)
    rows = "".join(f"<li>{_row(words, entry, back.get(entry.entry_id))}</li>" for entry in entries)
    return (
        f'<section class="section"><h2>{escape(words["entry_list"])}</h2>'
        f'<ul class="made">{rows}</ul></section>'
    )


def _row(words: Mapping[str, str], entry: KeptEntry, back: KeptEntry | None) -> str:
    """An entry with where it is, and either the way to take it back or who did."""
    shown = f"{entry_said(words, entry)} {_state(words, is_at_server=entry.is_at_server)}"
    if back is None:
        address = f"/entry/back?{urlencode({'of': entry.entry_id})}"
        take = escape(words["back_take"])
        label = f"{take}: {escape(_work(words, entry))}"
        return f'{shown} <a class="button" href="{escape(address)}" aria-label="{label}">{take}</a>'
    by = escape(words["back_by"]).replace("{by}", f"<bdi>{escape(str(back.content.get('by', '')))}</bdi>")
    state = _state(words, is_at_server=back.is_at_server)
    return f"<s>{shown}</s><br><strong>{by}</strong> {_ago(words, back)}{state}"


def entry_said(words: Mapping[str, str], entry: KeptEntry) -> str:
    """An entry in words, as HTML."""
    return (
        f"<strong>{escape(_work(words, entry))}</strong>, "
        f"<bdi>{escape(str(entry.content.get('by', '')))}</bdi>: "
        f"<bdi>{escape(str(entry.content.get('note', '')))}</bdi> {_ago(words, entry)}".rstrip()
    )


def _ago(words: Mapping[str, str], entry: KeptEntry) -> str:
    if entry.ago_s is None:
        return ""
    return f"{escape(words['entry_done_ago'].format(age=age_text(entry.ago_s)))} "


def _work(words: Mapping[str, str], entry: KeptEntry) -> str:
    return words.get(f"what_{entry.content.get('what')}", "–")


def _state(words: Mapping[str, str], *, is_at_server: bool) -> str:
    if is_at_server:
        return f'<span class="note">{escape(words["entry_state_sent"])}</span>'
    return f'<span class="waits">{escape(words["entry_state_waiting"])}</span>'
