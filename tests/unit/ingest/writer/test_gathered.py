"""What comes together is worked on together, and no request waits for long."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence

import pytest

from cleanside.ingest.writer import gathered
from cleanside.ingest.writer.gathered import Gathered


class Worked:
    """Work that remembers its groups, and refuses negative numbers."""

    def __init__(self) -> None:
        self.groups: list[list[int]] = []
        self.gathered: Gathered[int, int] = Gathered(self.work)

    def work(self, items: Sequence[int]) -> list[int | Exception]:
        self.groups.append(list(items))
        return [ValueError(item) if item < 0 else 2 * item for item in items]


def run(act: Callable[[Worked], Awaitable[None]]) -> list[list[int]]:
    worked = Worked()
    asyncio.run(asyncio.wait_for(act(worked), 10))
    return worked.groups


def test_what_comes_turn_after_turn_is_one_group_and_a_fault_is_of_its_item_alone() -> None:
    async def act(worked: Worked) -> None:
        waiting = []
        for of_turn in ((1, -2), (3, 4)):
            waiting += [worked.gathered.hand_in(item, 10) for item in of_turn]
            await asyncio.sleep(0)
        assert await waiting[0] == 2
        with pytest.raises(ValueError, match="-2"):
            await waiting[1]
        assert await waiting[2] == 6

    assert run(act) == [[1, -2, 3, 4]]


def test_an_error_of_the_work_itself_reaches_all_who_wait() -> None:
    def broken(items: Sequence[int]) -> list[int | Exception]:
        raise RuntimeError(f"broken by {list(items)}")

    async def act() -> None:
        broken_one: Gathered[int, int] = Gathered(broken)
        both = [broken_one.hand_in(item, 1) for item in (1, 2)]
        for done in both:
            with pytest.raises(RuntimeError, match="broken by"):
                await done

    asyncio.run(act())


@pytest.mark.parametrize(
    ("many", "size"), [(gathered.MOST_GATHERED, 1), (4, gathered.MOST_GATHERED_BYTES // 4)]
)
def test_what_is_enough_waits_for_nothing(many: int, size: int) -> None:
    async def act(worked: Worked) -> None:
        commit = asyncio.get_running_loop().create_future()
        worked.gathered.follow(commit)
        done = [worked.gathered.hand_in(item, size) for item in range(many)]
        assert all(one.done() for one in done)

    assert run(act) == [list(range(many))]


def test_what_comes_during_a_commit_goes_with_those_that_it_answers() -> None:
    async def act(worked: Worked) -> None:
        commit: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        worked.gathered.follow(commit)
        done = [worked.gathered.hand_in(1, 1)]
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        assert not done[0].done()
        commit.set_result(None)
        await asyncio.sleep(0)
        done.append(worked.gathered.hand_in(2, 1))
        assert [one.result() for one in done] == [2, 4]

    assert run(act) == [[1, 2]]


def test_a_commit_that_takes_long_is_not_waited_for() -> None:
    async def act(worked: Worked) -> None:
        worked.gathered.follow(asyncio.get_running_loop().create_future())  # never done
        assert await worked.gathered.hand_in(1, 1) == 2
        assert await worked.gathered.hand_in(2, 1) == 4

    assert run(act) == [[1], [2]]


def test_one_that_is_handed_in_before_a_commit_begins_waits_no_longer_for_another() -> None:
    async def act(worked: Worked) -> None:
        short, long = (asyncio.get_running_loop().create_future() for _ in range(2))
        done = worked.gathered.hand_in(1, 1)
        worked.gathered.follow(short)
        worked.gathered.follow(long)  # never done
        short.set_result(None)
        assert await done == 2

    assert run(act) == [[1]]


def test_clients_that_do_not_come_back_are_not_waited_for() -> None:
    async def act(worked: Worked) -> None:
        commits: list[asyncio.Future[None]] = [asyncio.get_running_loop().create_future() for _ in range(3)]
        for commit in commits:
            worked.gathered.follow(commit)
            commit.set_result(None)
        await asyncio.sleep(0)
        assert await worked.gathered.hand_in(1, 1) == 2

    assert run(act) == [[1]]


def test_a_new_loop_begins_anew() -> None:
    worked = Worked()

    async def leave() -> None:
        worked.gathered.follow(asyncio.get_running_loop().create_future())
        worked.gathered.hand_in(1, 1)

    async def come() -> None:
        assert await worked.gathered.hand_in(2, 1) == 4

    asyncio.run(leave())
    asyncio.run(come())
    assert worked.groups == [[2]]


def test_one_in_a_hurry_waits_for_no_commit() -> None:
    async def act(worked: Worked) -> None:
        worked.gathered.follow(asyncio.get_running_loop().create_future())  # never done
        waiting = [worked.gathered.hand_in(item, 10, hurries=item == 2) for item in (1, 2, 3)]
        await asyncio.sleep(0)
        assert [one.result() for one in waiting] == [2, 4, 6]

    assert run(act) == [[1, 2, 3]]
