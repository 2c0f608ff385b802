"""
JSON read strictly: UTF-8, no duplicate keys, no NaN (RFC 8259).
"""

from __future__ import annotations

import json
from typing import Any

from cleanside.gateway.wire.coded import Coded, Sentences, text_of
from cleanside.gateway.wire.limits import MAX_DEPTH, BatchRefused, Problem


def load_json(body: bytes) -> Any:
    """Read JSON strictly: UTF-8, no duplicate keys, no NaN, no Infinity. Raises BatchRefused (400)."""
    try:
        return json.loads(body.decode("utf-8"), object_pairs_hook=_no_duplicates, parse_constant=_no_constant)
    except UnicodeDecodeError as error:
        raise _refused("not_utf_8", byte=error.start) from None
    except json.JSONDecodeError as error:
        why = error.msg.removesuffix(" at")
        raise _refused("not_json", why=why, line=error.lineno, column=error.colno) from None
    except RecursionError:
        raise _refused("too_deep", depth=MAX_DEPTH) from None
    except _NotStrict as error:
        raise _refused(error.code, **error.values) from None
    except ValueError as error:  # a number of thousands of digits
        raise _refused("number_too_long", why=str(error).split(";")[0]) from None


#: why a body is no JSON -> sentence
_SENTENCES: Sentences = {
    "not_utf_8": "byte {byte} is not UTF-8; send JSON in UTF-8",
    "not_json": "not JSON: {why} at line {line} column {column}",
    "too_deep": "nested deeper than {depth}; a batch is flat",
    "number_too_long": "{why}",
    "key_twice": 'key "{key}" stands twice in one object; which one counts would be a guess',
    "constant": "{constant} is not JSON; leave the value out, or send null",
}


class _NotStrict(Coded):
    """Text that many parsers accept, and that is not JSON by RFC 8259."""

    SENTENCES = _SENTENCES


def _refused(code: str, /, **values: Any) -> BatchRefused:
    return BatchRefused(400, [Problem("#", text_of(_SENTENCES, code, values), code, values)])


def _no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    document = dict(pairs)
    if len(document) != len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise _NotStrict("key_twice", key=twice[:64])
    return document


def _no_constant(text: str) -> float:
    raise _NotStrict("constant", constant=text)
