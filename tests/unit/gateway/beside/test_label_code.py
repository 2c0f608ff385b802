"""The code on the label: made once, hard to guess, easy to type."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from cleanside.gateway.beside.label_code import (
    MOST_WRONG,
    MOST_WRONG_IN_ALL,
    PASS_US,
    Doorkeeper,
    TooManyTries,
    code_of,
    folded,
)
from cleanside.gateway.errors import SettingsWrong
from tests.support.coded import refused

CODE = "7K3M-9QAZ"


class Now:
    us = 0

    def __call__(self) -> int:
        return self.us


def keeper(now: Now | None = None) -> Doorkeeper:
    return Doorkeeper(lambda: CODE, now_us=now or Now(), random=os.urandom)


def test_the_code_is_made_once_and_only_its_user_may_read_it(tmp_path: Path) -> None:
    path = tmp_path / "state" / "a.code"
    first = code_of(path, random=os.urandom)
    assert code_of(path, random=os.urandom) == first
    assert len(folded(first)) == 8
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [p.name for p in path.parent.iterdir()] == ["a.code"]


def test_a_code_that_is_easy_to_guess_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.code").write_text("1234\n")
    with refused(SettingsWrong, "label_code_short"):
        code_of(tmp_path / "a.code", random=os.urandom)


@pytest.mark.parametrize("typed", ["7K3M-9QAZ", "7k3m9qaz", " 7k3m 9qaz ", "7K3M–9QAZ".replace("–", "-")])
def test_the_code_is_taken_as_people_type_it(typed: str) -> None:
    assert keeper().show(typed, address="a") is not None


@pytest.mark.parametrize("typed", ["", "7K3M-9QAY", "7K3M-9QAZ0", "\ud800", "７Ｋ３Ｍ９ＱＡＺ", "\0" * 50])
def test_another_code_opens_nothing(typed: str) -> None:
    assert keeper().show(typed, address="a") is None


def test_letters_that_are_misread_mean_the_digit() -> None:
    assert folded("Oi1l") == "0111"


def test_tries_are_bounded_by_address_and_in_all_and_the_minute_ends() -> None:
    now = Now()
    door = keeper(now)
    for _ in range(MOST_WRONG):
        assert door.show("wrong", address="a") is None
    with pytest.raises(TooManyTries):
        door.show(CODE, address="a")
    assert door.show(CODE, address="b") is not None
    for number in range(MOST_WRONG_IN_ALL - MOST_WRONG):
        door.show("wrong", address=f"c{number}")
    with pytest.raises(TooManyTries):
        door.show(CODE, address="b")
    now.us += 60_000_000
    assert door.show(CODE, address="a") is not None


def test_a_pass_ends_after_a_shift_and_a_made_up_one_never_began() -> None:
    now = Now()
    door = keeper(now)
    made = door.show(CODE, address="a")
    assert made is not None
    assert door.knows(made)
    assert not door.knows("")
    assert not door.knows("0" * 32)
    now.us += PASS_US
    assert not door.knows(made)
