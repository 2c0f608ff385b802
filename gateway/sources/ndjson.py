"""
Readings on standard input or a Unix socket: one JSON object a line, as strict as the wire.

    {"restriction": 3.05, "engine_speed": 1795}
    {"at": "2026-03-02T06:14:07.250Z", "at_uncertainty_s": 4.0, "restriction": 3.10}

Promises: a line with `at` keeps its time; a line without is stamped with the boot's clock on arrival. A line
that cannot be read is reported and counted, and the next one is read. Of a line with a member that is no
quantity of ours or no number, the others are kept; it is counted as read in part. Leaves to others: units
(`units` of the options say in which unit each quantity comes), what an object says
(`gateway.sources.objects`), the socket's place (`gateway.sources.listener`).

Options: `units` (quantity -> unit); `pass_over`: members that are known and not wanted; `socket`
(path of a Unix socket to listen on; absent: standard input).
`tells_time`: who knows the time that the lines carry in `at`, for example "gps"; lines that also say their
`at_uncertainty_s` then tie the boot to UTC for all sources. Only for what is measured now and written at
once: `delay_s` (1) bounds how long a line may have been on its way, and is part of the uncertainty.

Acknowledgement. Without `acknowledge` there is no answer: readings that the disk does not take wait in
memory, so a program that ends does not know the outcome of its last lines.
With `acknowledge` (true) each line gets one line back, on the same socket or on standard output:

    {"line": 1, "on_disk": true}
    {"line": 2, "on_disk": false, "reason": "restriction 'high' is not a finite number; leave it out ..."}
    {"line": 3, "id": "a7", "on_disk": true}
    {"line": 4, "on_disk": true, "left_out": "\"note\" is not a quantity; ..."}

`line` counts this connection's lines from 1, empty ones too; `id` is the caller's own (a text of at most 64
characters or a whole number), a member of the object; `left_out` says which members are not kept, and why.
The answer is sent once the reading is on disk, or never will be; answers to lines that were sent together may
come in another order. Keep a line until its answer, and read the answers: after 1 MiB of unread ones no more
are written. A line without an answer (the gateway was stopped, the power went) may be on disk all the same:
sent again, it is there twice.
"""

from __future__ import annotations

import json
import os
import select
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from cleanside.gateway.errors import NotAReading
from cleanside.gateway.sources import Context, Emit
from cleanside.gateway.sources.line_answers import Answers
from cleanside.gateway.sources.listener import serve
from cleanside.gateway.sources.objects import LONGEST_BYTES, Objects, ReadObject, members
from cleanside.gateway.sources.options import Options
from cleanside.gateway.timing.clock import MOST_UNCERTAIN_US, Anchor
from cleanside.gateway.wire import MAX_INTEGER, BatchRefused, Reading, is_name, us_of

_LOOK_S = 0.25  # how soon a stop is noticed
_LONGEST_ID = 64  # characters; as a name of the contract


