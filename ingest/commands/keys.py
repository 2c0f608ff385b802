"""The command `keys`: make, list and revoke. A secret goes to a terminal or a private file, nowhere else."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any

from cleanside.ingest import settings
from cleanside.ingest.api import app
from cleanside.ingest.api.routes import keys as keys_route
from cleanside.ingest.commands.command_database import add_owner, opened, owner_id, reader
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.owners import access
from cleanside.ingest.store import fleet, keys


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser("keys", help="make, list and revoke keys")
    actions = parser.add_subparsers(required=True, metavar="ACTION")
    create = actions.add_parser("create", help="make a key; it is shown once")
    create.add_argument("--role", required=True, choices=access.ROLES)
    create.add_argument(
        "--device", action="append", default=[], metavar="NAME", help="a device it may post for"
    )
    create.add_argument("--note", default="", help="who holds it")
    create.add_argument("--out", type=Path, metavar="FILE", help="write it to a new file, mode 0600")
    create.set_defaults(run=run_keys_create)
    listing = actions.add_parser("list", help="all keys, without their secrets")
    listing.set_defaults(run=run_keys_list)
    revoke = actions.add_parser("revoke", help="end a key for ever")
    revoke.add_argument("handle", help="the part of the key before the dot")
    revoke.set_defaults(run=run_keys_revoke)
    for action in (create, listing, revoke):
        settings.add_arguments(action, "database")
        add_owner(action)


def run_keys_create(given: argparse.Namespace) -> int:
    """Make a key, and show it on a terminal or write it to a file; never to a pipe or a log."""
    keys_route.check_devices(given.role, given.device)
    if given.out is None and not sys.stdout.isatty():
        raise CalledWrongly(
            "a key is shown on a terminal only; use --out FILE to write it to a file, mode 0600"
        )
    new = access.new_key()
    with opened(given, newest=True) as engine:
        if given.out is not None:
            write_private(given.out, new.token)
        with engine.begin() as connection:
            now_us = app.system_clock()
            owner = fleet.keep_owner(connection, given.owner, now_us)
            keys.create(
                connection,
                handle=new.handle,
                secret_hash=new.secret_hash,
                owner_id=owner,
                role=given.role,
                note=given.note,
                devices=given.device,
                now_us=now_us,
            )
            fleet.note(connection, owner, now_us, "command", "key", f"{new.handle} {given.role}")
    if given.out is None:
        print(new.token)
    else:
        print(f"key {new.handle} of role {given.role} written to {given.out}")
    return 0


def write_private(path: Path, secret: str) -> None:
    """Write a secret to a new file, mode 0600. Raises CalledWrongly where it cannot be made, or is there."""
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        with os.fdopen(handle, "w") as file:
            file.write(secret + "\n")
    except OSError as error:
        raise CalledWrongly(
            f"{path} cannot be made ({error.strerror}); name a file that is not there yet"
        ) from error


def run_keys_list(given: argparse.Namespace) -> int:
    """List the keys of an owner."""
    with reader(given) as connection:
        owner = owner_id(connection, given.owner)
        for key in keys.list_of(connection, owner):
            shown = keys_route.document_of(key)
            state = "revoked" if key.revoked_us else "valid"
            devices = ", ".join(shown["devices"]) or "-"
            print(f"{key.handle}  {key.role:<10}  {state:<7}  {shown['created_at']}  {devices}  {key.note}")
    return 0


def run_keys_revoke(given: argparse.Namespace) -> int:
    """Revoke a key."""
    with opened(given, newest=True) as engine, engine.begin() as connection:
        owner, now_us = owner_id(connection, given.owner), app.system_clock()
        if not keys.revoke(connection, owner, given.handle, now_us):
            raise CalledWrongly(
                f"owner {given.owner} has no key {given.handle}; see: cleanside-ingest keys list"
            )
        fleet.note(connection, owner, now_us, "command", "key_revoked", given.handle)
    print(f"key {given.handle} is revoked")
    return 0
