"""The writer learns when a loop has nothing more to hand in."""

from __future__ import annotations

import asyncio

from cleanside.ingest.writer.handing_in import HandingIn


def test_it_is_over_after_the_first_turn_that_brings_nothing() -> None:
    over: list[int] = []

    async def hand_in() -> None:
        loop, came = asyncio.get_running_loop(), [0]
        handing_in = HandingIn(lambda: over.append(came[0]))
        for _ in range(3):  # turn after turn
            for _ in range(2):
                came[0] += 1
                handing_in.came(loop)
            await asyncio.sleep(0)
        assert handing_in.is_on
        while handing_in.is_on:
            await asyncio.sleep(0)

    asyncio.run(hand_in())
    assert over == [6]


def test_a_thread_that_waits_ends_it() -> None:
    async def hand_in() -> None:
        handing_in = HandingIn(lambda: None)
        handing_in.came(asyncio.get_running_loop())
        handing_in.end()
        assert not handing_in.is_on

    asyncio.run(hand_in())


def test_a_loop_that_ended_is_not_waited_for_by_the_next() -> None:
    over: list[str] = []
    handing_in = HandingIn(lambda: over.append("over"))

    async def hand_in() -> None:
        handing_in.came(asyncio.get_running_loop())

    async def and_wait() -> None:
        await hand_in()
        while handing_in.is_on:
            await asyncio.sleep(0)

    loop = asyncio.new_event_loop()
    handing_in.came(loop)
    loop.close()  # before its next turn
    asyncio.run(and_wait())
    assert over == ["over"]
