"""
JSON read strictly: UTF-8, no duplicate keys, no NaN (RFC 8259).
"""

from __future__ import annotations

import json
from typing import Any

from cleanside.gateway.wire.limits import MAX_DEPTH, BatchRefused, Problem


def load_json(body: bytes) -> Any:
    """Read JSON strictly: UTF-8, no duplicate keys, no NaN, no Infinity. Raises BatchRefused (400)."""
    try:
        return json.loads(body.decode("utf-8"), object_pairs_hook=_no_duplicates, parse_constant=_no_constant)
    except UnicodeDecodeError as error:
        detail = f"byte {error.start} is not UTF-8; send JSON in UTF-8"
    except json.JSONDecodeError as error:
        detail = f"not JSON: {error.msg.removesuffix(' at')} at line {error.lineno} column {error.colno}"
    except RecursionError:
        detail = f"nested deeper than {MAX_DEPTH}; a batch is flat"
    except ValueError as error:  # a number of thousands of digits, a duplicate key, NaN
        detail = str(error).split(";")[0] if "digits" in str(error) else str(error)
    raise BatchRefused(400, [Problem("#", detail)])


def _no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    document = dict(pairs)
    if len(document) != len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise ValueError(f'key "{twice[:64]}" stands twice in one object; which one counts would be a guess')
    return document


def _no_constant(text: str) -> float:
    raise ValueError(f"{text} is not JSON; leave the value out, or send null")
