"""
The command `keys`: make, list, replace and revoke. A secret appears on a terminal or in a private file alone.

It needs no key: a user who may run it on the server can always make an admin key for an owner.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from cleanside.gateway import file_modes
from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest import settings
from cleanside.ingest.api.routes import keys as keys_route
from cleanside.ingest.api.routes.audit import refusal_document
from cleanside.ingest.commands.command_database import (
    add_owner,
    kept_owner,
    opened,
    owner_id,
    reader,
    warn_of_no_file,
)
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.owners import access, key_life
from cleanside.ingest.owners.access import NewKey
from cleanside.ingest.owners.key_life import MOST_OVERLAP_HOURS, OVERLAP_HOURS
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import audit, keys, refusals
from cleanside.ingest.store.keys import Key
from cleanside.ingest.writer import system_clock


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser("keys", help="make, list, replace and revoke keys")
    actions = parser.add_subparsers(required=True, metavar="ACTION")
    create = actions.add_parser("create", help="make a key; it is shown once")
    create.add_argument("--role", required=True, choices=access.ROLES)
    create.add_argument(
        "--device", action="append", default=[], metavar="NAME", help="a device it may post for"
    )
    create.add_argument("--note", default="", help="who holds it")
    create.set_defaults(run=run_keys_create)
    rotate = actions.add_parser("rotate", help="make the successor of a key; it is shown once")
    rotate.add_argument("handle", help="the part of the key before the dot")
    rotate.add_argument(
        "--overlap-hours",
        type=int,
        default=OVERLAP_HOURS,
        metavar="N",
        help=f"how long the replaced key goes on; default: {OVERLAP_HOURS}",
    )
    rotate.set_defaults(run=run_keys_rotate)
    for action in (create, rotate):
        action.add_argument("--out", type=Path, metavar="FILE", help="write it to a new file, mode 0600")
        action.add_argument(
            "--expires-at",
            metavar="AT",
            help="when it ends, like 2027-03-02T00:00:00Z; default: never, or after as long as the old key",
        )
    listing = actions.add_parser("list", help="all keys, without their secrets")
    listing.set_defaults(run=run_keys_list)
    revoke = actions.add_parser("revoke", help="end a key for ever")
    revoke.add_argument("handle", help="the part of the key before the dot")
    revoke.set_defaults(run=run_keys_revoke)
    refused = actions.add_parser("refusals", help="requests refused for lack of authorisation, by hour")
    refused.add_argument("--no-owner", action="store_true", help="requests with no key of this server")
    refused.add_argument("--limit", type=int, default=100, metavar="N", help="lines; default: 100")
    refused.set_defaults(run=run_keys_refusals)
    for action in (create, rotate, listing, revoke, refused):
        settings.add_flags(action, "database", "archive_folder")
        add_owner(action)
    confirm = actions.add_parser("confirm", help="let keys work again that a restore suspended")
    confirm.add_argument("handles", nargs="+", metavar="HANDLE", help="of any owner, as `restore` lists them")
    settings.add_flags(confirm, "database", "archive_folder")
    confirm.set_defaults(run=run_keys_confirm)


def run_keys_create(chosen: Settings, given: argparse.Namespace) -> int:
    """Make a key, and show it on a terminal or write it to a file; never to a pipe or a log."""
    key_life.check_devices(given.role, given.device)
    expires_us = _instant(given.expires_at)

    def make(connection: sa.Connection, new: NewKey) -> Key:
        now_us = system_clock.now_us()
        wanted = key_life.WantedKey(
            owner_id=kept_owner(connection, given.owner, now_us),
            who=key_life.COMMAND,
            role=given.role,
            devices=given.device,
            note=given.note,
            expires_us=expires_us,
        )
        return key_life.make(connection, wanted, new, now_us)

    return _hand_out(chosen, given, make, route="POST /v1/keys", makes=True)


def run_keys_rotate(chosen: Settings, given: argparse.Namespace) -> int:
    """Replace a key, and show its successor as a new key is shown."""
    if not 0 <= given.overlap_hours <= MOST_OVERLAP_HOURS:
        raise CalledWrongly(
            "overlap_hours_out_of_range", overlap_hours=given.overlap_hours, most=MOST_OVERLAP_HOURS
        )
    expires_us = _instant(given.expires_at)

    def make(connection: sa.Connection, new: NewKey) -> Key:
        done = key_life.rotate_for(
            connection,
            owner_id(connection, given.owner),
            given.handle,
            new,
            who=key_life.COMMAND,
            itself=False,
            overlap_us=given.overlap_hours * key_life.HOUR_US,
            expires_us=expires_us,
            now_us=system_clock.now_us(),
        )
        print(f"key {done.replaces} ends at {instant_text(done.ends_us)}", file=sys.stderr)
        if done.earlier_us is not None:
            print(
                f"{done.key.handle} was made at {instant_text(done.earlier_us)} and not used: "
                "the secret handed out then ends now",
                file=sys.stderr,
            )
        return done.key

    return _hand_out(chosen, given, make, route="POST /v1/keys/{handle}/rotations")


def _hand_out(
    chosen: Settings,
    given: argparse.Namespace,
    make: Callable[[sa.Connection, NewKey], Key],
    *,
    route: str,
    makes: bool = False,
) -> int:
    """Make a key, and write or show its token: the file is there before the key is good."""
    if given.out is None and not sys.stdout.isatty():
        raise CalledWrongly("key_needs_terminal")
    new = access.new_key()
    with opened(chosen, newest=True, makes=makes, route=route) as engine, engine.begin() as connection:
        made = make(connection, new)
        token = access.token_of(made.handle, new)
        if given.out is not None:
            write_private(given.out, token)
    if given.out is None:
        print(token)
    else:
        print(f"key {made.handle} of role {made.role} written to {given.out}")
    return 0


def _instant(at: str | None) -> int | None:
    """Microseconds of an instant as typed. Raises CalledWrongly."""
    try:
        return None if at is None else parse_instant(at).us
    except ValueError as error:
        raise CalledWrongly("expires_at_not_usable", why=str(error)) from error


def write_private(path: Path, secret: str) -> None:
    """Write a secret to a new file, mode 0600. Raises CalledWrongly where it cannot be made, or is there."""
    try:
        with os.fdopen(file_modes.new_file(path), "w") as file:
            file.write(secret + "\n")
    except FileExistsError as error:
        raise CalledWrongly("secret_file_exists", path=path) from error
    except OSError as error:
        raise CalledWrongly("key_file_not_made", path=path, why=error.strerror) from error


def run_keys_list(chosen: Settings, given: argparse.Namespace) -> int:
    """List the keys of an owner."""
    now_us = system_clock.now_us()
    with reader(chosen) as connection:
        owner = owner_id(connection, given.owner)
        for key in keys.list_of(connection, owner):
            shown = keys_route.document_of(key, now_us)
            devices = ", ".join(shown["devices"]) or "-"
            ends = [f"ends {shown['expires_at']}"] if key.expires_us is not None else []
            ends += [f"replaced by {key.replaced_by}"] if key.replaced_by is not None else []
            words = [f"{key.handle}  {key.role:<10}  {shown['state']:<9}  {shown['created_at']}", devices]
            print("  ".join([*words, *ends, key.note]))
    return 0


def run_keys_revoke(chosen: Settings, given: argparse.Namespace) -> int:
    """Revoke a key."""
    with (
        opened(chosen, newest=True, route="DELETE /v1/keys/{handle}") as engine,
        engine.begin() as connection,
    ):
        owner, now_us = owner_id(connection, given.owner), system_clock.now_us()
        ended = key_life.revoke(connection, owner, given.handle, key_life.COMMAND, now_us)
    print(f"key {given.handle} is revoked")
    warn_of_no_file(chosen)
    if ended.replaced_by is not None:
        print(f"its successor {ended.replaced_by} goes on; if the key leaked, revoke that too")
    return 0


def run_keys_refusals(chosen: Settings, given: argparse.Namespace) -> int:
    """List refusals for missing authorisation, newest hour first."""
    with reader(chosen) as connection:
        owner = refusals.NO_OWNER if given.no_owner else owner_id(connection, given.owner)
        for found in refusals.list_of(connection, owner, limit=max(1, given.limit)):
            shown = refusal_document(found)
            print(f"{shown['hour']}  {found.times:>8}  {found.reason:<18}  {found.who}")
    return 0


def run_keys_confirm(chosen: Settings, given: argparse.Namespace) -> int:
    """Confirm suspended keys: all that are named, or none."""
    with opened(chosen, newest=True) as engine, engine.begin() as connection:
        for handle in given.handles:
            key = keys.confirm(connection, handle)
            if key is None:
                raise CalledWrongly("no_key_waits", handle=handle)
            audit.note(
                connection, key.owner_id, system_clock.now_us(), "command", "key_confirmed", key=handle
            )
    for handle in given.handles:
        print(f"key {handle} works again")
    return 0
