"""Who may do what, from the one table of permissions (`ingest.owners.access`)."""

from __future__ import annotations

from cleanside.ingest.docs.markdown_text import anchor, code, page, table
from cleanside.ingest.owners.access import OF_ALL_SITES, PERMISSIONS, keys_with, people_with


def roles() -> str:
    """The page of roles."""
    opening = (
        "Programs show a key of one role; people sign in with one role, for all sites or for some. What no "
        "row allows is refused. `device` and `integrator` see and post for their own devices alone."
    )
    of_all = "A permission with a star is for people who see all sites alone."
    heads = ("permission", "keys", "people")
    return page("Roles and permissions", opening, of_all, table(heads, map(_row, PERMISSIONS)))


def _row(permission: str) -> tuple[str, ...]:
    star = " ★" if permission in OF_ALL_SITES else ""
    keys, people = (", ".join(having(permission)) or "none" for having in (keys_with, people_with))
    return f"{anchor(permission)}{code(permission)}{star}", f"keys: {keys}", f"people: {people}"
