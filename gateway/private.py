"""
What must stay private: the device's key and passwords, read from a file and kept out of every text.

Promises: a secret is the only line of its file. A file that holds none, or more than one line, is refused
with a message that names the file and the rule, never the content. What was read once is blanked out
wherever the gateway writes text.
Leaves to others: what is safe to quote of a library's error (`gateway.errors.why`).
"""

from __future__ import annotations

import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from cleanside.gateway.errors import SettingsWrong, why

MAX_FILE_BYTES: Final = 4096  # a key has 74 characters; chosen: room for longer passwords
BLANK: Final = "[private]"
#: a bearer token as HTTP can carry it: RFC 6750 section 2.1, b64token
_TOKEN: Final = re.compile(r"[A-Za-z0-9._~+/-]+=*")
_SHORTEST_HIDDEN: Final = 4  # characters; a shorter one would blank out words
_MOST_HIDDEN: Final = 32  # renewed keys: the last so many; chosen

# Of the whole process: a library's log line does not say which gateway it belongs to.
_secrets: dict[str, None] = {}


def read_secret(path: Path, *, check: str, before: str = "") -> str:
    """
    The one line of the file at `path`, without blanks at its ends; from now on hidden.

    check : the setting that names the file, for the next step of an error. before : begins each error.
    Raises SettingsWrong, never with the content.
    """
    place = _SecretPlace(f"{before}{_shown(path)}", check)
    text = _text(_bytes(path, place), place)
    line, *below = re.split(r"[\r\n]", text.rstrip())
    if not line.strip():
        raise place.wrong("secret_first_line_empty" if text.strip() else "secret_empty")
    if below:  # two keys after a change, say: which one is meant is not guessed
        raise place.wrong("secret_more_than_one_line")
    line = line.strip()
    hide_from_now_on(line)
    return line


def check_key(key: str, *, where: str) -> str:
    """The key, if HTTP can carry it. where : names its place in the error. Raises SettingsWrong."""
    if not _TOKEN.fullmatch(key):
        raise SettingsWrong("key_has_odd_character", where=where)
    hide_from_now_on(key)
    return key


def read_key(path: Path, *, check: str) -> str:
    """The device's key from its file. Raises SettingsWrong, never with the content."""
    return check_key(read_secret(path, check=check), where=f"{_shown(path)} ({check})")


def hide_from_now_on(secret: str) -> None:
    """Blank `secret` out of every text that goes through `hidden`."""
    if len(secret) >= _SHORTEST_HIDDEN:
        _secrets.pop(secret, None)
        _secrets[secret] = None
        while len(_secrets) > _MOST_HIDDEN:
            _secrets.pop(next(iter(_secrets)), None)


def hidden(text: str) -> str:
    """`text` without the secrets that this process has read."""
    for secret in tuple(_secrets):
        text = text.replace(secret, BLANK)
    return text


@dataclass(frozen=True, slots=True)
class _SecretPlace:
    """A file as errors name it, and the setting to check."""

    shown: str
    check: str

    def wrong(self, code: str, /, **values: Any) -> SettingsWrong:
        return SettingsWrong(code, file=self.shown, check=self.check, **values)


def _bytes(path: Path, place: _SecretPlace) -> bytes:
    try:
        # Not blocking: a pipe in its place would be waited for without end.
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        mode = os.fstat(handle).st_mode
        if not stat.S_ISREG(mode):
            os.close(handle)
            raise place.wrong("secret_a_folder" if stat.S_ISDIR(mode) else "secret_not_a_file")
        with os.fdopen(handle, "rb") as file:
            content = file.read(MAX_FILE_BYTES + 1)
    except (OSError, ValueError) as error:
        raise place.wrong("secret_unreadable", why=why(error)) from error
    if len(content) > MAX_FILE_BYTES:
        raise place.wrong("secret_too_long", most=MAX_FILE_BYTES)
    return content


def _text(content: bytes, place: _SecretPlace) -> str:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in text:  # outside the except block: the decoder's error carries the content along
        raise place.wrong("secret_not_text")
    return text


def _shown(path: Path) -> str:
    """The path, unless it is a key that a person entered instead of its file."""
    return "(a key, given where its file belongs)" if _looks_like_key(path.name) else str(path)


def _looks_like_key(name: str) -> bool:
    return re.fullmatch(r"k[0-9a-f]{8}\.[0-9a-f]{64}", name) is not None
