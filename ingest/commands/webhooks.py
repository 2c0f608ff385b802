"""The command `webhooks`: make the key file of webhook secrets, change the key, drop old ones."""

from __future__ import annotations

import argparse
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.ingest import settings
from cleanside.ingest.commands.command_database import opened, reader
from cleanside.ingest.errors import BeingServed, CalledWrongly
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import key_file, outbox, webhook_secrets
from cleanside.ingest.store.key_file import KeyFile
from cleanside.ingest.store.sealing import key_of, new_key


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser("webhooks", help="the keys that webhook secrets are encrypted with")
    actions = parser.add_subparsers(required=True, metavar="ACTION")
    create = actions.add_parser(
        "create-key", help="make the key file, mode 0600; with PostgreSQL copy it to every host"
    )
    create.set_defaults(run=run_create)
    rotate = actions.add_parser(
        "rotate-key", help="encrypt with a new key; the old ones still decrypt until: prune-keys"
    )
    rotate.set_defaults(run=run_rotate)
    prune = actions.add_parser("prune-keys", help="take keys out of the file that no webhook needs")
    prune.set_defaults(run=run_prune)
    for action in (create, rotate, prune):
        settings.add_flags(action, "database", "webhook_key_file")


def _file(chosen: Settings) -> KeyFile:
    file = KeyFile.of(chosen)
    if file.path is None:
        raise CalledWrongly("webhook_key_file_not_set")
    return file


def run_create(chosen: Settings, _: argparse.Namespace) -> int:
    """Make the key file."""
    file = _file(chosen)
    assert file.path is not None
    key_file.create(file.path)
    print(f"key {file.read()[0].id} is in {file.path}; keep a copy apart from the backups")
    return 0


def run_rotate(chosen: Settings, _: argparse.Namespace) -> int:
    """Put a new key first, and encrypt all webhooks with it."""
    file = _file(chosen)
    assert file.path is not None
    key_file.write(file.path, [new_key(), *file.read()])
    print(f"key {file.read()[0].id} is the first in {file.path}; bring the file to every host now")
    try:
        with opened(chosen, newest=True) as engine, engine.begin() as connection:
            brought = webhook_secrets.bring_along(connection, file)
    except BeingServed:
        print("the server that runs on this database encrypts the webhooks again by itself, within seconds")
    else:
        print(f"{counted(brought.encrypted, 'webhook')} encrypted with it")
    print("then run: webhooks prune-keys")
    return 0


def run_prune(chosen: Settings, _: argparse.Namespace) -> int:
    """Drop the keys that no webhook uses, but never the first."""
    file = _file(chosen)
    assert file.path is not None
    with reader(chosen) as connection:
        needed = _needed(connection)
    keys = file.read()
    needed_keys = [key for number, key in enumerate(keys) if number == 0 or key.id in needed]
    key_file.write(file.path, needed_keys)
    old = f"; still needed: {', '.join(key.id for key in needed_keys[1:])}" if len(needed_keys) > 1 else ""
    print(f"{counted(len(keys) - len(needed_keys), 'key')} taken out of {file.path}{old}")
    return 0


def _needed(connection: sa.Connection) -> set[str]:
    return {key_of(webhook.sealed_secret or "") for webhook in outbox.wanted(connection)}
