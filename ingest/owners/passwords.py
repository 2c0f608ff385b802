"""
Passwords of people: which are accepted, and how they are kept and compared.

Kept as argon2id with the second recommended parameters of RFC 9106 section 4 (64 MiB, 3 passes, 4 lanes):
half a second each. So at most `HASHED_AT_ONCE` are worked on, off the event loop, in no thread that other
requests need, and at most `MOST_WAITING` wait; the rest is asked to come back.
Prepared as RFC 8265 section 4.2 (OpaqueString) has it, so that the same password typed on another keyboard
fits. Lengths: NIST SP 800-63B-4 section 3.1.1.2 asks for 15 characters where a password stands alone, for
room for 64 at least, and for no rule on kinds of characters (from memory).

Promises: an unknown person costs one comparison as a known one does. No message repeats a password.
"""

from __future__ import annotations

import base64
import secrets
import unicodedata
from collections.abc import Callable
from typing import Any, TypeVar

import argon2
from anyio import CapacityLimiter, to_thread
from argon2 import PasswordHasher

from cleanside.ingest.errors import Complaint, Refused, TryAgain

T = TypeVar("T")

SHORTEST = 15
LONGEST = 256  # chosen; longer ones only cost time
LEAST_DIFFERENT = 6  # different characters, against aaaaaaaaaaaaaaa; chosen
HASHED_AT_ONCE = 2  # 128 MiB; chosen for a small server
MOST_WAITING = 16  # some 4 s on two processors; chosen


def prepared(password: str) -> str:
    """A password as it is compared: other spaces as a space, then NFC (RFC 8265 section 4.2). Pure."""
    spaced = "".join(" " if unicodedata.category(c) == "Zs" else c for c in password)
    return unicodedata.normalize("NFC", spaced)


def check(password: str, name: str, *, pointer: str = "#/password") -> str:
    """The password as it is kept. Raises Refused (422) with the rule that it breaks. name : of the person."""
    ready = prepared(password)
    if (rule := _broken_rule(ready, name)) is not None:
        values: dict[str, Any] = {"shortest": SHORTEST, "longest": LONGEST, "least": LEAST_DIFFERENT}
        values["characters"] = len(ready)
        errors = [Complaint(pointer, rule, **values)]
        raise Refused(rule, status=422, code="password_not_usable", errors=errors, **values)
    return ready


def _broken_rule(password: str, name: str) -> str | None:
    """Which case of `error_texts`; None: it may be used."""
    if not SHORTEST <= len(password) <= LONGEST:
        return "password_of_another_length"
    if any(unicodedata.category(character) in ("Cc", "Cs") for character in password):
        return "password_with_control_characters"
    if len(set(password.casefold().replace(name, ""))) < LEAST_DIFFERENT:
        return "password_too_plain"
    return None


class Passwords:
    """Makes and compares hashes, a few at a time."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        """hasher : None: as RFC 9106 recommends; a test takes a quick one."""
        self._hasher = hasher or PasswordHasher.from_parameters(argon2.profiles.RFC_9106_LOW_MEMORY)
        self._nobodys = _hash_of_nobody(self._hasher)
        self._limiter = CapacityLimiter(HASHED_AT_ONCE)
        self._taken = 0

    async def hash(self, password: str) -> str:
        """What is kept of a password that `check` gave. Raises TryAgain where too many wait."""
        return await self._run(lambda: self._hasher.hash(password))

    async def fits(self, password_hash: str | None, password: str) -> bool:
        """
        True if a password is the one of this hash; None: there is no such person, which costs the same.

        Raises TryAgain where too many wait.
        """
        ready = prepared(password[:LONGEST])
        equal = await self._run(lambda: self._equal(password_hash or self._nobodys, ready))
        return equal and password_hash is not None and len(password) <= LONGEST

    def _equal(self, password_hash: str, password: str) -> bool:
        try:
            return self._hasher.verify(password_hash, password.encode("utf-8", "surrogatepass"))
        except (argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError):
            return False

    async def _run(self, work: Callable[[], T]) -> T:
        # Counted here: the limiter itself learns of those who come at the same moment only later.
        if self._taken >= HASHED_AT_ONCE + MOST_WAITING:
            raise TryAgain("passwords_waiting", retry_after_s=5, waiting=MOST_WAITING)
        self._taken += 1
        try:
            return await to_thread.run_sync(work, limiter=self._limiter)
        finally:
            self._taken -= 1


def _hash_of_nobody(hasher: PasswordHasher) -> str:
    """A hash of the same cost that no password has: salt and hash are random."""
    salt, tag = (
        base64.b64encode(secrets.token_bytes(size)).decode().rstrip("=")
        for size in (hasher.salt_len, hasher.hash_len)
    )
    cost = f"m={hasher.memory_cost},t={hasher.time_cost},p={hasher.parallelism}"
    return f"$argon2id$v=19${cost}${salt}${tag}"
