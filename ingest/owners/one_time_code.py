"""
One-time codes: too long to guess, short enough for a technician to type.

Promises: 70 random bits in 14 symbols and a check symbol, in three groups: K7M3A-9QTWX-2BDFT. Alphabet and
check symbol are those of Douglas Crockford, "Base 32" (crockford.com/base32.html): no letter that looks like
a digit, and the check symbol shows one wrong symbol, or two neighbours exchanged, before any query.
Only a hash of a code is stored: 70 random bits that live for hours cannot be guessed.
Leaves to others: who may have one, how long it lives, how often an address may try.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable

from cleanside.ingest.errors import NotACode

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
SYMBOLS = 14  # of 5 bits each
GROUP_LETTERS = 5
_READ_AS = str.maketrans("OIL", "011", "- ")  # as Crockford: these read as digits, hyphens are ignored
_CHECK_MODULUS = 37


def new_code(random_below: Callable[[int], int] = secrets.randbelow) -> str:
    """A new code, in groups."""
    while True:
        number = random_below(32**SYMBOLS)
        check = number % _CHECK_MODULUS
        if check < len(ALPHABET):  # the other five check symbols are no letters: hard to say and to type
            text = _text(number) + ALPHABET[check]
            return "-".join(text[i : i + GROUP_LETTERS] for i in range(0, len(text), GROUP_LETTERS))


def read_code(typed: str) -> str:
    """
    A typed code in its one form, whatever its case, hyphens and blanks; O reads as 0, I and L as 1.

    Raises NotACode, a ValueError, if it cannot be a code; the message has the rule and the next step, never
    the code.
    """
    text = typed.upper().translate(_READ_AS)
    if len(text) != SYMBOLS + 1 or any(symbol not in ALPHABET for symbol in text):
        raise NotACode("code_not_whole", symbols=SYMBOLS + 1)
    if _number(text[:-1]) % _CHECK_MODULUS != ALPHABET.index(text[-1]):
        raise NotACode("code_mistyped")
    return text


def hash_of(code: str) -> str:
    """The stored hash of a code in the form of `read_code`."""
    return hashlib.sha256(code.encode()).hexdigest()


def _text(number: int) -> str:
    return "".join(ALPHABET[number >> 5 * place & 31] for place in range(SYMBOLS - 1, -1, -1))


def _number(text: str) -> int:
    number = 0
    for symbol in text:
        number = number << 5 | ALPHABET.index(symbol)
    return number
