"""
A short campaign of faults as the command runs it: real processes, crooked links, and an audit row for row.

The long one is `cleanside-simulator faults --minutes 60`.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from cleanside.simulator.campaign_evidence import gather
from cleanside.simulator.faults import Campaign, FaultChoices, document_of, lines_of
from cleanside.simulator.row_audit import audit, by_kind

#: with this seed a copy, a key-off, damage, a read-only disk where one may be mounted; at the server a
#: database that takes no write, a backup and a restore
CHOICES = FaultChoices(seed=1043, minutes=0.17, gateways=2)

_ONE = "(SELECT stream_id, max(seq) FROM readings GROUP BY stream_id ORDER BY stream_id LIMIT 1)"
_OTHER = "(SELECT stream_id, max(seq) - 1 FROM readings GROUP BY stream_id ORDER BY stream_id LIMIT 1)"
#: what is done to the shop's database behind its back, and what the audit calls it
TAMPERING = (
    f"DELETE FROM readings WHERE (stream_id, seq) = {_ONE}",
    f"UPDATE readings SET restriction_pa = restriction_pa + 1 WHERE (stream_id, seq) = {_OTHER}",
    "UPDATE readings SET at_us = at_us + 60000000 WHERE seq % 2 = 0",
)
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
        with closing(sqlite3.connect(tmp_path / "shop.db")) as database:
            for statement in TAMPERING:
                assert database.execute(statement).rowcount > 0
            database.commit()
        campaign.shop.start()
        found = by_kind(audit(gather(campaign.ledger.path, campaign.shop, campaign.gateways)))
        assert set(found) >= FOUND
