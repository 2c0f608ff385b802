"""
What can go wrong in the server, drawn as a tree.

    IngestError
    ├── TryAgain            later it may work: overloaded, store unavailable, stopping       -> 503
    ├── Refused             this request will never be accepted as it is                     -> 4xx
    │   ├── NotFound        unknown, or another owner's: the same answer
    │   └── ...             the code says which
    ├── CannotOpen          an encrypted secret cannot be read; its webhook pauses       -> 409 for a new one
    ├── ArchiveUnreadable   a file of the archive is missing or broken; a person puts it back  -> 503
    ├── BlockDamaged        readings at rest cannot be read; a person restores them                -> 503
    └── CalledWrongly       a command or setting is wrong; a person has to change it         -> exit code 2
        └── BeingServed     another process has the database; ask it over HTTP

Each has a stable `code` and `values`; its message has the value, the rule and the next step.
Beside the tree stand AddressRefused, NotACode, DoesNotFit and WrongField, ValueErrors of what a person typed.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from starlette.exceptions import HTTPException

from cleanside.gateway.wire import BatchRefused, Coded, Sentences, Values, text_of
from cleanside.ingest.error_texts import SENTENCES


def why(error: BaseException) -> str:
    """
    The text of a system's or library's error for a message of ours, without the system's number or a name.

    The message says itself which file or address it is about.
    """
    if isinstance(error, UnicodeError):
        return "it is not text"
    said = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return re.sub(r"\[Errno -?\d+\] |^\[\w+(: \w+)?\] | \(_ssl\.c:\d+\)", "", said)


def denied_uid(error: BaseException) -> int | None:
    """The id of the user that runs this, where the system does not let it at a file; None: another reason."""
    return os.getuid() if isinstance(error, PermissionError) else None


def first_kind(error: BaseException, codes: Sequence[tuple[type[BaseException], str]]) -> str | None:
    """
    The code of an error or of one behind it; None: none of these kinds.

    codes : kind and code, the most telling kind first: one error stands behind another.
    """
    all_of = list(chain(error))
    return next((code for kind, code in codes if any(isinstance(one, kind) for one in all_of)), None)


def chain(error: BaseException | None) -> Iterator[BaseException]:
    """An error and what is behind it."""
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


class IngestError(Coded):
    """
    Root of the server's errors.

    Decide by `code` and `values`; the sentence of each code is in `error_texts`.
    """

    SENTENCES = SENTENCES


class CalledWrongly(IngestError):
    """A command, a setting or the state of the database is wrong; the message says what to do."""


class BeingServed(CalledWrongly):
    """Another process serves the database, and has it to itself."""


class TryAgain(IngestError):
    """
    Nothing is wrong with the request; the server cannot take it now.

    case : which of `error_texts`. code : the one of the problem that a client meets.
    """

    def __init__(
        self, case: str, /, *, retry_after_s: int = 5, code: str = "overloaded", **values: Any
    ) -> None:
        super().__init__(case, **values)
        self.case = self.code
        self.code = code
        self.retry_after_s = retry_after_s

    @property
    def reason(self) -> str:
        """Why, for the log: what the driver said, else the sentence that clients get."""
        return str(self) if self.__cause__ is None else why(self.__cause__).strip().partition("\n")[0]


def log_reason(error: IngestError | OSError) -> str:
    """Why some work waits, for a line of the log; what is for clients stays out of it."""
    return error.reason if isinstance(error, TryAgain) else str(error)[:200]


class CannotOpen(IngestError):
    """
    An encrypted secret cannot be read, or there is no key to encrypt one.

    case : which of `error_texts`. code : key_missing, key_unreadable or altered, which a client meets.
    """

    def __init__(self, case: str, /, *, code: str, **values: Any) -> None:
        super().__init__(case, **values)
        self.case, self.code = self.code, code


class ArchiveUnreadable(IngestError):
    """
    A file of the archive is missing or broken: answers that need it fail, and nothing is guessed.

    Not a TryAgain: that would delay all jobs of a commit, and only requests that need the file must wait.
    """


class BlockDamaged(IngestError):
    """
    A block of readings is damaged, or a newer release wrote it: nothing is guessed from it.

    Not a TryAgain, for the reason of `ArchiveUnreadable`.
    """


def writable(text: str) -> str:
    """A text that can be stored: JSON allows half characters (no UTF-8) and NUL (not in PostgreSQL)."""
    return text.encode("utf-8", "backslashreplace").decode().replace("\x00", "\\x00")


class Complaint:
    """
    One thing wrong with a request: where (JSON pointer as a URI fragment, or a header) and what.

    The what is a code of `error_texts` and its values; `str` makes the sentence.
    """

    __slots__ = ("_sentences", "code", "pointer", "values")

    def __init__(self, pointer: str, code: str, /, **values: Any) -> None:
        self.pointer, self.code = pointer, code
        self.values: Values = values
        self._sentences: Sentences = SENTENCES

    @classmethod
    def of(cls, pointer: str, error: Coded) -> Complaint:
        """A complaint from an error, with the sentence from the error's own table."""
        made = cls(pointer, error.code, **error.values)
        made._sentences = error.SENTENCES
        return made

    def __str__(self) -> str:
        return text_of(self._sentences, self.code, self.values)


class Refused(IngestError):
    """
    The request is refused whole. Raised before anything of it is written.

    case : which of `error_texts`. code : the one of the problem that a client meets, where it has several
    cases; left out: the case itself.
    """

    def __init__(
        self,
        case: str,
        /,
        *,
        status: int,
        code: str | None = None,
        errors: Sequence[Complaint] = (),
        more_errors: int = 0,
        headers: Mapping[str, str] | None = None,
        **values: Any,
    ) -> None:
        super().__init__(case, **values)
        self.case, self.code = self.code, code or self.code
        self.status = status
        self.errors = tuple(errors)
        self.more_errors = more_errors
        self.headers = dict(headers or {})


class NotValid(Refused):
    """Parts of the request cannot be as they are (422 `not_valid`). The first one is its detail."""

    def __init__(self, first: Complaint, *more: Complaint) -> None:
        super().__init__(first.code, status=422, code="not_valid", errors=(first, *more), **first.values)


class AddressRefused(Coded, ValueError):
    """A forbidden address; a ValueError, because it is raised where a body is checked."""

    SENTENCES = SENTENCES


class NotACode(Coded, ValueError):
    """The typed text cannot be a one-time code. Its sentence never has the code."""

    SENTENCES = SENTENCES


class DoesNotFit(Coded, ValueError):
    """A change of a quarantined reading that this reading cannot take."""

    SENTENCES = SENTENCES


class WrongField(Coded, ValueError):
    """A value of a body that breaks its rule; a ValueError, because it is raised where one is checked."""

    SENTENCES = SENTENCES


class BodyNotJson(HTTPException):
    """A body that is no JSON. Of this class, because the framework replaces the text of any other."""

    def __init__(self, refused: BatchRefused) -> None:
        super().__init__(refused.status)
        self.refused = refused


class NotFound(Refused):
    """Unknown, or another owner's: the answer is the same, so that it does not say which."""

    def __init__(self, what: str, name: str) -> None:
        super().__init__("unknown_name", status=404, code=f"unknown_{what}", what=what, name=name)
