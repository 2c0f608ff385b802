"""
Passwords: which are taken, and how they are kept.

Sources: RFC 8265 section 4 (OpaqueString) with its examples; RFC 9106 section 4 (second recommended option:
argon2id, 3 passes, 4 lanes, 64 MiB, salt of 128 bits, tag of 256); NIST SP 800-63B-4 section 3.1.1.2 for the
lengths, from memory.
"""

from __future__ import annotations

import re
import threading

import anyio
import argon2
import pytest
from argon2 import PasswordHasher

from cleanside.ingest.errors import Refused, TryAgain
from cleanside.ingest.owners import passwords
from cleanside.ingest.owners.passwords import HASHED_AT_ONCE, MOST_WAITING, Passwords, check, prepared

GOOD = "gravel plateau grader seven"


def quick() -> Passwords:
    return Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))


def test_a_password_is_prepared_as_the_rfc_has_it() -> None:
    """RFC 8265 section 4.3: what stays as it is, and what is mapped."""
    for same in ("correct horse battery staple", "Correct Horse Battery Staple", "πßå", "Jack of ♦s"):
        assert prepared(same) == same
    assert prepared("foo\u1680bar") == "foo bar"
    assert prepared("A\u030angstro\u0308m") == "\u00c5ngstr\u00f6m"  # NFC


@pytest.mark.parametrize(
    "password",
    ["", "fourteen chars", "x" * 257, "a" * 20, "my cat is a \tby and more", "maramaramaramara", "ab" * 10],
)
def test_what_cannot_be_a_password_says_the_rule_and_never_the_password(password: str) -> None:
    with pytest.raises(Refused) as refused:
        check(password, "mara")
    assert (refused.value.status, refused.value.code) == (422, "password_not_usable")
    assert not password or password not in str(refused.value)


def test_length_counts_characters_and_no_kind_of_them_is_asked_for() -> None:
    for taken in (GOOD, "fifteen charact", "шестнадцать букв", "x" * 120 + "abcdefgh" * 17):
        assert check(taken, "mara") == taken


def test_hashes_are_those_of_the_rfc() -> None:
    profile = argon2.profiles.RFC_9106_LOW_MEMORY
    assert (profile.memory_cost, profile.time_cost, profile.parallelism) == (64 * 1024, 3, 4)
    kept = anyio.run(Passwords().hash, GOOD)
    found = re.fullmatch(r"\$argon2id\$v=19\$m=65536,t=3,p=4\$([\w+/]+)\$([\w+/]+)", kept)
    assert found is not None
    assert [len(part) * 6 // 8 for part in found.groups()] == [16, 32]


def test_nobodys_hash_costs_the_same_and_no_password_has_it() -> None:
    def cost(kept: str) -> list[str]:
        return kept.split("$")[:4] + [str(len(part)) for part in kept.split("$")[4:]]

    both = quick()
    assert cost(both._nobodys) == cost(anyio.run(both.hash, GOOD))
    assert not anyio.run(both.fits, None, GOOD)


def test_a_password_fits_its_own_hash_alone() -> None:
    both = quick()
    kept = anyio.run(both.hash, prepared("foo\u1680bar foo\u1680bar"))
    assert anyio.run(both.fits, kept, "foo bar foo bar")
    assert not anyio.run(both.fits, kept, "foo bar foo baz")
    assert not anyio.run(both.fits, "not a hash", "foo bar foo bar")
    longest = "abcdefgh" * 32
    kept = anyio.run(both.hash, longest)
    assert anyio.run(both.fits, kept, longest)
    assert not anyio.run(both.fits, kept, longest + "x")  # what is cut off for the comparison counts


class Held(PasswordHasher):
    """Works on nothing until it is let go; says how many it had at once."""

    def __init__(self) -> None:
        super().__init__(time_cost=1, memory_cost=8, parallelism=1)
        self.go = threading.Event()
        self.now = self.most = 0
        self._lock = threading.Lock()

    def hash(self, password: str | bytes, *, salt: bytes | None = None) -> str:
        with self._lock:
            self.now += 1
            self.most = max(self.most, self.now)
        assert self.go.wait(20)
        with self._lock:
            self.now -= 1
        return super().hash(password, salt=salt)


def test_few_are_worked_on_at_once_and_what_would_wait_too_long_is_sent_away() -> None:
    held, refused = Held(), []
    both = Passwords(held)

    async def one() -> None:
        try:
            await both.hash(GOOD)
        except TryAgain as busy:
            refused.append(busy)

    async def flood() -> None:
        async with anyio.create_task_group() as group:
            for _ in range(HASHED_AT_ONCE + MOST_WAITING + 5):
                group.start_soon(one)
            with anyio.fail_after(20):
                while held.now < HASHED_AT_ONCE or len(refused) < 5:
                    await anyio.sleep(0)
            held.go.set()

    anyio.run(flood)
    assert held.most == HASHED_AT_ONCE
    assert [busy.retry_after_s for busy in refused] == [5] * 5


def test_the_module_says_where_its_numbers_are_from() -> None:
    assert passwords.SHORTEST == 15
    assert passwords.LONGEST >= 64
