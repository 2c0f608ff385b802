"""
Looking a receiver's name up without waiting for it longer than for an answer.

Promises: a look-up that hangs holds up no other and no end of a loop. It runs in a thread of its own, because
the system's look-up cannot be broken off: in the threads of a loop a handful of them would leave none for the
rest, and the loop would end after the last. At most `MOST_LOOK_UPS` run at a time.
Leaves to others: which addresses may be sent to (`ingest.webhooks.addresses`), how long to wait
(`ingest.webhooks.sending`).
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Final

from cleanside.ingest.webhooks.addresses import Network, Resolve, Target, resolved

MOST_LOOK_UPS: Final = 64  # chosen: eight for each try at the same time; a system gives up in half a minute
_room = threading.BoundedSemaphore(MOST_LOOK_UPS)


async def looked_up(url: str, allowed: Sequence[Network], resolve: Resolve) -> Target:
    """
    `addresses.resolved`, as soon as it is known. Where the caller is cancelled, the look-up ends by itself.

    Raises what it raises, and OSError where too many look-ups hang.
    """
    if not _room.acquire(blocking=False):
        raise OSError(f"{MOST_LOOK_UPS} look-ups of names have no answer yet")
    found = asyncio.get_running_loop().create_future()
    work = threading.Thread(
        target=_work, args=(lambda: resolved(url, allowed, resolve), found), name="look up", daemon=True
    )
    work.start()
    target: Target = await found
    return target


def _work(look_up: Callable[[], Target], found: asyncio.Future[Target]) -> None:
    try:
        target, error = look_up(), None
    except Exception as raised:
        target, error = None, raised
    finally:
        _room.release()

    def tell() -> None:
        if found.done():  # no caller waits any more
            return
        if target is None:
            found.set_exception(error or OSError("no address"))
        else:
            found.set_result(target)

    with suppress(RuntimeError):  # its loop has ended
        found.get_loop().call_soon_threadsafe(tell)
