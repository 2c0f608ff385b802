"""
Why something could not be sent, in stored form and in words.

Promises: a failure is stored as code and values, beside the sentence that the previous release reads. A row
that such a release wrote has its sentence alone, and reads as it was written.
Leaves to others: which failures there are (`delivery_failures`, `message_failures` beside this file), what
failed (`ingest.webhooks`, `ingest.messages`), other languages (`ingest.console`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Self

from cleanside.gateway.wire import Sentences, Values, text_of

MOST = 200  # characters of a sentence at rest
DETAIL = 140  # of these, what the system or the library said


@dataclass(frozen=True, slots=True)
class CodedFailure:
    """Why a try failed. code : of the sentences of its kind."""

    #: code -> sentence
    sentences: ClassVar[Sentences] = {}

    code: str
    values: Values

    @property
    def detail(self) -> str:
        """The sentence."""
        return text_of(self.sentences, self.code, self.values)[:MOST]

    @classmethod
    def read(cls, reason: str | None, written: str | None) -> Self | None:
        """The failure of a row; None: there is none, or a release without codes wrote the sentence."""
        if written is None:
            return None
        values: Mapping[str, Any] = json.loads(written)
        if values["code"] not in cls.sentences:  # of a newer release
            return None
        found = cls(values["code"], values["values"])
        return found if found.detail == reason else None


def document(failure: CodedFailure | None) -> dict[str, Any] | None:
    """A failure as an object; of none, None."""
    return None if failure is None else {"code": failure.code, "values": failure.values}


def kept(failure: CodedFailure | None) -> dict[str, str | None]:
    """The columns of a failure; of none, empty ones."""
    if failure is None:
        return {"reason": None, "failure": None}
    return {"reason": failure.detail, "failure": json.dumps(document(failure))}