class NdjsonSource:
    """Standard input, any readable descriptor, or a socket that several programs write to."""

    def __init__(
        self,
        options: Mapping[str, Any],
        context: Context,
        *,
        descriptor: int | None = None,
        answer_to: int | None = None,
    ) -> None:
        """
        descriptor : what to read; None: standard input. answer_to : None: standard output.
        Raises SourceWrong for wrong options.
        """
        given = Options(context.name, options)
        units = given.units("units")
        named = {quantity: (quantity, unit) for quantity, unit in units.items()}
        self._objects = Objects(
            named,
            add_to="units of this source",
            for_unknown="add it to pass_over of this source, or send it by the name of a quantity",
            passed_over=frozenset(given.texts("pass_over")),
        )
        self._teller = given.text("tells_time")
        if self._teller is not None and not is_name(self._teller):
            raise given.wrong("teller_not_a_name", teller=self._teller)
        self._delay_s = given.number("delay_s", 1.0) or 1.0
        self._acknowledges = given.switch("acknowledge")
        socket_path = given.text("socket")
        given.done()
        self._socket = None if socket_path is None else Path(socket_path).expanduser()
        self._context = context
        self._descriptor = descriptor
        self._answer_to = answer_to

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Emit each line's reading until the input ends; a socket's does not end before `stop`."""
        if self._socket is not None:
            serve(self._socket, lambda both: self._take(both, both, emit, stop), stop)
            return
        lines_from = sys.stdin.fileno() if self._descriptor is None else self._descriptor
        answer_to = self._answer_to
        if answer_to is None and self._acknowledges:
            answer_to = sys.stdout.fileno()
        self._take(lines_from, answer_to, emit, stop)

    def _take(self, lines_from: int, answer_to: int | None, emit: Emit, stop: threading.Event) -> None:
        if self._acknowledges:
            assert answer_to is not None
            self._take_and_answer(lines_from, answer_to, stop)
            return
        for lines in _lines(lines_from, stop):
            if readings := [read for line in lines if (read := self._reading(line, {})) is not None]:
                emit(readings)

    def _take_and_answer(self, lines_from: int, answer_to: int, stop: threading.Event) -> None:
        with Answers(answer_to) as answers:
            number = 0
            for lines in _lines(lines_from, stop):
                self._keep(lines, number, answers)
                number += len(lines)
            answers.wait(stop)

    def _keep(self, lines: Sequence[bytes], before: int, answers: Answers) -> None:
        """Put the readings of some lines on disk, and answer each line."""
        named: list[dict[str, Any]] = []
        readings: list[Reading] = []
        for number, line in enumerate(lines, before + 1):
            if not line.strip():
                continue
            about: dict[str, Any] = {"line": number}
            answers.owe(1)
            if (reading := self._reading(line, about)) is None:
                answers.put(_answer(about))
            else:
                named.append(about)
                readings.append(reading)
        if readings:
            self._context.keep(readings, lambda verdicts: answers.put(*map(_answer, named, verdicts)))

    def _reading(self, line: bytes, about: dict[str, Any]) -> Reading | None:
        """
        A line's reading; None for an empty line and for one that cannot be read, which is reported.

        about : what its answer says; takes the caller's id, why it is refused, or what is left out.
        """
        if not line.strip():
            return None
        shown = line[:80].decode("utf-8", "replace")
        try:
            reading, left_out = self._read(line, about)
        except (ValueError, BatchRefused) as error:
            about["reason"] = str(error)
            self._context.report("line_not_read", reason=str(error), line=shown)
            return None
        if left_out:
            about["left_out"] = left_out
            self._context.report_part("line_read_in_part", reason=left_out, line=shown)
        self._tell_time(reading)
        return reading

    def _read(self, line: bytes, about: dict[str, Any]) -> ReadObject:
        """Raises ValueError or BatchRefused, saying value, rule and next step."""
        document = members(self._bounded(line))
        if (name := document.pop("id", None)) is not None and self._acknowledges:
            about["id"] = _checked_id(name)
        return self._objects.reading(document)

    def _tell_time(self, reading: Reading) -> None:
        if self._teller is None or reading.at is None or reading.at_uncertainty_s is None:
            return
        if reading.at_uncertainty_s * 1e6 > MOST_UNCERTAIN_US:  # it may be infinite
            return
        # The line was written at `at`, and read up to `delay_s` later: use the middle.
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
        return self._read(line, {}).reading

    def _bounded(self, line: bytes) -> bytes:
        if len(line) > LONGEST_BYTES:
            raise NotAReading("line_too_long", most=LONGEST_BYTES)
        return line


def _checked_id(name: Any) -> str | int:
    if (type(name) is int and abs(name) <= MAX_INTEGER) or (
        isinstance(name, str) and len(name) <= _LONGEST_ID
    ):
        return name
    raise NotAReading("id_not_usable", most=_LONGEST_ID)


def _answer(about: Mapping[str, Any], refusal: str | None = None) -> bytes:
    reason = about.get("reason", refusal)
    said = {**about, "on_disk": reason is None} | ({} if reason is None else {"reason": reason})
    return json.dumps(said, ensure_ascii=False).encode() + b"\n"


def _lines(descriptor: int, stop: threading.Event) -> Iterator[list[bytes]]:
    """Lines as they arrive, several at once where they arrive together; at the end one without a line end."""
    rest = b""
    is_passing_over = False  # the rest of a line that was too long, up to its end
    while not stop.is_set():
        if not select.select([descriptor], [], [], _LOOK_S)[0]:
            continue
        chunk = os.read(descriptor, 2**16)
        if not chunk:
            if rest and not is_passing_over:
                yield [rest]
            return
        *lines, rest = (rest + chunk).split(b"\n")
        if is_passing_over:
            is_passing_over = not lines
            lines, rest = lines[1:], b"" if is_passing_over else rest
        if len(rest) > LONGEST_BYTES:
            lines.append(rest)  # refused as too long
            rest, is_passing_over = b"", True
        if lines:
            yield lines
