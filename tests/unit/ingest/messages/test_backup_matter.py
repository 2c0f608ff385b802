"""What is worth telling of backups and their restore drills."""

from __future__ import annotations

import pytest

from cleanside.ingest.messages import matters
from cleanside.ingest.store.backup_record import BackupRecord

MADE_US = 1_772_409_600_000_000  # 2026-03-02T00:00:00Z
LATER_US = MADE_US + 86_400_000_000


@pytest.mark.parametrize(
    ("record", "why", "good_us", "drill"),
    [
        (BackupRecord(failed=2, good_us=MADE_US, why="no space"), "no space", MADE_US, False),
        (
            BackupRecord(good_us=LATER_US, drills_failed=1, drilled_us=MADE_US, drill_why="no right"),
            "no right",
            MADE_US,  # what was restored since: a backup that was not counts for nothing
            True,
        ),
        (
            BackupRecord(failed=1, why="no space", drills_failed=1, drill_why="no right"),
            "no space",
            None,
            False,
        ),
    ],
)
def test_a_failure_is_a_matter_with_its_reason(
    record: BackupRecord, why: str, good_us: int | None, *, drill: bool
) -> None:
    [matter] = matters.of_backup(record).findings
    assert (matter.kind, matter.about["why"], matter.about["drill"]) == ("backup_failed", why, drill)
    assert matter.about["good_s"] == (None if good_us is None else good_us / 1e6)


def test_good_ones_are_none() -> None:
    assert matters.of_backup(BackupRecord(good_us=LATER_US, drilled_us=MADE_US)).findings == ()
