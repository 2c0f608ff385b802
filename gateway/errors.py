"""
What can go wrong on the machine, sorted by what a caller can do about it.

    GatewayError
    ├── TryAgain                the same call may succeed later; nothing was lost by failing
    │   ├── SpoolUnavailable    the disk does not take writes (I/O error, read-only, locked)
    │   ├── SpoolFull           no room on the disk
    │   ├── SourceAway          what a source reads from does not answer; it is asked again
    │   └── SpoolDamaged        the file was not readable; it is set aside, and the next call meets a new one
    ├── NeverAccepted           this reading will never be accepted, however often it is tried
    │   └── ReadingRefused
    └── CalledWrongly           the call, the settings or the set-up is wrong; a person mends it
        ├── SettingsWrong
        ├── SpoolInUse          another process runs this spool
        ├── SpoolTooNew         written by a later version
        ├── UnknownStream
        └── SourceWrong         a source cannot work as configured

Each has a stable `code` and `values`; its message has the value, the rule and the next step.
Beside the tree stands NotAReading, a ValueError: a line or message that a source was sent.
"""

from __future__ import annotations

import os
import re
import socket
import ssl

from cleanside.gateway.error_texts import SENTENCES
from cleanside.gateway.wire import Coded


class GatewayError(Coded):
    """
    Root of all errors of the gateway that a caller is meant to meet.

    Decide by `code` and `values`; the sentence of each code is in `error_texts`.
    """

    SENTENCES = SENTENCES


class TryAgain(GatewayError):
    """The same call may succeed later."""


class SpoolUnavailable(TryAgain):
    """The disk does not take writes now."""


class SpoolFull(TryAgain):
    """No room on the disk."""


class SourceAway(TryAgain, ConnectionError):
    """What a source reads from does not answer now, said in the source's own words."""


class SpoolDamaged(TryAgain):
    """The file was not readable as a spool, or is gone."""


class NeverAccepted(GatewayError):
    """This will not be accepted, however often it is tried."""


class ReadingRefused(NeverAccepted):
    """A reading that cannot be written: a value that is not a finite number, an instant out of range."""


class NotAReading(Coded, ValueError):
    """A line or message that is no reading; its sender gets the reason. Caught where a line is read."""

    SENTENCES = SENTENCES


class CalledWrongly(GatewayError):
    """The call, the settings or the set-up is wrong."""


class SettingsWrong(CalledWrongly):
    """A setting has a value that is not allowed."""


class SpoolInUse(CalledWrongly):
    """Another process runs this spool."""


class SpoolTooNew(CalledWrongly):
    """The spool was written by a later version, or the SQLite library is too old to be trusted with it."""


class UnknownStream(CalledWrongly):
    """The spool has no such stream."""


class SourceWrong(CalledWrongly):
    """A source cannot work as it is configured."""


def why(error: BaseException) -> str:
    """
    What may be said of an error in a message of ours: the only way a library's error gets into a text.

    Our own errors keep their text. Of any other error only the system's text for its number and the name of
    its class appear, because a library's text may quote its input, with a key or a password.
    The message says itself which file or address it is about.
    """
    if isinstance(error, GatewayError):
        return str(error)
    if isinstance(error, UnicodeError):
        return "it is not text"
    cause = _system_error(error)
    said = "" if cause is None else _system_word(cause)
    if isinstance(error, OSError) and said:
        return said
    place = re.search(r"\(at (line \d+, column \d+|end of document)\)$", str(error))  # tomllib's last words
    return type(error).__name__ + (f": {said}" if said else "") + (f" at {place[1]}" if place else "")


def _system_error(error: BaseException) -> OSError | None:
    """The error itself or what it came from, where the system has a word for it."""
    seen: BaseException | None = error
    for _ in range(8):  # chains are short; a bound, should one run in a circle
        if isinstance(seen, OSError) and _system_word(seen):
            return seen
        seen = None if seen is None else seen.__cause__ or seen.__context__
    return None


def _system_word(error: OSError) -> str:
    """The system's own word for the number of an error; never the error's text."""
    if isinstance(error, ssl.SSLError):
        # Both are from tables of OpenSSL; the name in a mismatch is the one we asked for.
        words = (error.reason or "").replace("_", " ").lower()
        detail = getattr(error, "verify_message", "")
        return f"{words}: {detail}" if detail else words
    if isinstance(error, socket.gaierror):
        return "the name has no address"
    return os.strerror(error.errno) if isinstance(error.errno, int) and error.errno > 0 else ""
