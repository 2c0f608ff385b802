"""What a commit is worth, by the settings of PostgreSQL (manual: Write Ahead Log, Replication)."""

from __future__ import annotations

import pytest

from cleanside.ingest.store.durability import CommitSettings, weaknesses

SOUND = CommitSettings("on", "on", "on", "ANY 1 (second, third)")


@pytest.mark.parametrize("on_standby", [False, True])
def test_a_sound_database_has_no_weakness(on_standby: bool) -> None:
    assert weaknesses(SOUND, on_standby=on_standby) == []


@pytest.mark.parametrize(
    ("changed", "on_disk", "on_standby"),
    [
        ({"fsync": "off"}, ["fsync_off"], ["fsync_off"]),
        ({"full_page_writes": "off"}, ["full_page_writes_off"], ["full_page_writes_off"]),
        ({"synchronous_commit": "off"}, ["commit_not_awaited"], ["commit_not_awaited"]),
        ({"synchronous_commit": "local"}, [], ["standby_not_awaited"]),
        ({"synchronous_commit": "remote_write"}, [], ["standby_not_awaited"]),
        ({"synchronous_commit": "remote_apply"}, [], []),
        ({"synchronous_standby_names": ""}, [], ["no_standby_named"]),
        (
            {"fsync": "off", "synchronous_standby_names": " "},
            ["fsync_off"],
            ["fsync_off", "no_standby_named"],
        ),
    ],
)
def test_each_weakness_is_named(changed: dict[str, str], on_disk: list[str], on_standby: list[str]) -> None:
    found = SOUND._replace(**changed)
    assert weaknesses(found, on_standby=False) == on_disk
    assert weaknesses(found, on_standby=True) == on_standby
