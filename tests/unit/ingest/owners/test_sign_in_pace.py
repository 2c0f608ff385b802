"""How long a try to sign in waits: pure numbers; the counts are in tests/contract/test_sign_in.py."""

from __future__ import annotations

import pytest

from cleanside.ingest.owners.sign_in_pace import ADDRESS, FREE, MOST_WAIT_S, PAIR, PERSON, wait_s


@pytest.mark.parametrize("scope", [PAIR, ADDRESS, PERSON])
def test_the_first_tries_are_free_and_the_wait_doubles_to_a_bound(scope: str) -> None:
    assert [wait_s(scope, tries) for tries in range(FREE[scope])] == [0.0] * FREE[scope]
    waits = [wait_s(scope, FREE[scope] + beyond) for beyond in range(40)]
    assert waits[:3] == [2.0, 4.0, 8.0]
    assert waits == sorted(waits)
    assert max(waits) == MOST_WAIT_S[scope]


def test_what_other_addresses_do_keeps_a_person_out_for_half_a_minute_at_most() -> None:
    assert wait_s(PERSON, 10**9) == 30.0


def test_guessing_from_one_address_comes_to_a_hundred_tries_a_day() -> None:
    """NIST SP 800-63B-4 section 3.2.2 names 100 tries in a row as the most for one account (from memory)."""
    spent_s, tries = 0.0, 0
    while spent_s < 24 * 3600:
        spent_s, tries = spent_s + wait_s(PAIR, tries), tries + 1
    assert tries <= 120
