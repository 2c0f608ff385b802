"""
What a spool does first in a file that it opened: whose it is, what is missing, which boot this is.

Promises: a file that is a copy, or whose end is missing, never continues under numbers that may be used
already. What was lost or set aside before is declared once.
Leaves to others: opening the file itself (`gateway.spool.file`, `gateway.spool.disk`).
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

import apsw

from cleanside.gateway.errors import CalledWrongly
from cleanside.gateway.log import Log
from cleanside.gateway.spool.append import UnitSets
from cleanside.gateway.spool.boots import (
    forget_old_boots,
    note_copied,
    place_waiting,
    register_boot,
)
from cleanside.gateway.spool.done_aside import DoneAside
from cleanside.gateway.spool.events import Events
from cleanside.gateway.spool.file import check_small_tables
from cleanside.gateway.spool.file_notes import read_note, set_note
from cleanside.gateway.spool.high_mark import Extent, HighMark, LossNote, read_loss
from cleanside.gateway.spool.host import FindTraits, as_traits, differing
from cleanside.gateway.spool.losses import LOST, Losses
from cleanside.gateway.spool.machine_entries import (
    BEFORE_ALL,
    carry_over_entries,
    close_entry_streams,
    last_entered_us,
)
from cleanside.gateway.spool.rescue import DAMAGED_REASON as DAMAGED
from cleanside.gateway.spool.rescue import add_salvaged, boot_before, find_new, is_end_known
from cleanside.gateway.spool.rows import READ, Row, is_sound
from cleanside.gateway.spool.shed import declare
from cleanside.gateway.spool.state import (
    MARKED,
    StreamRow,
    is_marked,
    last_position,
    mend_copies,
    open_stream,
    stream_rows,
    unprotected_through,
)
from cleanside.gateway.spool.streams import begin_stream, extent_of, fork_stream
from cleanside.gateway.spool.tail import Lost, Unknown, judge
from cleanside.gateway.spool.unconfirmed import carry_over_events, has_event
from cleanside.gateway.timing.clock import Clock

_LAST_OF_BOOT: Final = f"{READ} WHERE boot = ? AND position >= ? ORDER BY position DESC"


@dataclass(frozen=True, slots=True)
class OpenedFile:
    """What was found in the file."""

    installation: str
    #: number of the running boot
    boot: int
    #: up to this position readings have no checksum: an earlier version wrote them
    unprotected_through: int
    extent: Extent


class Opening:
    """Begins in a file. The caller has the spool's lock and an open transaction."""

    def __init__(
        self,
        path: Path,
        *,
        device: str,
        clock: Clock,
        new_uuid: Callable[[], str],
        traits: FindTraits,
        mark: HighMark,
        losses: Losses,
        events: Events,
        aside: DoneAside,
        log: Log,
    ) -> None:
        """traits : of this machine and file; where one differs from the file's note, the file was copied."""
        self._path = path
        self._device = device
        self._clock = clock
        self._new_uuid = new_uuid
        self._traits = traits
        self._mark = mark
        self._losses = losses
        self._events = events
        self._aside = aside
        self._log = log

    def begin(self, connection: apsw.Connection) -> OpenedFile:
        """Make the first rows. Raises CalledWrongly (of another device), NotAsWritten."""
        check_small_tables(connection)
        mend_copies(connection)
        unprotected = unprotected_through(connection)
        installation = self._own(connection)
        self._check_tail(connection)
        installation = self._look_where_it_lies(connection) or installation
        boot = register_boot(
            connection,
            self._clock,
            next_position=last_position(connection) + 1,
            last_sign_us=lambda boot, first: self._last_sign_us(connection, boot, first),
        )
        forget_old_boots(connection)
        place_waiting(connection)
        self._declare_loss(connection, self._mark.loss())
        self._declare_aside(connection)
        return OpenedFile(installation, boot, unprotected, extent_of(connection))

    def _own(self, connection: apsw.Connection) -> str:
        """The installation of the file; a new one if the file is new."""
        traits: dict[str, str] = {
            name: json.loads(value)
            for name, value in connection.execute(
                "SELECT name, value FROM notes WHERE name IN ('installation', 'device')"
            )
        }
        if "installation" not in traits:
            traits = {"installation": self._new_uuid(), "device": self._device}
            connection.executemany(
                "INSERT INTO notes VALUES (?, ?)",
                [(name, json.dumps(value)) for name, value in traits.items()],
            )
        if traits["device"] != self._device:
            raise CalledWrongly(
                "spool_of_another_device", path=self._path, other=traits["device"], device=self._device
            )
        return traits["installation"]

    def _check_tail(self, connection: apsw.Connection) -> None:
        """Open a stream where there is none, or where the mark shows numbers that the last one lacks."""
        mark = self._mark.read()
        streams = stream_rows(connection)
        is_expected = is_marked(connection)
        if not is_expected:
            if mark is None and streams:  # of an earlier version: the mark is older than the note about it
                mark = extent_of(connection)
                self._mark.write(mark.stream, mark.through)
                self._mark.sync()
            if self._mark.is_there():  # a full disk may have no room for it
                connection.execute("INSERT INTO notes VALUES (?, 'true')", (MARKED,))
        if not streams:
            begin_stream(connection, self._new_uuid())
            if mark is not None:
                self._declare_gone(connection, mark)
            return
        match judge(mark, streams, is_expected=is_expected):
            case Lost(stream, first, last):
                self._continue_behind(connection, stream, "tail_lost", through=last)
                declare(connection, stream.number, first, last, DAMAGED)
                lost = {"stream": stream.stream, "first": first, "last": last}
                self._events.tell(connection, "spool_tail_lost", lost)
            case Unknown(stream):
                through = stream.appended_through
                self._continue_behind(connection, stream, "tail_unknown", through=through)
                said = {"stream": stream.stream, "behind": through}
                self._events.tell(connection, "spool_tail_unknown", said)

    def _continue_behind(
        self, connection: apsw.Connection, old: StreamRow, reason: str, *, through: int
    ) -> None:
        fork_stream(connection, old, self._new_uuid(), through=through)
        self._events.add(connection, "stream_opened", {"reason": reason, "before": old.stream})

    def _declare_gone(self, connection: apsw.Connection, mark: Extent) -> None:
        """The file is gone, and only its mark is left: the server knows which of its readings arrived."""
        if mark.through:
            add_salvaged(connection, mark.stream, mark.through)
            lost = {"stream": mark.stream, "first": 1, "last": mark.through}
            self._events.tell(connection, "spool_tail_lost", lost)

    def _look_where_it_lies(self, connection: apsw.Connection) -> str | None:
        """
        Continue in a new stream, as a new installation, where the file is a copy, because its original may
        run too. Returns that installation.
        """
        before = as_traits(read_note(connection, "traits"))
        now = {**before, **self._traits(self._path)}
        if now == before:
            return None
        set_note(connection, "traits", now)
        changed = differing(before, now)
        if not changed:
            return None
        installation = self._new_uuid()
        set_note(connection, "installation", installation)
        note_copied(connection, self._clock)
        old = open_stream(connection)
        fork_stream(connection, old, self._new_uuid(), through=old.appended_through)
        close_entry_streams(connection)
        said = {"differs": changed, "before": old.stream, "through": old.appended_through}
        self._events.tell(connection, "spool_copied", said)
        return installation

    def _last_sign_us(self, connection: apsw.Connection, boot: int, first: int) -> int | None:
        """The time of the last sound reading of a boot, or of its last entry."""
        entered_us = last_entered_us(connection, boot)
        unit_sets, unprotected = UnitSets().by_number(connection), unprotected_through(connection)
        streams = stream_rows(connection)

        def is_sound_in(row: Row, stream: StreamRow) -> bool:
            seq = stream.seq(row[0])
            return is_sound(row, unit_sets, stream=stream.stream, seq=seq, unprotected_through=unprotected)

        # Only positions from the boot's first on can have it: the search back ends there.
        for row in connection.execute(_LAST_OF_BOOT, (boot, first)):
            if any(stream.holds(row[0]) and is_sound_in(row, stream) for stream in streams):
                return max(int(row[2]), entered_us or 0)
        return entered_us

    def _declare_loss(self, connection: apsw.Connection, note: LossNote | None) -> None:
        """Declare lost readings that were noted, once: the note is cleared after this is on disk."""
        if (said := self._losses.declare_noted(connection, note)) is not None:
            self._events.added += 1
            self._log(f"gateway.{LOST}", level=logging.ERROR, **said)

    def _declare_aside(self, connection: apsw.Connection) -> None:
        """Take over events and entries of files that were set aside, and declare them."""
        set_aside = find_new(connection, self._path)
        carry_over_events(connection, reversed(set_aside))
        self._aside.declare(connection)
        self._events.added += len(set_aside)
        for aside in set_aside:
            are_read = carry_over_entries(
                connection,
                aside,
                boot_number=partial(boot_before, connection, position=BEFORE_ALL),
                new_stream=self._new_uuid,
            )
            self._declare_loss(connection, read_loss(aside))
            unread = {} if are_read else {"entries": "unreadable"}
            if has_event(connection, "spool_replaced", kept_as=aside.name):
                continue  # a file between them said so
            self._events.tell(connection, "spool_replaced", {"kept_as": aside.name, **unread})
            if not is_end_known(aside):
                self._events.tell(connection, "spool_tail_unknown", {"kept_as": aside.name})
