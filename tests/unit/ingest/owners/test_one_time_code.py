"""One-time codes: the alphabet and check symbol of Crockford's Base 32, compared with a published package."""

from __future__ import annotations

import base32_crockford
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.ingest.errors import NotACode
from cleanside.ingest.owners import one_time_code
from cleanside.ingest.owners.one_time_code import ALPHABET, SYMBOLS, new_code, read_code
from tests.support.coded import refused

NUMBERS = st.integers(0, 32**SYMBOLS - 1).filter(lambda n: n % 37 < 32)


def code_of(number: int) -> str:
    return new_code(lambda _: number)


@given(NUMBERS)
def test_a_code_is_what_a_published_package_makes_of_the_number(number: int) -> None:
    """base32-crockford (PyPI), after Douglas Crockford, "Base 32": symbols and check symbol."""
    expected = base32_crockford.encode(number, checksum=True).rjust(SYMBOLS + 1, "0")
    assert code_of(number).replace("-", "") == expected
    assert base32_crockford.decode(code_of(number), checksum=True) == number


@given(NUMBERS, st.integers(0, SYMBOLS), st.sampled_from(ALPHABET))
def test_one_symbol_typed_wrongly_shows(number: int, place: int, symbol: str) -> None:
    code = read_code(code_of(number))
    typed = code[:place] + symbol + code[place + 1 :]
    if typed != code:
        with refused(NotACode, "code_mistyped"):
            read_code(typed)


@given(NUMBERS, st.integers(0, SYMBOLS - 1))
def test_two_neighbours_exchanged_show(number: int, place: int) -> None:
    code = read_code(code_of(number))
    typed = code[:place] + code[place + 1] + code[place] + code[place + 2 :]
    if typed != code:
        with refused(NotACode, "code_mistyped"):
            read_code(typed)


def test_a_code_is_read_as_people_type_it() -> None:
    """Crockford: lower case, O for 0, I and L for 1, hyphens anywhere."""
    code = code_of(1025)
    assert read_code(code) == "00000000000101T"
    for typed in (
        code.lower(),
        code.replace("0", "o").replace("1", "l"),
        code.replace("-", " "),
        f" {code} ",
    ):
        assert read_code(typed) == "00000000000101T"


@pytest.mark.parametrize("typed", ["", "K7M3A-9QTWX", "K7M3A-9QTWX-2BDF4-77", "K7M3A-9QTWX-2BDF*", "ü" * 15])
def test_what_cannot_be_a_code_is_refused_without_repeating_it(typed: str) -> None:
    with refused(NotACode, "code_not_whole", symbols=15) as wrong:
        read_code(typed)
    assert not typed or typed not in f"{wrong.value} {wrong.value.values}"


def test_a_code_has_seventy_random_bits() -> None:
    """At 60 tries a minute, 1000 open codes and a year: (60 * 525 600 * 1000) / 2^70 = 2.7e-11."""
    asked: list[int] = []

    def highest(below: int) -> int:
        asked.append(below)
        return 1

    new_code(highest)
    assert asked == [2**70]
    assert 60 * 525_600 * 1000 / 2**70 < 1e-10


def test_codes_without_a_letter_for_their_check_are_drawn_again() -> None:
    numbers = iter([32, 36, 33])  # 32 to 36 modulo 37 have the check symbols * ~ $ = U
    drawn = iter([*numbers, 31])
    assert new_code(lambda _: next(drawn)) == "00000-00000-000ZZ"


def test_only_a_hash_is_kept_and_equal_codes_have_equal_ones() -> None:
    code = new_code()
    kept = one_time_code.hash_of(read_code(code))
    assert kept == one_time_code.hash_of(read_code(code.lower()))
    assert read_code(code) not in kept
