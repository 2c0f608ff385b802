"""Revision 0012: what gateways reported before goes the way of what they report from then on."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store import database
from cleanside.ingest.store.gateway_reports import BOOT, EVENT, WHOLE, Place, Tally
from cleanside.ingest.store.models import report_days, reports
from cleanside.ingest.store.reports import recount, tallies_of
from tests.migration import rows
from tests.support.databases import opened

DAY_US = 86_400_000_000
KINDS = {
    None: 200,
    "noise": 3_000,
    "key_off": WHOLE,
    "readings_lost": 300,
    "spool_replaced": 1,
    "boot_corrected": 100,
}


def old_rows(stream_id: int) -> list[dict[str, object]]:
    """As the previous release kept them: a row each, for good."""
    made = []
    for name, many in KINDS.items():
        for n in range(many):
            made.append(_row(stream_id, EVENT, f"{name}-{n}", name, n))
    return made + [_row(stream_id, BOOT, f"boot-{n}", "gps" if n % 2 else None, n) for n in range(90)]


def _row(stream_id: int, kind: str, digest: str, name: str | None, n: int) -> dict[str, object]:
    received_us = 20_000 * DAY_US + n * DAY_US // 1_000
    row = {"stream_id": stream_id, "kind": kind, "digest": digest, "at_seq": n + 1, "name": name}
    return row | {"content": "{}", "received_us": received_us}


def test_existing_events_become_counts_and_losses_and_boots_stay_whole(empty_database_url: str) -> None:
    with opened(empty_database_url) as engine:
        database.migrate(engine, to="0011")
        rows.fill(engine)
        with engine.begin() as connection:
            connection.execute(reports.delete())
            for stream_id in (1, 2):
                connection.execute(reports.insert(), old_rows(stream_id))
        database.migrate(engine)
        with engine.begin() as connection:
            found = tallies_of(connection, [2])
            folded = {None: WHOLE, "noise": WHOLE}
            expected = {
                Place(2, EVENT, name or ""): Tally(
                    folded.get(name, many), many, many - folded.get(name, many)
                )
                for name, many in KINDS.items()
            }
            assert found == expected | {Place(2, BOOT, ""): Tally(90, 90, 0)}
            recount(connection, 2)
            assert tallies_of(connection, [2]) == found
            days = connection.execute(
                report_days.select()
                .where(report_days.c.stream_id == 2, report_days.c.name == "noise")
                .order_by(report_days.c.day)
            ).all()
            assert [day.times for day in days] == [1_000, 1_000, 1_000 - WHOLE]
            assert (days[0].first_us, days[0].first_seq) == (20_000 * DAY_US, 1)
            assert (days[2].last_seq, days[2].day) == (3_000 - WHOLE, 20_002)


def test_readings_that_old_reports_declare_as_lost_are_counted(empty_database_url: str) -> None:
    """Revision 0020."""
    with opened(empty_database_url) as engine:
        database.migrate(engine, to="0015")
        rows.fill(engine)
        with engine.begin() as connection:
            connection.execute(sa.text("DELETE FROM report_tallies"))
            connection.execute(reports.delete())
            losses = [_row(1, EVENT, f"lost-{n}", "readings_lost", n) for n in range(3)]
            contents = ['{"count": 600}', '{"count": "many"}', '{"count": 5}']
            connection.execute(
                reports.insert(), [row | {"content": c} for row, c in zip(losses, contents, strict=True)]
            )
            connection.execute(
                sa.text("INSERT INTO report_tallies VALUES (1, 'event', 'readings_lost', 3, 3, 0)")
            )
        database.migrate(engine)
        with engine.begin() as connection:
            expected = {Place(1, EVENT, "readings_lost"): Tally(3, 3, 0, 605)}
            assert tallies_of(connection, [1]) == expected
