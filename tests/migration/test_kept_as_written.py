"""Reasons and audit lines of the release before 0022 have a sentence alone: it reads as it was written."""

from __future__ import annotations

import json

import sqlalchemy as sa

from cleanside.ingest.store import audit, database, quarantine
from cleanside.ingest.store.models import audit as audit_table
from cleanside.ingest.store.models import quarantine as quarantine_table
from cleanside.ingest.store.models import streams
from cleanside.ingest.store.reasons import Reason, read
from tests.migration import rows
from tests.support.databases import opened

BEFORE = "0015"  # the newest schema of the previous release
DETAIL = 'unit "inwc" is not accepted for restriction, said otherwise then'
SUGGESTION = {"units": {"restriction": "inH2O"}}
LINE = "k1 by k2, ended otherwise then"


def _fill(engine: sa.Engine) -> None:
    rows.fill(engine)
    reasons = [{"code": "unit_not_accepted", "detail": DETAIL, "suggestion": SUGGESTION}]
    values = {"code": "unit_not_accepted", "reasons": json.dumps(reasons)}
    with engine.begin() as connection:
        connection.execute(sa.update(quarantine_table).values(values))
        connection.execute(sa.text("UPDATE audit SET what = 'key_rotated', detail = :line"), {"line": LINE})


def test_what_the_release_before_kept_as_a_sentence_reads_as_it_was_written(empty_database_url: str) -> None:
    with opened(empty_database_url) as engine:
        database.migrate(engine, to=BEFORE)
        _fill(engine)
        database.migrate(engine)
        with engine.begin() as connection:
            owner_id = connection.scalar(sa.select(streams.c.owner_id).order_by(streams.c.id).limit(1))
            assert owner_id is not None
            kept = connection.scalars(sa.select(quarantine_table.c.reasons)).all()
            expected = [Reason("unit_not_accepted", DETAIL, None, SUGGESTION)]
            assert [read(text) for text in kept] == [expected] * rows.ROWS
            assert "values" not in expected[0].document()
            wanted = quarantine.WantedRows(state=None)
            assert quarantine.count_of(connection, owner_id, wanted) > 0
            lines = audit.entries_of(
                connection, owner_id, who=None, what=None, before_id=None, limit=rows.ROWS
            )
            assert {(line.detail, line.values) for line in lines} == {(LINE, None)}


def test_the_release_before_finds_its_sentence_in_what_is_written_now(database_url: str) -> None:
    """It runs on for a while beside this one, and reads `detail` alone."""
    with opened(database_url) as engine:
        rows.fill(engine)
        with engine.begin() as connection:
            connection.execute(sa.delete(audit_table))
            audit.note(connection, 1, 0, "k0", "key_rotated", key="k1", successor="k2", ends_at="now")
            assert connection.scalar(sa.select(audit_table.c.detail)) == "k1 by k2, ends now"
