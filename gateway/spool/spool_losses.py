"""
Readings that sources lost before the spool had them: counted, and declared to the server.

Leaves to others: the count and its note (`gateway.spool.losses`), what is lost (`gateway.commands.feed`).
"""

from __future__ import annotations

from collections.abc import Mapping

from cleanside.gateway.errors import TryAgain
from cleanside.gateway.spool.high_mark import LossNote
from cleanside.gateway.spool.losses import LOST
from cleanside.gateway.spool.spool_on_disk import SpoolOnDisk, on_a_full_disk


class SpoolLosses(SpoolOnDisk):
    """The verbs of losses."""

    def lose(self, source: str, count: int) -> None:
        """Count readings of a source that are lost; `declare_losses` declares them."""
        with self._disk.lock:
            self._losses.add(source, count)

    @property
    def undeclared(self) -> int:
        """Lost readings that no event declares yet."""
        with self._disk.lock:
            return sum(self._losses.by_source.values())

    def declare_losses(self) -> Mapping[str, int]:
        """
        Declare what is lost; on disk once this returns. Returns source -> how many readings.

        Where the disk takes no event, it may take a note, which the next start declares. Raises SpoolFull,
        SpoolUnavailable; SpoolDamaged: the file was replaced. Call again.
        """
        with self._disk.lock:
            declared = dict(self._losses.by_source)
            try:
                self._write_losses()
            except TryAgain:
                self._losses.note(sum(declared.values()))
                raise
            self._losses.are_declared()
            return declared

    @on_a_full_disk
    def _write_losses(self) -> None:
        with self._disk.transaction() as connection:
            for detail in self._losses.events():
                self._events.add(connection, LOST, detail)

    def note_losses(self, count: int) -> tuple[LossNote, bool]:
        """
        Note all readings that a stop gives up, with those that no event declares yet.

        Returns the note, and True if it is on disk: then the next start declares it.
        """
        with self._disk.lock:
            return self._losses.note(count)
