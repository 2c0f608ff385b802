"""
A stable code and its values instead of a sentence; the sentence comes from a table.

Promises: code decides, stores and compares by code and values; `text_of` renders them when a person reads.
Another language is another table.
Leaves to others: the tables, each beside what raises its codes.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, ClassVar

#: the values of a sentence, by name
Values = Mapping[str, Any]
#: a sentence with a place for each value, like "number {number} is taken", or a function that writes it
Sentence = str | Callable[[Values], str]
#: code -> sentence
Sentences = Mapping[str, Sentence]


def text_of(sentences: Sentences, code: str, values: Values) -> str:
    """The sentence of a code. Pure. Raises KeyError for a code without one, or for a missing value."""
    sentence = sentences[code]
    return sentence.format_map(values) if isinstance(sentence, str) else sentence(values)


class Coded(Exception):
    """
    An error with a stable code and the values of its sentence.

    Raised as `SpoolFull("disk_full", path=path)`; decide by `code` and `values`, show `str(error)`.
    A first argument that is no code is a sentence of its own; `code` is then the name of the class in small
    letters, spool_full.
    """

    #: code -> sentence
    SENTENCES: ClassVar[Sentences] = {}

    def __init__(self, code: str = "", /, **values: Any) -> None:
        self.values: Values = values
        self.code = code if code in self.SENTENCES else _code_of(type(self).__name__)
        self._first = code  # a code, or a sentence of its own
        super().__init__(code)

    def __str__(self) -> str:
        first = self._first
        return text_of(self.SENTENCES, first, self.values) if first in self.SENTENCES else first


def _code_of(name: str) -> str:
    """SpoolFull -> spool_full. Pure."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower()
