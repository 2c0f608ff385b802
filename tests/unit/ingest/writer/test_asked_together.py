"""Questions that come while others are under way are asked together; one that hangs holds up no other."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Sequence

import pytest

from cleanside.ingest.writer.asked_together import MOST_TOGETHER, MOST_UNDER_WAY, AskedTogether


class Database:
    """Answers with the double of a number, refuses negative ones, and remembers what it was asked."""

    def __init__(self) -> None:
        self.asked: list[list[int]] = []
        self.goes_on = threading.Event()
        self.goes_on.set()

    def answer(self, numbers: Sequence[int]) -> list[int | Exception]:
        self.asked.append(list(numbers))
        if 0 in numbers:
            self.goes_on.wait(10)
        return [ValueError(number) if number < 0 else 2 * number for number in numbers]


def test_one_that_comes_alone_is_asked_at_once() -> None:
    database, together = Database(), AskedTogether[int, int]()
    assert asyncio.run(together.ask(database.answer, 3)) == 6
    assert database.asked == [[3]]


def test_those_that_come_meanwhile_are_asked_together_and_a_fault_is_of_its_asker_alone() -> None:
    database, together = Database(), AskedTogether[int, int]()

    async def ask() -> list[int | BaseException]:
        numbers = [1, 2, 3, -4, 5]
        return await asyncio.gather(
            *(together.ask(database.answer, number) for number in numbers), return_exceptions=True
        )

    *rest, fault, last = asyncio.run(ask())
    assert (rest, last) == ([2, 4, 6], 10)
    assert isinstance(fault, ValueError)
    assert sorted(number for group in database.asked for number in group) == [-4, 1, 2, 3, 5]
    assert len(database.asked) <= MOST_UNDER_WAY + 1


def test_one_that_hangs_holds_up_no_other() -> None:
    database, together = Database(), AskedTogether[int, int]()
    database.goes_on.clear()

    async def ask() -> None:
        hanging = asyncio.create_task(together.ask(database.answer, 0))
        await asyncio.sleep(0)
        for number in range(1, 20):
            assert await asyncio.wait_for(together.ask(database.answer, number), 5) == 2 * number
        assert not hanging.done()
        database.goes_on.set()
        assert await hanging == 0

    asyncio.run(ask())


def test_a_flood_is_asked_in_pieces() -> None:
    database, together = Database(), AskedTogether[int, int]()
    numbers = list(range(1, 3 * MOST_TOGETHER))

    async def ask() -> list[int]:
        return await asyncio.gather(*(together.ask(database.answer, number) for number in numbers))

    assert asyncio.run(ask()) == [2 * number for number in numbers]
    assert max(map(len, database.asked)) <= MOST_TOGETHER


def test_an_error_of_the_database_reaches_all_who_wait() -> None:
    def broken(numbers: Sequence[int]) -> list[int | Exception]:
        raise RuntimeError(f"broken by {list(numbers)}")

    async def ask() -> None:
        together = AskedTogether[int, int]()
        both = [asyncio.create_task(together.ask(broken, number)) for number in (1, 2)]
        for one in both:
            with pytest.raises(RuntimeError, match="broken by"):
                await one

    asyncio.run(ask())
