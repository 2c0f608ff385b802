"""
The command `people`: invite, list, change, give a new link, revoke.

A link goes to a terminal or a private file alone.

It asks for no password: whoever may run it on the server can always invite an admin.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest import settings
from cleanside.ingest.commands.command_database import (
    add_owner,
    kept_owner,
    opened,
    owner_id,
    reader,
    warn_of_no_file,
)
from cleanside.ingest.commands.keys import write_private
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.owners import people, sessions
from cleanside.ingest.owners.access import PEOPLE_ROLES
from cleanside.ingest.owners.people import INVITED_US, WantedPerson
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import audit
from cleanside.ingest.store import people as people_store
from cleanside.ingest.store.people import Person
from cleanside.ingest.writer import system_clock

HOUR_US = 3_600_000_000
NO_OPEN_LINK = "its link has ended; give a new one: people reset"
#: settings of the server that say where its pages are
_WHERE_LINKS_LEAD = ("host", "port", "tls_certificate", "public_address")


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser("people", help="invite people, list them, change their role, revoke them")
    actions = parser.add_subparsers(required=True, metavar="ACTION")
    listing = actions.add_parser("list", help="all people")
    listing.set_defaults(run=run_people_list)
    invite = actions.add_parser("invite", help="make a person and the link that sets their password")
    invite.add_argument("--role", required=True, choices=PEOPLE_ROLES)
    invite.add_argument("--display-name", metavar="TEXT", help="what people call them; in quotes")
    invite.set_defaults(run=run_people_invite)
    reset = actions.add_parser("reset", help="a new link; password and sessions end at once")
    reset.set_defaults(run=run_people_reset)
    role = actions.add_parser("role", help="give a person another role, or other sites")
    role.add_argument("--all-sites", action="store_true", help="they see all sites from now on")
    role.set_defaults(run=run_people_role)
    revoke = actions.add_parser("revoke", help="let a person never sign in again")
    revoke.set_defaults(run=run_people_revoke)
    confirm = actions.add_parser("confirm", help="let a person sign in again that a restore suspended")
    confirm.set_defaults(run=run_people_confirm)
    for action in (invite, reset, role, revoke, confirm):
        action.add_argument("name", help="what they sign in with")
    role.add_argument("role", choices=PEOPLE_ROLES)
    for action in (invite, role):
        action.add_argument(
            "--site", action="append", default=[], metavar="NAME", help="a site they see; default: all"
        )
    for action in (invite, reset):
        action.add_argument(
            "--out", type=Path, metavar="FILE", help="write the link to a new file, mode 0600"
        )
    for action in (listing, invite, reset, role, revoke, confirm):
        links = _WHERE_LINKS_LEAD if action in (invite, reset) else ()
        settings.add_flags(action, "database", "archive_folder", *links)
        add_owner(action)


def run_people_invite(chosen: Settings, given: argparse.Namespace) -> int:
    """Invite a person, and show the link."""

    def make(connection: sa.Connection, token: str) -> Person:
        now_us = system_clock.now_us()
        wanted = WantedPerson(
            owner_id=kept_owner(connection, given.owner, now_us),
            name=given.name,
            role=given.role,
            display_name=given.display_name,
            sites=frozenset(given.site),
        )
        return people.invite(connection, wanted, token, None, now_us)

    return _hand_out(chosen, given, make, route="POST /v1/people", makes=True)


def run_people_reset(chosen: Settings, given: argparse.Namespace) -> int:
    """Give a person a new link, and show it."""

    def make(connection: sa.Connection, token: str) -> Person:
        owner = owner_id(connection, given.owner)
        return people.reset(connection, owner, given.name, token, None, system_clock.now_us())

    return _hand_out(chosen, given, make, route="POST /v1/people/{person}/resets")


def _hand_out(
    chosen: Settings,
    given: argparse.Namespace,
    make: Callable[[sa.Connection, str], Person],
    *,
    route: str,
    makes: bool = False,
) -> int:
    """Make a link, and write or show it: the file is there before the link is good."""
    if given.out is None and not sys.stdout.isatty():
        raise CalledWrongly("link_needs_terminal")
    token = sessions.new_token()
    link = people.link(address_of(chosen, chosen.port), token)
    with opened(chosen, newest=True, makes=makes, route=route) as engine, engine.begin() as connection:
        person = make(connection, token)
        if given.out is not None:
            write_private(given.out, link)
    print(link if given.out is None else f"link for {person.name} ({person.role}) written to {given.out}")
    print(f"it opens once, within {INVITED_US // HOUR_US} hours; give it to them alone", file=sys.stderr)
    return 0


def address_of(chosen: Settings, port: int) -> str:
    """Where people reach a server with these settings; one that listens on all addresses: this machine."""
    if chosen.public_address:
        return chosen.public_address
    host = "localhost" if chosen.host in ("", "0.0.0.0", "::") else chosen.host
    shown = f"[{host}]" if ":" in host else host
    return f"{'https' if chosen.tls_certificate else 'http'}://{shown}:{port}"


def run_people_list(chosen: Settings, given: argparse.Namespace) -> int:
    """List the people of an owner."""
    now_us = system_clock.now_us()
    with reader(chosen) as connection:
        everyone = people_store.list_of(connection, owner_id(connection, given.owner))
        ends = people_store.invitation_ends(connection, [person.id for person in everyone])
        for person in everyone:
            seen = "never" if person.seen_us is None else instant_text(person.seen_us)
            words = [f"{person.name:<32}  {person.role:<10}  {person.state:<9}  seen {seen}"]
            if person.state == people_store.INVITED and ends.get(person.id, 0) <= now_us:
                words += [NO_OPEN_LINK]
            words += [f"sites {', '.join(sorted(person.sites))}"] if person.sites else []
            print("  ".join([*words, *([person.display_name] if person.display_name else [])]))
    return 0


def run_people_role(chosen: Settings, given: argparse.Namespace) -> int:
    """Give a person another role, or other sites."""
    sites = given.site if given.site or given.all_sites else None

    def change(connection: sa.Connection, owner: int, now_us: int) -> Person:
        return people.edit(connection, owner, given.name, None, now_us, role=given.role, sites=sites)

    after = _change(chosen, given, change, route="PATCH /v1/people/{person}")
    print(f"{after.name} is {after.role}, sites: {', '.join(sorted(after.sites)) or 'all'}")
    return 0


def run_people_revoke(chosen: Settings, given: argparse.Namespace) -> int:
    """Let a person never sign in again."""

    def change(connection: sa.Connection, owner: int, now_us: int) -> Person:
        return people.revoke(connection, owner, given.name, None, now_us)

    print(f"{_change(chosen, given, change, route='DELETE /v1/people/{person}').name} is revoked")
    warn_of_no_file(chosen)
    return 0


def run_people_confirm(chosen: Settings, given: argparse.Namespace) -> int:
    """Let a suspended person sign in again."""

    def change(connection: sa.Connection, owner: int, now_us: int) -> Person:
        person = people_store.find(connection, owner, given.name)
        if person is None or person.state != people_store.SUSPENDED:
            raise CalledWrongly("no_person_waits", name=given.name)
        people_store.edit(connection, person.id, suspended_us=None)
        audit.note(connection, owner, now_us, people.who_of(None), "person_confirmed", person=person.name)
        return person

    print(f"{_change(chosen, given, change).name} may sign in again")
    return 0


def _change(
    chosen: Settings,
    given: argparse.Namespace,
    change: Callable[[sa.Connection, int, int], Person],
    *,
    route: str = "",
) -> Person:
    with opened(chosen, newest=True, route=route) as engine, engine.begin() as connection:
        return change(connection, owner_id(connection, given.owner), system_clock.now_us())
