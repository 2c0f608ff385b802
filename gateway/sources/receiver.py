"""
Link and position quality, from a file in which a modem's or satellite receiver's last lines stand.

A small program of the machine writes there what the devices say: the modem's answer to AT+CSQ, the
receiver's GGA sentence. The newest line of each kind counts. This way no port of a modem is opened twice.
Promises: a file that has not changed says nothing new, and makes no reading; a line that is not as its
standard has it is left out; at most `MOST_BYTES` of its end are read.
Leaves to others: what a line says (`gateway.sources.link_words`).

Options: `path`; `every_s` between two looks (60).
"""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from cleanside.gateway.errors import SourceAway, why
from cleanside.gateway.sources import Context, Emit
from cleanside.gateway.sources.link_words import UNITS, of_line
from cleanside.gateway.sources.options import Options
from cleanside.gateway.wire import Reading

MOST_BYTES: Final = 8_192  # a GGA sentence has 82 characters at most; the newest are wanted (chosen)


class ReceiverSource:
    """One file that is written again and again."""

    def __init__(self, options: Mapping[str, Any], context: Context) -> None:
        """Raises SourceWrong for options that cannot work."""
        given = Options(context.name, options)
        self._path = Path(given.needed("path"))
        self._every_s = given.number("every_s", 60.0) or 60.0
        given.done()
        self._context = context
        self._seen: tuple[int, int, int] | None = None  # of the file as it was last read

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Look every so often until `stop`. Raises SourceAway where the file cannot be read."""
        while not stop.is_set():
            values = values_of(self._new_text())
            if values:
                units = {quantity: UNITS[quantity] for quantity in values}
                emit([Reading(values=values, units=units)])
            self._context.clock.wait(stop, self._every_s)

    def _new_text(self) -> str:
        """The end of the file; empty where it is as it was."""
        try:
            with self._path.open("rb") as file:
                found = os.fstat(file.fileno())
                state = (found.st_ino, found.st_mtime_ns, found.st_size)
                if state == self._seen:
                    return ""
                file.seek(max(0, found.st_size - MOST_BYTES))
                text = file.read(MOST_BYTES).decode("ascii", "replace")
        except OSError as error:
            raise SourceAway(
                "file_unreadable", source=self._context.name, path=self._path, why=why(error)
            ) from error
        self._seen = state
        return text


def values_of(text: str) -> dict[str, float]:
    """Quantity -> value of the last lines of each kind. Pure."""
    values: dict[str, float] = {}
    for line in text.splitlines():
        found = of_line(line)
        if "position_fix" in found:  # a position of before does not go with a fix of now
            values = {name: value for name, value in values.items() if name == "signal_strength"}
        values |= found
    return values
