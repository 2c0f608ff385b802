"""
Repeated messages: a sender without an acknowledgement sends a message again.

After a kill the last few messages of a process may be repeated: on disk, and not acknowledged. They may
arrive late, behind many new ones, after several short runs. So the last messages of this run are remembered,
and those of earlier runs until a sender has surely stopped waiting.
Promises: bounded; kept as a source's mark, in the transaction of the readings themselves.
"""

from __future__ import annotations

import base64
import hashlib
from collections import deque
from typing import Final

from cleanside.gateway.timing.clock import Clock

MOST_ON_THE_WAY: Final = 64  # chosen: twice what a source takes before it acknowledges
_OF_LIVES_BEFORE: Final = 256
_WAITED_FOR_US: Final = 600_000_000  # chosen: brokers wait half a minute for an acknowledgement


class Repeats:
    """Recent messages, by digest."""

    def __init__(self, mark: str | None, clock: Clock) -> None:
        """mark : the value of `mark` at the last emit; None: no message yet."""
        self._clock = clock
        self._began_us = clock.since_boot_us()
        self._before = (mark or "").split()[-_OF_LIVES_BEFORE:]
        self._lately: deque[str] = deque(maxlen=MOST_ON_THE_WAY)

    def is_repeat(self, said: bytes) -> bool:
        """True for a message that came before; else it is remembered."""
        digest = base64.b64encode(hashlib.blake2b(said, digest_size=9).digest()).decode()
        if digest in self._before or digest in self._lately:
            return True
        self._lately.append(digest)
        return False

    def mark(self) -> str:
        """The mark to write with the readings of these messages."""
        if self._clock.since_boot_us() - self._began_us > _WAITED_FOR_US:
            self._before = []
        return " ".join([*self._before, *self._lately])
