"""
A spool's file on its disk: opened, kept within its room, and tried again where the disk is full.

Promises: a verb under `on_a_full_disk` fails only once nothing is left that may be deleted or freed for it.
Room is made of readings that the server has first; those that wait are thinned and declared.
Leaves to others: the verbs (`gateway.spool.queue`), which rows go (`gateway.spool.room`), the reserve and the
log (`gateway.spool.disk`).
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import wraps
from pathlib import Path
from typing import Any, Concatenate, Final, ParamSpec, Self, TypeVar

import apsw

from cleanside.gateway.errors import SpoolFull, TryAgain
from cleanside.gateway.log import Log, unheard
from cleanside.gateway.spool.age import Ages, ages
from cleanside.gateway.spool.append import Appends, UnitSets
from cleanside.gateway.spool.aside import aside_bytes
from cleanside.gateway.spool.boots import Placements, load_placements
from cleanside.gateway.spool.carry_back import as_far_as_carried
from cleanside.gateway.spool.disk import SpoolDisk
from cleanside.gateway.spool.done_aside import DoneAside
from cleanside.gateway.spool.events import Events
from cleanside.gateway.spool.high_mark import Extent, HighMark
from cleanside.gateway.spool.host import FindTraits, traits_of
from cleanside.gateway.spool.identity import RandomBytes, uuid7
from cleanside.gateway.spool.losses import Losses
from cleanside.gateway.spool.opening import Opening
from cleanside.gateway.spool.peek import BatchContext
from cleanside.gateway.spool.rescue import PIECE_BYTES
from cleanside.gateway.spool.room import SpoolRoom, file_bytes, fits, is_over, tables_bytes, used_bytes
from cleanside.gateway.spool.state import WARN_SHARE, SpoolState, read_state, stream_rows
from cleanside.gateway.spool.traffic import Traffic
from cleanside.gateway.spool.volume import (
    LEAST_LOG_BYTES,
    LEAST_TABLES_BYTES,
    SystemVolume,
    Unlimited,
    Volume,
)
from cleanside.gateway.timing.clock import Clock

DEFAULT_BUDGET_BYTES: Final = 256 * 2**20  # two months at a reading a second of 45 B each; chosen

P = ParamSpec("P")
T = TypeVar("T")
AnySpool = TypeVar("AnySpool", bound="SpoolOnDisk")


def on_a_full_disk(verb: Callable[Concatenate[AnySpool, P], T]) -> Callable[Concatenate[AnySpool, P], T]:
    """
    Try the verb again with the log written back; then with fewer rows and the room of the reserve, where the
    file does not grow; and once more without a file set aside that is not needed, or where the reserve is
    whole again, because others freed room.
    """

    @wraps(verb)
    def tried(spool: AnySpool, /, *args: P.args, **kwargs: P.kwargs) -> T:
        try:  # at every append: the usual way comes first
            return verb(spool, *args, **kwargs)
        except SpoolFull:
            spool._disk.write_back_log()
        with suppress(SpoolFull):
            return verb(spool, *args, **kwargs)
        spool._let_go()
        try:
            return verb(spool, *args, **kwargs)
        except SpoolFull:
            has_freed = spool._delete_one_aside()
            if not spool._disk.take_reserve() and not has_freed:
                raise
        return verb(spool, *args, **kwargs)

    return tried


class SpoolOnDisk:
    """The file of one device's spool, its disk and its room: what all verbs stand on."""

    def __init__(
        self,
        path: Path,
        *,
        device: str,
        clock: Clock,
        random: RandomBytes = os.urandom,
        budget_bytes: int = DEFAULT_BUDGET_BYTES,
        budget_days: float | None = None,
        on_append: Callable[[], object] = lambda: None,
        vfs: str | None = None,
        volume: Volume | None = None,
        log: Log = unheard,
        traits: FindTraits = traits_of,
    ) -> None:
        """
        Open the spool at `path`, or make it.

        budget_bytes : room of tables and log on disk; beyond it the oldest acknowledged readings are deleted
        first. On a file system with less room, that room.
        budget_days : how long readings are kept; older acknowledged ones are deleted, and older waiting ones
        are thinned to what shows each hour, and declared. None: as long as the bytes allow.
        on_append : called after each commit of readings, from the appending thread; must not block.
        vfs : name of a SQLite VFS, for tests that make a disk fail; volume : the file system below it; None:
        the one that `path` lies on.
        log : called for damaged, missing or set-aside files.
        traits : of this machine and file; where one differs from the file's note, the file was copied: it
        continues in a new stream, as a new installation.
        A file that is damaged, now or later, is set aside and a new one begun; see `salvage`.
        Raises SpoolInUse, SpoolTooNew, SpoolUnavailable, CalledWrongly (of another device).
        """
        self.path = path
        self.device = device
        self.budget_bytes = budget_bytes
        self.budget_days = budget_days
        self._clock = clock
        self._random = random
        self._on_append = on_append
        self._log = log
        self._unit_sets = UnitSets()
        self._placed: Placements | None = None  # as in the tables; None: not read since they changed
        self._is_near_budget = False
        self._in_flight = range(0)  # positions that `peek` returned and that are not acknowledged
        self._traffic = Traffic()
        self._carries = True  # something may have to be carried back; False: nothing has
        self._appends = Appends()
        if volume is None:
            volume = SystemVolume(path) if vfs is None else Unlimited()
        self._mark = HighMark(path, vfs=vfs)
        self._losses = Losses(self._mark, self._new_uuid)
        self._events = Events(log)
        self._done_aside = DoneAside(path, self._events)
        self._opening = Opening(
            path,
            device=device,
            clock=clock,
            new_uuid=self._new_uuid,
            traits=traits,
            mark=self._mark,
            losses=self._losses,
            events=self._events,
            aside=self._done_aside,
            log=log,
        )
        self._disk = SpoolDisk(
            path,
            begin=self._begin,
            forget=self._forget,
            volume=volume,
            mark=self._mark,
            on_damage=lambda why: self._log("gateway.spool_set_aside", level=logging.ERROR, reason=why),
            budget_bytes=budget_bytes,
            vfs=vfs,
        )
        self._room = SpoolRoom(
            self._disk.transaction,
            lambda: self._unit_sets.by_number(self._disk.connection),
            self._done_aside.delete_oldest,
        )
        self.make_room()

    def close(self) -> None:
        """Write counters and close the file."""
        try:
            with self._disk.transaction() as connection:
                self._traffic.write(connection)
        finally:
            self._disk.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------ room

    def used_bytes(self) -> int:
        """Room of the tables on disk, without the free part for new readings."""
        with self._disk.reading() as connection:
            return used_bytes(connection)

    def make_room(self) -> None:
        """Keep within the budget: delete acknowledged readings first, thin and declare waiting ones."""
        # A failure here must not fail the append that is already on disk: the next check tries again.
        with self._disk.lock, suppress(TryAgain):
            try:
                self._make_room()
            except SpoolFull:  # a delete needs room in the log first
                self._disk.use_reserve()
                self._make_room_or_cut()
        self._disk.take_reserve()

    def _has_room(self) -> bool:
        """True if there is room for one piece of old readings, without giving up any that waits."""
        while not fits(PIECE_BYTES, self.used_bytes(), self._tables_bytes()):
            if not self._room.prune():
                return self._is_sent()
        return True

    def _is_sent(self) -> bool:
        """True if no reading waits here: old ones take the last of the room then."""
        with self._disk.reading() as connection:
            rows = [as_far_as_carried(connection, row) for row in stream_rows(connection)]
        return all(row.acknowledged_through >= row.appended_through for row in rows)

    def _delete_one_aside(self) -> bool:
        with suppress(TryAgain), self._disk.transaction() as connection:
            return self._done_aside.delete_oldest(connection) > 0
        return False

    def _make_room(self, *, spare_bytes: int = 0) -> None:
        """spare_bytes : room that the tables leave to what comes next."""
        if self.budget_days is not None:
            self._room.make_by_age(self._ages, in_flight=self._in_flight)
        most_bytes = self._tables_bytes()
        most_bytes = max(min(most_bytes, LEAST_TABLES_BYTES), most_bytes - spare_bytes)
        if is_over(self.used_bytes(), most_bytes):  # nearly never: without a transaction then
            self._room.make(tables_bytes=most_bytes, in_flight=self._in_flight)
        self._tell_of_budget()

    def _make_room_or_cut(self, *, spare_bytes: int = 0) -> None:
        try:
            self._make_room(spare_bytes=spare_bytes)
        except SpoolFull:
            self._disk.use_reserve(start_too=True)
            self._room.cut(in_flight=self._in_flight)

    def _tables_bytes(self) -> int:
        with self._disk.reading() as connection:
            return tables_bytes(
                self.budget_bytes,
                self._disk.volume.free_bytes(),
                log_bytes=self._disk.log_bytes,
                file_bytes=file_bytes(connection),
                lacking_bytes=self._disk.lacking_bytes(),
                aside_bytes=aside_bytes(self.path),
            )

    def _let_go(self) -> None:
        """The disk is full: free the reserve, and delete readings that have no room."""
        with self._disk.lock, suppress(TryAgain):
            self._disk.use_reserve()
            self._make_room_or_cut(spare_bytes=LEAST_LOG_BYTES)
            self._disk.write_back_log()

    def _tell_of_budget(self) -> None:
        """Declare to the server when the backlog comes near the budget; again only after it has gone down."""
        share = 0.0
        if self.used_bytes() >= WARN_SHARE * self.budget_bytes:  # else it cannot be near, and is not counted
            share = self.state().waiting_share or 0.0
        was_near, self._is_near_budget = self._is_near_budget, share >= WARN_SHARE
        if self._is_near_budget and not was_near:
            self.event(
                "budget_warning", {"waiting_share": round(share, 2), "budget_bytes": self.budget_bytes}
            )

    def _ages(self, connection: apsw.Connection) -> Ages | None:
        assert self.budget_days is not None
        return ages(
            connection,
            self._known(connection).placements,
            boot=self._boot,
            since_boot_us=self._clock.since_boot_us(),
            most_days=self.budget_days,
        )

    # ------------------------------------------------------------ what is known of the file

    def state(self) -> SpoolState:
        """The state of the spool."""
        with self._disk.reading() as connection:
            return read_state(connection, path=self.path, budget_bytes=self.budget_bytes)

    @on_a_full_disk
    def event(self, event: str, detail: Mapping[str, Any] | None = None) -> None:
        """Store an event for the server; it is sent with the next reading."""
        with self._disk.transaction() as connection:
            self._events.add(connection, event, detail or {})

    def _begin(self, connection: apsw.Connection) -> Extent:
        """Make the first rows of an opened file, new or not. Returns its last number."""
        self._in_flight = range(0)
        self._carries = True
        self._forget()
        opened = self._opening.begin(connection)
        self.installation, self._boot = opened.installation, opened.boot
        self._unprotected_through = opened.unprotected_through
        return opened.extent

    def _forget(self) -> None:
        self._appends.forget()
        self._unit_sets.forget()
        self._placed = None

    def _new_uuid(self) -> str:
        return uuid7(unix_ms=max(0, self._clock.utc_us() // 1000), random=self._random)

    def _known(self, connection: apsw.Connection) -> BatchContext:
        if self._placed is None or self._boot not in self._placed:  # a person may tell the time beside it
            self._placed = load_placements(connection)
        unit_sets = self._unit_sets.by_number(connection)
        return BatchContext(
            self.device, self.installation, self._placed, unit_sets, self._unprotected_through
        )
