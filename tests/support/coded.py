"""Errors by code and values: what a test compares instead of a sentence."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

import pytest

from cleanside.gateway.wire import Coded, text_of
from cleanside.ingest.error_texts import SENTENCES

E = TypeVar("E", bound=Coded)


@contextmanager
def refused(kind: type[E], code: str, /, **values: Any) -> Iterator[pytest.ExceptionInfo[E]]:
    """What runs inside raises an error of this kind and code, with these values among its own."""
    with pytest.raises(kind) as raised:
        yield raised
    error = raised.value
    found = {name: error.values.get(name) for name in values}
    assert (error.code, found) == (code, values), f"{error!s} ({error.values})"
    assert str(error) != code, "its sentence can be made"


def sentence(code: str, /, **values: Any) -> str:
    """What an answer of the server says for a code and values: compared where HTTP carries no values."""
    return text_of(SENTENCES, code, values)
