"""What a page says in English to somebody who reads German: sentences without words in the language."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from typing import Any

GERMAN = {"Accept": "text/html", "Accept-Language": "de-DE,de"}
#: words of an English sentence that are none of a German one
_ENGLISH = frozenset(
    (
        *("the", "of", "and", "is", "are", "not", "with", "for", "to", "by", "it", "that", "this", "from"),
        *("your", "you", "which", "be", "been", "but", "were", "its", "they", "their", "if", "when", "how"),
        *("who", "there", "has", "have", "does", "can", "cannot", "only", "each", "every", "send", "here"),
    )
)
#: what has no end tag (HTML, section 13.1.2)
_VOID = frozenset(
    ("area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "wbr")
)
#: what people entered, what programs read, and what is not shown
_OF_OTHERS = frozenset({"bdi", "code", "script", "style", "template", "head"})
_SAID = ("aria-label", "title", "alt", "placeholder")


class _Sentences(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self._around: list[tuple[str, bool, bool]] = []  # tag; of others; marked as English
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        _, of_others, is_english = self._around[-1] if self._around else ("", False, False)
        is_choice = tag == "option"  # of a language, which stands by its own name
        of_others |= tag in _OF_OTHERS
        is_english |= given.get("lang") == "en" and not is_choice
        if tag not in _VOID:
            self._around.append((tag, of_others, is_english))
        if not of_others:
            self.found += [said for name in _SAID if (said := given.get(name)) and is_in_english(said)]

    def handle_endtag(self, tag: str) -> None:
        while self._around and self._around.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        text = " ".join(data.split())
        _, of_others, is_english = self._around[-1] if self._around else ("", False, False)
        if text and (is_english or (not of_others and is_in_english(text))):
            self.found += [] if of_others and not is_english else [text]


def is_in_english(text: str) -> bool:
    """True where at least two of the words, or one of a few, are of English sentences alone."""
    words = re.findall(r"(?<![\w'])[a-z']+(?![\w'])", text.casefold())  # no piece of a key's handle
    many = sum(word in _ENGLISH for word in words)
    return many >= 2 or (many == 1 and len(words) <= 5)


def english_on(page: str) -> list[str]:
    """The sentences of a page that are in English, or marked as English; not what people entered."""
    reader: Any = _Sentences()
    reader.feed(page)
    return list(dict.fromkeys(reader.found))
