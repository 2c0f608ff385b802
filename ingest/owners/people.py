"""
People: invited, let in, changed, and out again.

- An invitation is a link with 256 random bits. It is used once, ends after `INVITED_US`, and only its hash is
  kept. Whoever opens it chooses the password.
- A reset makes such a link for somebody who is there already; password, passkeys and sessions end at once.
- A server without an admin has one link that makes the first account; it is worth nothing once an admin for
  all sites has a password. Who is merely invited changes nothing.
- An owner that has an admin who can sign in, for all sites, keeps one. At the server's own command line an
  admin can always be made.
- An admin for some sites changes people of these sites alone.

Promises: the owner is locked from the check to the commit, so two admins that revoke each other at the same
moment, in whichever processes, cannot both succeed. Whoever does something is in the audit.
Leaves to others: passwords (`ingest.owners.passwords`), sessions (`ingest.owners.sessions`).
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable, Collection
from dataclasses import dataclass, field

import sqlalchemy as sa

from cleanside.ingest.errors import Complaint, NotFound, NotValid, Refused
from cleanside.ingest.owners.access import PEOPLE_ROLES, hash_of, sees_site
from cleanside.ingest.owners.key_life import COMMAND
from cleanside.ingest.store import audit, fleet, identities, passkeys, people, sessions, shop
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.people import Invitation, Person

INVITED_US = 7 * 24 * 3_600_000_000  # a week to open a letter; chosen
FIRST_US = 3_600_000_000  # whoever starts a server sits in front of it; chosen
MOST_SITES = 200
JOIN_PATH = "/join"
#: what a person signs in with
PERSON_PATTERN = r"[a-z0-9]([a-z0-9._-]{0,30}[a-z0-9])?"
#: who else may stand in the audit log: handles of keys, and these
_OF_OTHERS = re.compile(r"k[0-9a-f]{8}|command|start|restore|others|server|system|gateway|undo")
#: read the same in most fonts
_ALIKE = str.maketrans("01", "ol", "._-")


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedPerson:
    """A person to be invited."""

    owner_id: int
    name: str
    role: str
    display_name: str | None = None
    #: names; empty: all
    sites: frozenset[str] = field(default_factory=frozenset)


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenLink:
    """What a link is for, before it is used."""

    invitation: Invitation
    #: whose password it sets; None: it makes the first account
    person: Person | None


def new_handle(random_hex: Callable[[int], str] = secrets.token_hex) -> str:
    """What the file of revoked keys calls a new person."""
    return f"p{random_hex(4)}"


def link(address: str, token: str) -> str:
    """The link of an invitation. address : where people reach the server. Pure."""
    return f"{address.rstrip('/')}{JOIN_PATH}?code={token}"


def who_of(by: Key | None) -> str:
    """What the audit log calls whoever does something; None: the command line."""
    return COMMAND if by is None else by.handle


def check_name(name: str, *, pointer: str = "#/name") -> None:
    """Raise Refused (422) unless a person may have this name."""
    if not re.fullmatch(PERSON_PATTERN, name):
        raise NotValid(Complaint(pointer, "not_a_name_of_people", name=name[:64]))
    if _OF_OTHERS.fullmatch(reads_as(name)) or _OF_OTHERS.fullmatch(name):
        raise NotValid(Complaint(pointer, "name_of_others", name=name))


def reads_as(name: str) -> str:
    """What a name reads as: without punctuation, and with one of the letters and digits that look alike."""
    return name.translate(_ALIKE)


def invite(
    connection: sa.Connection, wanted: WantedPerson, token: str, by: Key | None, now_us: int
) -> Person:
    """
    Keep a new person, who comes in with the token.

    Raises Refused: 422 for a name or role that does not fit, 404 `unknown_site`, 409 `name_taken`, 403
    `site_not_yours`.
    """
    check_name(wanted.name)
    _check_role(wanted.role)
    fleet.lock_owner(connection, wanted.owner_id)
    _require_sites(by, wanted.sites)
    _require_known(connection, wanted.owner_id, wanted.sites)
    _require_free(connection, wanted.owner_id, wanted.name)
    made = _create(connection, wanted, who_of(by), now_us)
    _put_invitation(connection, made, token, now_us)
    about = {"person": made.name, "role": made.role, "sites": sorted(made.sites)}
    audit.note(connection, made.owner_id, now_us, who_of(by), "person_invited", **about)
    return made


def _create(connection: sa.Connection, wanted: WantedPerson, who: str, now_us: int) -> Person:
    return people.create(
        connection,
        sites=wanted.sites,
        owner_id=wanted.owner_id,
        name=wanted.name,
        handle=new_handle(),
        display_name=wanted.display_name,
        role=wanted.role,
        created_us=now_us,
        who=who,
    )


def _put_invitation(connection: sa.Connection, person: Person, token: str, now_us: int) -> None:
    ends_us = now_us + INVITED_US
    people.put_invitation(
        connection, person.owner_id, person.id, hash_of(token), now_us=now_us, expires_us=ends_us
    )


def reset(
    connection: sa.Connection, owner_id: int, name: str, token: str, by: Key | None, now_us: int
) -> Person:
    """
    Give a person a new link; their password and their sessions end now.

    Raises NotFound, Refused: 409 `last_admin`, 403 `site_not_yours`.
    """
    person = _changed(connection, owner_id, name, by)
    if by is not None:  # the command line gets the link, which no person is locked out of
        _require_other_admin(connection, person)
    people.edit(connection, person.id, password_hash=None)
    passkeys.remove_all(connection, person.id)
    identities.remove_all(connection, person.id)
    sessions.end_all(connection, person.id, now_us)
    _put_invitation(connection, person, token, now_us)
    audit.note(connection, owner_id, now_us, who_of(by), "person_reset", person=name)
    return _find(connection, owner_id, name)


def edit(
    connection: sa.Connection,
    owner_id: int,
    name: str,
    by: Key | None,
    now_us: int,
    *,
    role: str | None = None,
    sites: Collection[str] | None = None,
    display_name: str | None = None,
) -> Person:
    """
    Change role, sites or display name of a person; None: as it is. It holds from their next request on.

    Raises NotFound, Refused: 409 `last_admin`, 404 `unknown_site`, 403 `site_not_yours`, 422 for an unknown
    role.
    """
    person = _changed(connection, owner_id, name, by)
    if sites is not None:
        _require_sites(by, sites)
        _require_known(connection, owner_id, set(sites) - person.sites)
    if (role is not None and role != "admin") or sites:
        _require_other_admin(connection, person)
    if role is not None:
        _check_role(role)
        people.edit(connection, person.id, role=role)
    if sites is not None:
        people.put_sites(connection, person.id, sites)
    if display_name is not None:
        people.edit(connection, person.id, display_name=display_name or None)
    after = _find(connection, owner_id, name)
    about = {"person": name, "role": after.role, "sites": sorted(after.sites)}
    audit.note(connection, owner_id, now_us, who_of(by), "person_edited", **about)
    return after


def revoke(connection: sa.Connection, owner_id: int, name: str, by: Key | None, now_us: int) -> Person:
    """
    Let a person never sign in again; their sessions end now. A second time changes nothing.

    Raises NotFound, Refused: 409 `last_admin`, 403 `site_not_yours`.
    """
    fleet.lock_owner(connection, owner_id)
    person = _find(connection, owner_id, name)
    _require_sites(by, person.sites)
    _require_other_admin(connection, person)
    end(connection, person, who_of(by), now_us)
    return _find(connection, owner_id, name)


def end(connection: sa.Connection, person: Person, who: str, now_us: int) -> None:
    """Let a person never sign in again, without a question."""
    people.revoke(connection, person, now_us)
    passkeys.remove_all(connection, person.id)
    identities.remove_all(connection, person.id)
    sessions.end_all(connection, person.id, now_us)
    people.cancel_invitations(connection, person.id, now_us)
    if person.state != people.REVOKED:
        audit.note(connection, person.owner_id, now_us, who, "person_revoked", person=person.name)


# ---------------------------------------------------------------- the person's own side


def open_invitation(connection: sa.Connection, token: str, now_us: int, *, lock: bool = False) -> OpenLink:
    """
    What a link is for. lock : it is about to be used.

    Raises Refused (403) `invitation_not_valid`: unknown, used, out of date; the same answer for all.
    """
    found = people.invitation(connection, hash_of(token), lock=lock)
    if found is None or not found.is_open(now_us):
        raise _not_valid()
    if found.person_id is None:
        if people.has_admin(connection, found.owner_id):
            raise _not_valid()
        return OpenLink(invitation=found, person=None)
    person = people.by_id(connection, found.person_id)
    if person is None or person.state not in (people.INVITED, people.VALID):
        raise _not_valid()
    return OpenLink(invitation=found, person=person)


def accept(
    connection: sa.Connection, token: str, first_name: str | None, password_hash: str, now_us: int
) -> Person:
    """
    Use a link: the password is set, sessions from before are over.

    first_name : of the first account; a link for a person has their name already.
    Raises Refused: 403 `invitation_not_valid`, 422 for a name, 409 `name_taken`.
    """
    found = people.invitation(connection, hash_of(token))
    if found is not None:
        fleet.lock_owner(connection, found.owner_id)  # two first accounts at the same moment: one is
    opened = open_invitation(connection, token, now_us, lock=True)
    person = opened.person or _first(connection, opened.invitation, first_name or "", now_us)
    people.edit(connection, person.id, password_hash=password_hash)
    sessions.end_all(connection, person.id, now_us)
    people.use_invitation(connection, opened.invitation.id, now_us)
    audit.note(connection, person.owner_id, now_us, person.name, "person_joined", person=person.name)
    return _find(connection, person.owner_id, person.name)


def bind_identity(
    connection: sa.Connection, token: str, issuer: str, subject: str, password_hash: str, now_us: int
) -> Person:
    """
    Use a link for who somebody is at an OpenID provider: they sign in there from now on.

    password_hash : of a password that no person knows. Raises Refused: 403 `invitation_not_valid`, 409 where
    the identity is somebody's.
    """
    opened = open_invitation(connection, token, now_us)
    if opened.person is None:
        raise _not_valid()  # the first account has a password: no provider can lock all out
    with connection.begin_nested():  # the link is good still where the identity is somebody's
        person = accept(connection, token, None, password_hash, now_us)
        identities.remove_all(connection, person.id)
        if not identities.put(connection, person.id, issuer, subject, now_us):
            raise Refused("identity_taken", status=409)
    audit.note(connection, person.owner_id, now_us, person.name, "identity_bound", person=person.name)
    return person


def _first(connection: sa.Connection, invitation: Invitation, name: str, now_us: int) -> Person:
    check_name(name)
    _require_free(connection, invitation.owner_id, name)
    wanted = WantedPerson(owner_id=invitation.owner_id, name=name, role="admin")
    return _create(connection, wanted, COMMAND, now_us)


def set_password(connection: sa.Connection, key: Key, password_hash: str, now_us: int) -> Person:
    """Give whoever asks another password; all their sessions end, this one too, and their passkeys go."""
    people.edit(connection, -key.id, password_hash=password_hash)
    passkeys.remove_all(connection, -key.id)
    identities.remove_all(connection, -key.id)
    sessions.end_all(connection, -key.id, now_us)
    people.cancel_invitations(connection, -key.id, now_us)
    audit.note(connection, key.owner_id, now_us, key.handle, "password_changed", person=key.handle)
    return _find(connection, key.owner_id, key.handle)


def offer_first_account(connection: sa.Connection, owner_id: int, token: str, now_us: int) -> None:
    """Keep the link that makes the first account; one from before is worth nothing any more."""
    ends_us = now_us + FIRST_US
    people.put_invitation(connection, owner_id, None, hash_of(token), now_us=now_us, expires_us=ends_us)


# ---------------------------------------------------------------- rules


def _check_role(role: str) -> None:
    if role not in PEOPLE_ROLES:
        values = {"role": role[:64], "roles": ", ".join(PEOPLE_ROLES)}
        raise NotValid(Complaint("#/role", "not_a_role_of_people", **values))


def _require_sites(by: Key | None, sites: Collection[str]) -> None:
    """Raise Refused (403) where somebody who sees some sites decides about another, or about all."""
    if by is None or not by.sites:
        return
    if not sites or not all(sees_site(by, site) for site in sites):
        raise Refused("site_not_yours", status=403, sites=", ".join(sorted(by.sites)))


def _require_known(connection: sa.Connection, owner_id: int, sites: Collection[str]) -> None:
    """Raise Refused (404) for a site that is not entered, with the one that it resembles."""
    known = shop.groups_of(connection, "site", owner_id)
    for site in sorted(set(sites) - {site.name for site in known}):
        likely = shop.nearest_group(site, known)
        raise Refused("site_unknown", status=404, code="unknown_site", site=site, likely=likely)


def _require_other_admin(connection: sa.Connection, person: Person) -> None:
    """Raise Refused (409) where an owner would lose its last admin who can sign in."""
    counts = person.role == "admin" and person.state == people.VALID and not person.sites
    if counts and not people.other_admins(connection, person.owner_id, person.id):
        raise Refused("last_admin", status=409, name=person.name)


def _changed(connection: sa.Connection, owner_id: int, name: str, by: Key | None) -> Person:
    """A person who is about to be changed. Raises NotFound, also where they are out already; Refused."""
    fleet.lock_owner(connection, owner_id)
    person = _find(connection, owner_id, name)
    if person.state == people.REVOKED:
        raise NotFound("person", name)
    _require_sites(by, person.sites)
    return person


def _find(connection: sa.Connection, owner_id: int, name: str) -> Person:
    found = people.find(connection, owner_id, name)
    if found is None:
        raise NotFound("person", name)
    return found


def _require_free(connection: sa.Connection, owner_id: int, name: str) -> None:
    """Raise Refused (409) where a person has this name, or one that reads the same in an audit."""
    names = [person.name for person in people.list_of(connection, owner_id)]
    if name in names:
        raise Refused("person_name_taken", status=409, code="name_taken", name=name)
    for other in names:
        if reads_as(other) == reads_as(name):
            raise Refused("person_name_alike", status=409, code="name_taken", name=name, other=other)


def _not_valid() -> Refused:
    return Refused("invitation_not_valid", status=403)
