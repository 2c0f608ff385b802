"""
The command `cleanside-ingest`: serve, migrate, keys, account, backtest, lives.

Promises: our own errors end a command with one line on stderr and exit code 2; anything else keeps its
traceback. A command that writes takes the lock that a serving process holds; while one serves, its HTTP
routes do the same with an admin key.
"""

from __future__ import annotations

import argparse
import gc
import importlib
import json
import logging
import os
import signal
import socket
import sys
from collections.abc import Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from ingest import access, app, database, settings
from ingest.errors import CalledWrongly, IngestError
from ingest.routes import account as account_route
from ingest.routes import keys as keys_route
from ingest.settings import Settings
from ingest.store import account, fleet, keys

DEFAULT_OWNER = "own"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command. Returns its exit code."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    given = build_parser(command=words[0] if words else "").parse_args(words)
    try:
        return int(given.run(given))
    except IngestError as error:
        print(f"cleanside-ingest: {error}", file=sys.stderr)
        return 2


def build_parser(*, command: str = "") -> argparse.ArgumentParser:
    """
    The command line, from the table of settings and the commands below.

    command : the one asked for; the options of `backtest` and `lives` live in modules that bring numerics
        along, and are loaded for them alone.
    """
    parser = argparse.ArgumentParser(prog="cleanside-ingest", description="Ingest service of cleanside.")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    serve = commands.add_parser("serve", help="take readings and answer questions over HTTP")
    settings.add_arguments(serve)
    serve.add_argument(
        "--migrate", action="store_true", help="bring an older database to the newest schema first"
    )
    serve.set_defaults(run=run_serve)

    migrate = commands.add_parser("migrate", help="bring the database to the newest schema")
    settings.add_arguments(migrate, "database")
    migrate.set_defaults(run=run_migrate)

    _add_keys(commands)

    balance = commands.add_parser(
        "account", help="where every number of every stream is; exit code 1 if one is lost"
    )
    settings.add_arguments(balance, "database")
    balance.add_argument("--json", action="store_true", help="for machines")
    balance.set_defaults(run=run_account)

    for name, home, sentence in (
        ("backtest", "ingest.backtest", "judge the forecast on recorded lives"),
        ("lives", "ingest.lives_report", "flow exponent and element changes of one recorded series"),
    ):
        judging = commands.add_parser(name, help=sentence)
        if command == name:
            module = importlib.import_module(home)
            module.add_arguments(judging)
            judging.set_defaults(run=module.run)
    return parser


def _add_keys(commands: Any) -> None:
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
        action.add_argument(
            "--owner", default=DEFAULT_OWNER, metavar="NAME", help=f"default: {DEFAULT_OWNER}"
        )


# ---------------------------------------------------------------- serve


def run_serve(given: argparse.Namespace) -> int:
    """Serve until told to stop."""
    import uvicorn

    chosen = settings.from_arguments(given)
    _log_at(chosen.log_level)
    _prepare(chosen, migrate_old=given.migrate)
    listening = _listen(chosen)
    config = uvicorn.Config(
        app.create_app(chosen),
        log_config=None,
        log_level="warning",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=10,
    )
    gc.collect()
    gc.freeze()  # what is loaded now stays: the collector need not look at it (measured: p99 to a half)
    for number in (signal.SIGTERM, signal.SIGINT):
        # uvicorn stops in good order on these, then raises them again for whoever comes next: nobody does.
        signal.signal(number, lambda *_: None)
    announcing_server(config).run(sockets=[listening])
    return 0


def _log_at(level: str) -> None:
    logging.basicConfig(level=level.upper(), format="%(asctime)s %(levelname)s %(name)s %(message)s")
    if level == "info":  # alembic says at each look how it looks; that helps at debug and is noise before
        logging.getLogger("alembic").setLevel(logging.WARNING)


