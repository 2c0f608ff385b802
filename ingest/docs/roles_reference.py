"""Who may do what, from the one table of permissions (`ingest.owners.access`)."""

from __future__ import annotations

from collections.abc import Collection

from cleanside.ingest.docs.markdown_text import code, page, table
from cleanside.ingest.owners.access import (
    OF_ALL_SITES,
    PEOPLE_ROLES,
    PERMISSIONS,
    ROLES,
    keys_with,
    people_with,
)


def roles() -> str:
    """The page of roles."""
    opening = (
        "Programs show a key of one role; people sign in with one role, for all sites or for some. What no "
        "row allows is refused. `device` and `integrator` see and post for their own devices alone."
    )
    keys = [_row(name, keys_with(name), ROLES) for name in PERMISSIONS]
    people = [_row(name, people_with(name), PEOPLE_ROLES) for name in PERMISSIONS]
    all_sites = (
        "For people who see all sites alone: " + ", ".join(code(name) for name in sorted(OF_ALL_SITES)) + "."
    )
    return page(
        "Roles and permissions",
        opening,
        "## Keys of programs",
        table(("permission", *ROLES), keys),
        "## People",
        table(("permission", *PEOPLE_ROLES), people),
        all_sites,
    )


def _row(permission: str, having: Collection[str], roles: Collection[str]) -> tuple[str, ...]:
    return code(permission), *("yes" if role in having else "" for role in roles)
