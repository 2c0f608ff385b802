"""
Readings on standard input or a Unix socket: one JSON object a line, as strict as the wire.

    {"restriction": 3.05, "engine_speed": 1795}
    {"at": "2026-03-02T06:14:07.250Z", "at_uncertainty_s": 4.0, "restriction": 3.10}

Promises: a line with `at` keeps its time; a line without is stamped with the boot's clock on arrival. A line
that is not as specified is reported and counted, and the next one is read. Leaves to others: units (`units`
of the options say in which unit each quantity comes), what an object says (`gateway.sources.objects`), the
socket's place (`gateway.sources.listener`).

Options: `units` (quantity -> unit); `socket` (path of a Unix socket to listen on; absent: standard input).
`tells_time`: who knows the time that the lines carry in `at`, for example "gps"; lines that also say their
`at_uncertainty_s` then tie the boot to UTC for all sources. Only for what is measured now and written at
once: `delay_s` (1) bounds how long a line may have been on its way, and is part of the uncertainty.
"""

from __future__ import annotations

import os
import select
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from cleanside.gateway.sources import Context, Emit
from cleanside.gateway.sources.listener import serve
from cleanside.gateway.sources.objects import LONGEST_BYTES, Objects
from cleanside.gateway.sources.options import Options
from cleanside.gateway.timing.clock import Anchor
from cleanside.gateway.wire import BatchRefused, Reading, is_name, us_of

_LOOK_S = 0.25  # how soon a stop is heard


class NdjsonSource:
    """Standard input, any readable descriptor, or a socket that several programs write to."""

    def __init__(
        self, options: Mapping[str, Any], context: Context, *, descriptor: int | None = None
    ) -> None:
        """descriptor : what to read; None: standard input. Raises SourceWrong for wrong options."""
        given = Options(context.name, options)
        units = given.units("units")
        members = {quantity: (quantity, unit) for quantity, unit in units.items()}
        self._objects = Objects(members, add_to="units of this source")
        self._teller = given.text("tells_time")
        if self._teller is not None and not is_name(self._teller):
            raise given.wrong(f'tells_time "{self._teller}" is not a name; give it like "gps"')
        self._delay_s = given.number("delay_s", 1.0) or 1.0
        socket_path = given.text("socket")
        given.done()
        self._socket = None if socket_path is None else Path(socket_path).expanduser()
        self._context = context
        self._descriptor = descriptor

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Emit each line's reading until the input ends; a socket's does not end before `stop`."""
        if self._socket is not None:
            serve(self._socket, lambda descriptor: self._take(descriptor, emit, stop), stop)
        else:
            self._take(sys.stdin.fileno() if self._descriptor is None else self._descriptor, emit, stop)

    def _take(self, descriptor: int, emit: Emit, stop: threading.Event) -> None:
        for lines in _lines(descriptor, stop):
            if readings := list(self._readings(lines)):
                emit(readings)

    def _readings(self, lines: Sequence[bytes]) -> Iterator[Reading]:
        for line in lines:
            if not line.strip():
                continue
            try:
                reading = self.read(line)
                self._tell_time(reading)
                yield reading
            except (ValueError, BatchRefused) as error:
                self._context.report(
                    "line_not_read", reason=str(error), line=line[:80].decode("utf-8", "replace")
                )

    def _tell_time(self, reading: Reading) -> None:
        if self._teller is None or reading.at is None or reading.at_uncertainty_s is None:
            return
        # It was said at `at`, and read some time between then and `delay_s` later: in the middle of that.
        half_us = round(self._delay_s * 500_000)
        anchor = Anchor(
            kind=self._teller,
            since_boot_us=self._context.clock.since_boot_us(),
            utc_us=us_of(reading.at) + half_us,
            uncertainty_us=half_us + round(reading.at_uncertainty_s * 1e6),
        )
        self._context.tell_time(anchor)

    def read(self, line: bytes) -> Reading:
        """One line as a reading. Raises ValueError or BatchRefused, saying value, rule and next step."""
        if len(line) > LONGEST_BYTES:
            raise ValueError(f"the line is longer than {LONGEST_BYTES} bytes; send one object a line")
        return self._objects.read(line)


def _lines(descriptor: int, stop: threading.Event) -> Iterator[list[bytes]]:
    """Lines as they come, those that came together at once; a last one without a line end at the end."""
    rest = b""
    while not stop.is_set():
        if not select.select([descriptor], [], [], _LOOK_S)[0]:
            continue
        chunk = os.read(descriptor, 2**16)
        if not chunk:
            if rest:
                yield [rest]
            return
        *lines, rest = (rest + chunk).split(b"\n")
        if len(rest) > LONGEST_BYTES:
            lines.append(rest)  # refused as too long; reading goes on after the next line end
            rest = b""
        if lines:
            yield lines