def announcing_server(config: Any) -> Any:
    """A uvicorn server that prints its address, for a machine to read, once it takes requests."""
    import uvicorn

    class AnnouncingServer(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            if self.started and sockets:
                host, port = sockets[0].getsockname()[:2]
                address = {"listening": f"http://{_in_url(host)}:{port}", "pid": os.getpid()}
                print(json.dumps(address), flush=True)

    return AnnouncingServer(config)


def _prepare(chosen: Settings, *, migrate_old: bool) -> None:
    with database.exclusive(chosen.database):
        engine = database.writing_engine(chosen.database)
        try:
            sqlite = database.sqlite_path(chosen.database) is not None
            database.require_newest(engine, migrate_empty=sqlite, migrate_old=migrate_old)
        finally:
            engine.dispose()


def _listen(chosen: Settings) -> socket.socket:
    try:
        family, kind, _, _, address = socket.getaddrinfo(
            chosen.host, chosen.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listening = socket.socket(family, kind)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen(1024)
    except OSError as error:
        raise CalledWrongly(
            f"{chosen.host} port {chosen.port} cannot be listened on ({error.strerror}); give another --port"
        ) from error
    return listening


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def run_migrate(given: argparse.Namespace) -> int:
    """Bring the database to the newest schema."""
    with _opened(given) as engine:
        before, after = database.migrate(engine)
    print(f"schema {before or 'none'} -> {after}" if before != after else f"schema {after}, nothing to do")
    return 0


# ---------------------------------------------------------------- keys


def run_keys_create(given: argparse.Namespace) -> int:
    """Make a key, and show it on a terminal or write it to a file; never to a pipe or a log."""
    keys_route.check_devices(given.role, given.device)
    if given.out is None and not sys.stdout.isatty():
        raise CalledWrongly(
            "a key is shown on a terminal only; use --out FILE to write it to a file, mode 0600"
        )
    new = access.new_key()
    with _opened(given, newest=True) as engine:
        handle = None if given.out is None else _new_private_file(given.out)
        with engine.begin() as connection:
            now_us = app.system_clock()
            owner_id = fleet.keep_owner(connection, given.owner, now_us)
            keys.create(
                connection,
                handle=new.handle,
                secret_hash=new.secret_hash,
                owner_id=owner_id,
                role=given.role,
                note=given.note,
                devices=given.device,
                now_us=now_us,
            )
            fleet.note(connection, owner_id, now_us, "command", "key", f"{new.handle} {given.role}")
    if handle is None:
        print(new.token)
    else:
        with os.fdopen(handle, "w") as file:
            file.write(new.token + "\n")
        print(f"key {new.handle} of role {given.role} written to {given.out}")
    return 0


def _new_private_file(path: Path) -> int:
    try:
        return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise CalledWrongly(
            f"{path} cannot be made ({error.strerror}); name a file that is not there yet"
        ) from error


def run_keys_list(given: argparse.Namespace) -> int:
    """List the keys of an owner."""
    with _reader(given) as connection:
        owner_id = _owner(connection, given.owner)
        for key in keys.list_of(connection, owner_id):
            shown = keys_route.document_of(key)
            state = "revoked" if key.revoked_us else "valid"
            devices = ", ".join(shown["devices"]) or "-"
            print(f"{key.handle}  {key.role:<10}  {state:<7}  {shown['created_at']}  {devices}  {key.note}")
    return 0


def run_keys_revoke(given: argparse.Namespace) -> int:
    """Revoke a key."""
    with _opened(given, newest=True) as engine, engine.begin() as connection:
        owner_id, now_us = _owner(connection, given.owner), app.system_clock()
        if not keys.revoke(connection, owner_id, given.handle, now_us):
            raise CalledWrongly(
                f"owner {given.owner} has no key {given.handle}; see: cleanside-ingest keys list"
            )
        fleet.note(connection, owner_id, now_us, "command", "key_revoked", given.handle)
    print(f"key {given.handle} is revoked")
    return 0


def _owner(connection: sa.Connection, name: str) -> int:
    found = fleet.owner_id(connection, name)
    if found is None:
        raise CalledWrongly(f"there is no owner {name}; keys create --owner makes one")
    return found


# ---------------------------------------------------------------- account


def run_account(given: argparse.Namespace) -> int:
    """Print the account. Exit code 1 where a number is lost, or server and gateway differ."""
    with _reader(given) as connection:
        accounts = list(account.accounts(connection))
    if given.json:
        print(json.dumps(account_route.document_of(accounts), indent=2))
    else:
        print(account_text(accounts))
    return 0 if all(a.balances for a in accounts) else 1


def account_text(accounts: list[account.Account]) -> str:
    """The account as a table for people."""
    heads = (
        "device",
        "through",
        "stored",
        "quarantined",
        "discarded",
        "shed",
        "gap",
        "pending",
        "duplicates",
        "conflicts",
    )
    rows = [heads] + [
        (
            a.device,
            *map(str, (a.through, a.stored, a.quarantined, a.discarded, a.shed, a.gap, a.pending)),
            *map(str, (a.duplicates, a.conflicts)),
        )
        for a in accounts
    ]
    widths = [max(len(row[i]) for row in rows) for i in range(len(heads))]
    lines = [
        "  ".join(
            cell.ljust(w) if i == 0 else cell.rjust(w)
            for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        )
        for row in rows
    ]
    faults = [f"{a.device} stream {a.stream}: {fault}" for a in accounts for fault in a.faults]
    lines.append(f"out of balance: {len(faults)} faults" if faults else f"balances: {len(accounts)} streams")
    return "\n".join(lines + faults)


# ---------------------------------------------------------------- the database of a command


@contextmanager
def _opened(given: argparse.Namespace, *, newest: bool = False) -> Any:
    """A writing engine under the lock; `newest` makes sure of the schema first."""
    chosen = settings.from_arguments(given)
    with database.exclusive(chosen.database):
        engine = database.writing_engine(chosen.database)
        try:
            if newest:
                database.require_newest(engine, migrate_empty=True, migrate_old=False)
            yield engine
        finally:
            engine.dispose()


@contextmanager
def _reader(given: argparse.Namespace) -> Any:
    """A connection that only reads; it may do so while a process serves."""
    chosen = settings.from_arguments(given)
    path = database.sqlite_path(chosen.database)
    if path is not None and not path.exists():
        raise CalledWrongly(
            f"there is no database at {path}; run: cleanside-ingest migrate, or check --database"
        )
    engine = database.reading_engine(chosen.database)
    try:
        database.require_newest(engine, migrate_empty=False, migrate_old=False)
        with engine.connect() as connection:
            yield connection
    finally:
        engine.dispose()
