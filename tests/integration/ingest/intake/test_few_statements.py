"""However many batches a commit has, its statements are few: a driver keeps those that it has prepared."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.intake.receive import receive_all
from tests.integration.ingest.intake.test_new_streams import first_of, incoming, set_up
from tests.support.databases import opened
from tests.support.sent_statements import noted

DEVICES = 40
#: Python manual, `sqlite3.connect`: cached_statements, by default. Half, as merging and others have some too
MOST_STATEMENTS = 128 // 2


def test_commits_of_any_number_of_batches_send_few_different_statements(database_url: str) -> None:
    with opened(database_url) as engine, engine.begin() as connection:
        owner = set_up(connection, DEVICES)
        receive_all(connection, [incoming(connection, owner, first_of(n)) for n in range(DEVICES)])
        with noted() as sent:
            for turn, many in enumerate(range(1, DEVICES + 1), start=1):
                batches = [first_of(number, first=1 + 20 * reached(number, turn)) for number in range(many)]
                receive_all(connection, [incoming(connection, owner, document) for document in batches])
        marks = connection.scalars(sa.text("SELECT mark FROM streams ORDER BY stream")).all()
    assert marks == [20 * (1 + DEVICES - number) for number in range(DEVICES)]
    written = {sql for sql in sent if sql.startswith(("SELECT streams", "UPDATE", "INSERT"))}
    assert any(sql.startswith("UPDATE streams") for sql in written)
    assert len(written) <= MOST_STATEMENTS


def reached(number: int, turn: int) -> int:
    """How many batches a device has sent before a turn: it is in each from turn `number + 1` on."""
    return turn - number
