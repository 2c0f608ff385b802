"""
The code on the gateway's label: who reads it stands beside the machine.

Promises: the code is made once, of 40 random bits, in a file that only its user may read. It is compared in
constant time, and few tries are taken in a minute: guessing it takes ages. Who showed it gets a pass for a
shift, of which only a digest under the code is kept: across a key-off, and never longer than the code.
Leaves to others: what the code opens (`gateway.beside.reception`), printing it (`gateway.commands.label`).
"""

from __future__ import annotations

import hmac
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

from cleanside.gateway import file_modes
from cleanside.gateway.beside.kept_visit import SHIFT_US, KeptVisit
from cleanside.gateway.errors import GatewayError, SettingsWrong
from cleanside.gateway.private import read_secret
from cleanside.gateway.spool.identity import RandomBytes

#: Crockford's base 32: without I, L, O and U, which a label is misread by
_ALPHABET: Final = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_CODE_BYTES: Final = 5  # 40 bits, 8 characters; at `MOST_WRONG_IN_ALL` a minute 35 000 years for half of them
LEAST_CHARACTERS: Final = 8  # of a code that a person chose (chosen: as many as ours has)
_MISREAD: Final = str.maketrans("ILO", "110")
MOST_WRONG: Final = 5  # wrong tries a minute from one address (chosen)
MOST_WRONG_IN_ALL: Final = 30  # from all addresses together (chosen)
_MINUTE_US: Final = 60_000_000
PASS_US: Final = SHIFT_US
_MOST_PASSES: Final = 64  # the oldest goes; a handful of people stand at a machine (chosen)
_MOST_ADDRESSES: Final = 256  # whose wrong tries are counted apart; beyond them the sum bounds (chosen)


def code_of(path: Path, *, random: RandomBytes) -> str:
    """The code in the file at `path`; made there if there is none. Raises SettingsWrong, OSError."""
    if not path.exists():
        file_modes.make_folder(path.parent)
        _write_whole(path, _made(random))
    code = read_secret(path, check="beside.code_file")
    if len(folded(code)) < LEAST_CHARACTERS:
        raise SettingsWrong("label_code_short", file=path, least=LEAST_CHARACTERS)
    return code


def _write_whole(path: Path, code: str) -> None:
    """On disk whole before it has its name: a label that is printed must open the page after a power cut."""
    draft = path.with_name(f"{path.name}.new")
    file_modes.write_text(draft, f"{code}\n")
    file_modes.sync_file(draft)
    with suppress(FileExistsError):  # another command made one at the same moment: that one counts
        path.hardlink_to(draft)
    draft.unlink()
    file_modes.sync_folder(path.parent)


def _made(random: RandomBytes) -> str:
    number = int.from_bytes(random(_CODE_BYTES), "big")
    letters = [_ALPHABET[number >> 5 * place & 31] for place in range(8)]
    return f"{''.join(letters[:4])}-{''.join(letters[4:])}"


def folded(code: str) -> str:
    """A code as it was typed, without what does not matter: case, blanks, hyphens, letters misread."""
    return "".join(code.upper().translate(_MISREAD).split()).replace("-", "")


class TooManyTries(Exception):
    """No more tries in this minute; `retry_s`: when there are again."""

    def __init__(self, retry_s: int) -> None:
        super().__init__(f"too many wrong codes; again in {retry_s} s")
        self.retry_s = retry_s


class Doorkeeper:
    """Takes the code, gives passes. Of one thread."""

    def __init__(
        self,
        code: Callable[[], str],
        *,
        now_us: Callable[[], int],
        random: RandomBytes,
        visit: KeptVisit | None = None,
    ) -> None:
        """
        What it needs.

        code : asked each time, so that a new one counts at once, and ends the passes of the old one.
        now_us : since boot. visit : what is kept across a key-off; None: nothing is.
        """
        self._code = code
        self._now_us = now_us
        self._random = random
        self._visit = visit
        self._passes: OrderedDict[str, int] = OrderedDict()  # digest of a pass -> until when, since boot
        self._wrong: dict[str, int] = {}  # address -> wrong tries in this minute
        self._wrong_in_all = 0
        self._minute_us = now_us()

    def show(self, code: str, *, address: str) -> str | None:
        """A new pass for the right code; None for a wrong one. Raises TooManyTries before it compares."""
        self._check_tries(address)
        if not hmac.compare_digest(folded(code).encode("utf-8", "replace"), folded(self._code()).encode()):
            if address in self._wrong or len(self._wrong) < _MOST_ADDRESSES:
                self._wrong[address] = self._wrong.get(address, 0) + 1
            self._wrong_in_all += 1
            return None
        made = self._random(16).hex()
        digest = self._digest(made)
        self._passes[digest] = self._now_us() + PASS_US
        if self._visit is not None:
            self._visit.keep_pass(digest)
        while len(self._passes) > _MOST_PASSES:
            self._passes.popitem(last=False)
        return made

    def knows(self, given: str) -> bool:
        """A pass is one of ours, and its time is not over."""
        # Looked up by value: a pass has 128 random bits, so there is nothing to learn from how long it takes.
        try:
            digest = self._digest(given)
        except (GatewayError, OSError):  # without its code nothing opens
            return False
        is_kept = self._visit is not None and self._visit.has_pass(digest)
        return is_kept or self._passes.get(digest, 0) > self._now_us()

    def _digest(self, given: str) -> str:
        return hmac.new(folded(self._code()).encode(), given.encode("utf-8", "replace"), "sha256").hexdigest()

    def _check_tries(self, address: str) -> None:
        now_us = self._now_us()
        if now_us - self._minute_us >= _MINUTE_US:
            self._minute_us, self._wrong, self._wrong_in_all = now_us, {}, 0
        if self._wrong.get(address, 0) >= MOST_WRONG or self._wrong_in_all >= MOST_WRONG_IN_ALL:
            raise TooManyTries(1 + (self._minute_us + _MINUTE_US - now_us) // 1_000_000)
