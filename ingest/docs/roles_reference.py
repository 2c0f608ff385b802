"""Who may do what, from the one table of permissions (`ingest.owners.access`)."""

from __future__ import annotations

from cleanside.ingest.docs.markdown_text import anchor, code, page, table
from cleanside.ingest.owners.access import OF_ALL_SITES, PERMISSIONS, keys_with, people_with

HEADS = ("permission", "allows to", "keys", "people")
#: permission -> what it allows, in a line
ALLOWS = {
    "readings:post": "send readings, events and reports of monitors",
    "quantities:read": "see which quantities and units are accepted",
    "bundles:import": "bring in a file that a gateway exported",
    "readings:read": "see readings",
    "streams:read": "see streams, and through which number each is stored",
    "history:write": "change what belongs to a machine in the past",
    "streams:write": "ask a monitor to send again; correct the times of its boots",
    "fleet:read": "see machines, their state, and when each element is due",
    "acceptance:read": "see the acceptance of an installation",
    "fleet:write": "add and change machines and monitors",
    "seats:write": "say on which machine a monitor sits, since when and until when",
    "seats:end": "take a monitor off a machine, from now on",
    "terminals:write": "enter the change limit of an element",
    "changes:write": "enter and correct work on an element",
    "entries:read": "see what was entered at machines",
    "entries:write": "make entries of a visit",
    "prices:write": "enter prices",
    "shop:read": "see sites, crews, parts and planned days",
    "shop:write": "change sites, crews, parts and planned days",
    "attention:read": "see what needs a person",
    "account:read": "see the account of every reading",
    "quarantine:read": "see readings in quarantine, with the reason",
    "amendments:read": "see what was done about readings in quarantine",
    "quarantine:write": "amend, discard, set aside, and undo each",
    "keys:manage": "make, list and revoke keys of programs",
    "keys:rotate": "replace a key",
    "people:manage": "invite, list, change and revoke people",
    "me:manage": "change one's own password, language and messages",
    "enrolments:write": "make the code by which a monitor gets its key",
    "transfers:manage": "give a machine to another owner, and take one",
    "audit:read": "see who did what, and what was refused",
    "metrics:read": "read the figures for alerts",
    "webhooks:manage": "register and end webhooks",
    "webhooks:replay": "have a webhook's events sent again",
    "messages:manage": "decide about messages to people",
}


def rows() -> list[tuple[str, str, str, str]]:
    """Permission, what it allows, keys, people; SECURITY.md has them too."""
    return [_row(permission) for permission in PERMISSIONS]


def roles() -> str:
    """The page of roles."""
    opening = (
        "Programs show a key of one role; people sign in with one role, for all sites or for some. What no "
        "row allows is refused. `device` and `integrator` see and post for their own devices alone."
    )
    of_all = "A permission with a star is for people who see all sites alone."
    placed = [(f"{anchor(name)}{row[0]}", *row[1:]) for name, row in zip(PERMISSIONS, rows(), strict=True)]
    return page("Roles and permissions", opening, of_all, table(HEADS, placed))


def _row(permission: str) -> tuple[str, str, str, str]:
    star = " ★" if permission in OF_ALL_SITES else ""
    keys, people = (", ".join(having(permission)) or "none" for having in (keys_with, people_with))
    return f"{code(permission)}{star}", ALLOWS[permission], f"keys: {keys}", f"people: {people}"
