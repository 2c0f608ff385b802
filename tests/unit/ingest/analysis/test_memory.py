"""What a process remembers of a housing beside its study."""

from __future__ import annotations

from typing import cast

from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.restriction import Study


def test_what_follows_from_a_study_is_made_once_for_it_and_each_key() -> None:
    memory, made = Memory(), []
    first, second = cast(Study, object()), cast(Study, object())

    def ask(study: Study, key: str) -> int:
        def make() -> int:
            made.append(key)
            return len(made)

        return memory.beside(7, study, key, make)

    assert [ask(first, "a"), ask(first, "a"), ask(first, "b"), ask(first, "b")] == [1, 1, 2, 2]
    assert ask(second, "b") == 3  # another study, though the key is the same
    assert ask(first, "b") == 4
    assert memory.beside(8, first, "b", lambda: 0) == 0  # another housing
