"""A spreadsheet that an owner took in."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store import sheet_imports


def a_sheet(connection: sa.Connection, owner_id: int) -> int:
    """One that changed nothing that is there any more; its number."""
    content: dict[str, list[str]] = {"changes": [], "new_sites": [], "new_crews": []}
    return sheet_imports.put(connection, owner_id, 0, "k0", "parts", content)
