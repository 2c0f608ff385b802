"""
What can go wrong on the machine, sorted by what a caller can do about it.

    GatewayError
    ├── TryAgain                the same call may succeed later; nothing was lost by failing
    │   ├── SpoolUnavailable    the disk does not take writes (I/O error, read-only, locked)
    │   ├── SpoolFull           no room on the disk
    │   └── SpoolDamaged        the file was not readable; it is set aside, and the next call meets a new one
    ├── NeverAccepted           this reading will never be accepted, however often it is tried
    │   └── ReadingRefused
    └── CalledWrongly           the call, the settings or the set-up is wrong; a person mends it
        ├── SettingsWrong
        ├── SpoolInUse          another process runs this spool
        ├── SpoolTooNew         written by a later version
        ├── UnknownStream
        └── SourceWrong         a source cannot work as configured

A message has the value, the rule and the next step.
"""

from __future__ import annotations

import re


def why(error: BaseException) -> str:
    """
    What an error of the system or a library says, for a message of ours: no number of the system's, no name.

    The message says itself which file or address it is about.
    """
    if isinstance(error, UnicodeError):
        return "it is not text"
    said = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return re.sub(r"\[Errno -?\d+\] |^\[\w+(: \w+)?\] | \(_ssl\.c:\d+\)", "", said)


class GatewayError(Exception):
    """Root of all errors of the gateway that a caller is meant to meet."""


class TryAgain(GatewayError):
    """The same call may succeed later."""


class SpoolUnavailable(TryAgain):
    """The disk does not take writes now."""


class SpoolFull(TryAgain):
    """No room on the disk."""


class SpoolDamaged(TryAgain):
    """The file was not readable as a spool, or is gone."""


class NeverAccepted(GatewayError):
    """This will not be accepted, however often it is tried."""


class ReadingRefused(NeverAccepted):
    """A reading that cannot be written: a value that is not a finite number, an instant out of range."""


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
