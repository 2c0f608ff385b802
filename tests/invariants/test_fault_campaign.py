"""
A short campaign of faults as the command runs it: real processes, crooked links, and an audit row for row.

The long one is `cleanside-simulator faults --minutes 60`.
"""

from __future__ import annotations

import json
from contextlib import ExitStack
from pathlib import Path

import pytest
import sqlalchemy as sa

from cleanside.ingest.store import stored
from cleanside.ingest.store.at_rest import HIGHEST
from cleanside.ingest.store.hours import HOUR_US
from cleanside.simulator.campaign_evidence import gather
from cleanside.simulator.faults import Campaign, FaultChoices, document_of, lines_of
from cleanside.simulator.row_audit import audit, by_kind
from tests.support.databases import opened

#: with this seed a copy, a key-off, damage, a read-only disk where one may be mounted; at the server a
#: database that takes no write, a backup and a restore
CHOICES = FaultChoices(seed=1043, minutes=0.17, gateways=2)

MINUTE_US = 60_000_000

#: what the audit calls what `tamper` does
FOUND = {"lost", "account", "changed", "time"}


@pytest.mark.timeout(400)
def test_under_every_fault_nothing_is_lost_twice_or_wrong_and_the_audit_can_fail(tmp_path: Path) -> None:
    with ExitStack() as stack:
        campaign = Campaign(CHOICES, tmp_path, stack, print)
        outcome = campaign.run()
        assert outcome.flaws == [], "\n".join(lines_of(outcome))
        assert outcome.made_whole, "a restored server was made whole"
        assert sum(entry.is_kept is True for entry in outcome.entries) > 100
        assert {"copy", "damage", "key_off"} <= set(outcome.gateway_faults)
        assert len(outcome.link_modes) > 2, "straight, and two that are not"
        assert json.loads(json.dumps(document_of(outcome)))["holds"] is True
        campaign.shop.kill()
        with opened(f"sqlite:///{tmp_path / 'shop.db'}") as engine, engine.begin() as connection:
            tamper(connection)
        campaign.shop.start()
        found = by_kind(audit(gather(campaign.ledger.path, campaign.shop, campaign.gateways)))
        assert set(found) >= FOUND


def tamper(connection: sa.Connection) -> None:
    """
    Behind the server's back: lose a reading, change a value of another, move the times of every second.

    By a minute, within the hour: the shop finds readings by the hours that it noted, and one moved to an
    hour that it does not know would be missing instead.
    """
    ids = connection.scalars(sa.text("SELECT id FROM streams ORDER BY id")).all()
    times = {stream_id: stored.times(connection, stream_id, ((1, HIGHEST),)) for stream_id in ids}
    one = next(stream_id for stream_id in ids if times[stream_id])
    top = times[one][-1].seq
    assert stored.remove(connection, one, ((top, top),))
    [row] = stored.remove(connection, one, ((top - 1, top - 1),))
    stored.put_back(connection, one, [row | {"restriction_pa": row["restriction_pa"] + 1}])
    for stream_id in ids:
        moved = [
            time._replace(at_us=a_minute_off(time.at_us)) for time in times[stream_id] if not time.seq % 2
        ]
        stored.replace_times(connection, stream_id, moved)


def a_minute_off(at_us: int) -> int:
    """A minute later, or earlier in the last minute of an hour [us]."""
    later_us = at_us + MINUTE_US
    return later_us if later_us // HOUR_US == at_us // HOUR_US else at_us - MINUTE_US
