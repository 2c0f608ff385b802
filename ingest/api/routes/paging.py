"""
Lists by page, and answers that are sent only when they change: cursors and entity tags.

Promises: a cursor is a position in a stable order, not a count, so new or deleted entries neither repeat nor
hide an entry that stays. It is opaque to clients, belongs to one query, and is refused for another. An entity
tag is strong: equal tags mean equal bytes (RFC 9110 section 8.8.1).
Leaves to others: the order and the query (`ingest.store`), the entries (the routes).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Annotated, Any, TypeVar

from fastapi import Depends, Query, Request, Response

from cleanside.ingest.errors import Complaint, NotValid

T = TypeVar("T")

PAGE = 100  # entries of a page without `limit`; chosen: a screen or two
MOST_ROWS = 1_000  # entries of one answer
MAX_CURSOR = 400  # characters; ours are far shorter
_FAR = 2**63
# Only these select the page; all others belong to the query.
_OF_THE_PAGE = ("cursor", "limit")

CursorKey = tuple[int | str, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """The requested part of a list."""

    limit: int
    #: address and parameters in short: a cursor is valid for its own list
    question: str
    _after: tuple[Any, ...] | None

    @classmethod
    def whole(cls, limit: int = sys.maxsize - 1) -> Page:
        """The whole list, or its beginning, for who asks without an address of the list's own."""
        return cls(limit, "", None)

    @classmethod
    def first(cls, path: str, asked: Mapping[str, str], limit: int) -> Page:
        """The beginning of the list at an address, for who shows it elsewhere. asked : its parameters."""
        return cls(limit, _question_of(path, asked.items()), None)

    @classmethod
    def just(cls, row_id: int) -> Page:
        """The one row of a list in order of ids that has this id, or the next one."""
        return cls(1, "", (row_id - 1,))

    @property
    def is_first(self) -> bool:
        """True for the beginning of a list."""
        return self._after is None

    def after(self, *kinds: type[int] | type[str]) -> tuple[Any, ...] | None:
        """
        The position to continue from, as values of these kinds; None: from the beginning.

        Raises Refused (422) for a cursor that is none of this list.
        """
        if self._after is None:
            return None
        alike = [type(value) is kind for value, kind in zip(self._after, kinds, strict=False)]
        fits = len(self._after) == len(kinds) and all(alike) and all(map(_sound, self._after))
        if not fits:
            raise _no_cursor()
        return self._after

    def cut(self, found: Iterable[T], key: Callable[[T], CursorKey]) -> tuple[list[T], str | None]:
        """
        The entries of this page, and the cursor of the next; None: there is none.

        found : at least one entry more than `limit` where there are more, in the order of `key`.
        """
        rows = list(islice(found, self.limit + 1))
        more = len(rows) > self.limit
        rows = rows[: self.limit]
        return rows, self.cursor(key(rows[-1])) if more else None

    def cursor(self, position: CursorKey) -> str:
        """The text of a position in this list."""
        document = json.dumps([self.question, *position], separators=(",", ":"))
        return base64.urlsafe_b64encode(document.encode()).decode().rstrip("=")


def _sound(value: Any) -> bool:
    """True for values that a database accepts: a client may have invented the cursor."""
    return value.isprintable() if isinstance(value, str) else abs(value) < _FAR


def _question_of(path: str, asked: Iterable[tuple[str, str]]) -> str:
    text = json.dumps([path, sorted(pair for pair in asked if pair[0] not in _OF_THE_PAGE)])
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:12]


def _read(cursor: str, question: str) -> tuple[Any, ...]:
    try:
        position = json.loads(
            base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True)
        )
    except (binascii.Error, ValueError, RecursionError):
        raise _no_cursor() from None
    if not isinstance(position, list) or not position or position[0] != question:
        raise _no_cursor()
    return tuple(position[1:])


def _no_cursor() -> NotValid:
    return NotValid(Complaint("query/cursor", "cursor_not_of_list"))


def paged(usual: int = PAGE, most: int = MOST_ROWS) -> Callable[..., Page]:
    """A dependency that gives the page of a request: parameters `limit`, at most `most`, and `cursor`."""

    # Made here, because an annotation that is a text cannot see the arguments of this function.
    limited = Query(usual, ge=1, le=most, description="entries of one answer")

    def page_of(
        request: Request,
        limit: int = limited,
        cursor: Annotated[
            str | None,
            Query(max_length=MAX_CURSOR, description="`next` of the page before; left out: the beginning"),
        ] = None,
    ) -> Page:
        question = _question_of(request.url.path, request.query_params.multi_items())
        return Page(limit, question, None if cursor is None else _read(cursor, question))

    return page_of


P = Annotated[Page, Depends(paged())]


# ---------------------------------------------------------------- entity tags


def tag_of(*parts: Any) -> str:
    """A strong entity tag of the input of an answer, or of its bytes."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(part if isinstance(part, bytes) else json.dumps(part, sort_keys=True).encode())
        digest.update(b"\x00")
    return f'"{digest.hexdigest()[:32]}"'


def not_modified(request: Request, tag: str, headers: Mapping[str, str] | None = None) -> Response | None:
    """
    304 where the client has what the tag stands for already (RFC 9110 section 13.1.2), else None.

    headers : of the answer itself: they replace those of the one that the client kept (RFC 9111 section 3.2).
    """
    asked = request.headers.get("if-none-match")
    if asked is None:
        return None
    tags = {entry.strip().removeprefix("W/") for entry in asked.split(",")}
    if tag not in tags and "*" not in tags:
        return None
    return Response(status_code=304, headers={**(headers or {}), "ETag": tag})


def answer(request: Request, document: Any) -> Response:
    """
    A JSON answer with its entity tag, or 304.

    In ASCII: quarantined texts may have half characters, which UTF-8 cannot represent.
    """
    content = json.dumps(document, separators=(",", ":")).encode()
    tag = tag_of(content)
    return not_modified(request, tag) or Response(
        content, media_type="application/json", headers={"ETag": tag}
    )


def page_answer(
    request: Request, name: str, entries: Sequence[Any], cursor: str | None, **more: Any
) -> Response:
    """One page of a list: `{name: [...], "next": ...}`."""
    return answer(request, {name: list(entries), "next": cursor, **more})
