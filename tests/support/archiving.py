"""The archive in tests: a pass at the test's word, and everything that is kept of every reading."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

from cleanside.ingest.keeping import restore, retention
from cleanside.ingest.keeping.retention import MovePlan, MoveReport
from cleanside.ingest.store import archive, readings, streams
from cleanside.ingest.store.archive_disk import Disk
from cleanside.ingest.store.marks import Ranges
from tests.support import held
from tests.support.serving import Api

EVERY: Ranges = ((1, 2**53),)


def work_of(api: Api, disk: Disk | None = None, **more: Any) -> MovePlan:
    """What a pass of the app's own works with."""
    resources = api.resources
    return MovePlan(
        reading=resources.reading,
        write=resources.writer.call,
        folder=resources.archive_folder,
        disk=disk or Disk(),
        now_us=api.clock(),
        **more,
    )


def archive_all(api: Api, disk: Disk | None = None, *, retention_days: int = 1) -> MoveReport:
    """Move every month that has ended, or those older than a retention."""
    return retention.run_pass(work_of(api, disk), retention.cut_us(api.clock(), retention_days))


class LaterDisk(Disk):
    """Every file is an old one, as they are after an hour."""

    def age_s(self, path: Path) -> float:  # noqa: ARG002 - whichever it is
        return retention.GRACE_S + 1


class _TakenBack(Exception):
    pass


def whole_readings(api: Api) -> list[dict[str, Any]]:
    """Every reading of every stream as it would be taken out for a second look; nothing is changed."""
    found: list[dict[str, Any]] = []

    def look(connection: Any) -> None:
        for stream in streams.all_of(connection, None):
            for row in readings.take_out(connection, stream.id, EVERY):
                found.append({k: v for k, v in row.items() if k not in ("unit_set_id", "stream_id")})
        raise _TakenBack

    with suppress(_TakenBack):
        api.resources.writer.call(look)
    return found


def counts(api: Api) -> tuple[int, int]:
    """(readings in the table, readings in files) by the register."""
    with api.resources.reading() as connection:
        stored = held.count(connection)
        return stored, sum(entry.readings for entry in archive.all_of(connection))


def files_of(api: Api) -> list[str]:
    """Every file in the archive folder, but for those that are of no reading."""
    folder = api.resources.archive_folder
    found = {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}
    return sorted(found - restore.BESIDE)
