"""Lines of the audit log about some names alone: what an answer about one machine reads of a long log."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store import audit
from cleanside.ingest.store.models import metadata

SAID = {
    "housing": "main",
    "changed_at": "2026-03-01T00:00:00Z",
    "work": "new",
    "entered_at": "2026-03-02T00:00:00Z",
    "by": "k1",
    "note": "",
}
KIND = "element_change_taken_back"


def lines_about(*named: tuple[str, str]) -> list[tuple[str, str]]:
    """Machine and id of what is found among 600 lines of three machines, oldest first."""
    engine = sa.create_engine("sqlite://")
    with engine.begin() as connection:
        metadata.tables["audit"].create(connection)
        for i in range(600):
            about = SAID | {"machine": f"hauler-1{i % 3}", "entry_id": f"e-{i}"}
            audit.note(connection, 1, i, "k1", KIND, **about)
        audit.note(connection, 2, 0, "k2", KIND, **SAID, machine="hauler-10", entry_id="of another owner")
        found = audit.lines_of(connection, 1, (KIND,), named)
    return [((line.values or {})["machine"], (line.values or {})["entry_id"]) for line in found]


def test_lines_of_other_machines_are_not_read() -> None:
    assert lines_about(("machine", "hauler-10")) == [("hauler-10", f"e-{i}") for i in range(0, 600, 3)]


def test_an_entry_is_found_wherever_it_was_and_once() -> None:
    found = lines_about(("machine", "hauler-12"), ("entry_id", "e-1"), ("entry_id", "e-2"))
    assert found == [("hauler-11", "e-1"), *(("hauler-12", f"e-{i}") for i in range(2, 600, 3))]


def test_more_names_than_one_statement_takes_find_every_line_in_order() -> None:
    """SQLite takes an expression of depth 1,000 (sqlite.org/limits.html, SQLITE_MAX_EXPR_DEPTH)."""
    many = [("entry_id", f"e-{i}") for i in range(1_200)]
    assert [entry for _, entry in lines_about(*many)] == [f"e-{i}" for i in range(600)]


def test_no_name_finds_nothing() -> None:
    assert lines_about() == []
