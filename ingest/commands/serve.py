"""The command `serve`: take readings and answer requests over HTTP, until a signal stops it."""

from __future__ import annotations

import argparse
import asyncio
import errno
import json
import logging
import os
import signal
import socket
import ssl
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from cleanside.gateway.this_machine import is_loopback
from cleanside.gateway.wire import text_of
from cleanside.ingest import hidden, log, settings
from cleanside.ingest.api import app, server_tls
from cleanside.ingest.api.routes.services import services_in
from cleanside.ingest.commands import first_account, freed_memory, long_collections, start_warnings
from cleanside.ingest.commands.command_database import NO_REVOCATIONS_FILE, announce, new_file
from cleanside.ingest.error_texts import SENTENCES
from cleanside.ingest.errors import CalledWrongly, CannotOpen, why
from cleanside.ingest.messages.smtp import relay_of
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import archive_mark, attention, database, durability, identity, revocations
from cleanside.ingest.store.durability import CommitSettings
from cleanside.ingest.store.key_file import KeyFile
from cleanside.ingest.webhooks import addresses
from cleanside.ingest.writer import system_clock
from cleanside.ingest.writer.resources import say_made

log_line = logging.getLogger("cleanside.ingest")

TICK_S = 0.1  # how often uvicorn's main loop turns
LOOK_TICKS = 10  # each second; chosen
ANSWERS_END_S = 10  # of a server that stops: for answers under way; chosen


def add(commands: Any) -> None:
    """Hang the command in."""
    serve = commands.add_parser("serve", help="take readings and answer questions over HTTP")
    settings.add_flags(serve)
    serve.add_argument(
        "--migrate", action="store_true", help="bring an older database to the newest schema first"
    )
    serve.set_defaults(run=run_serve)


def run_serve(chosen: Settings, given: argparse.Namespace) -> int:
    """Serve until a signal stops it."""
    import uvicorn

    from cleanside.ingest.api import connection

    secrets = hidden.passwords_of(chosen.database) + hidden.passwords_of(chosen.standby_for_reads)
    log.set_up(chosen.log_level, chosen.log_format, secrets=secrets)
    _warn_of_visible(given.database)
    _warn_of_visible(given.standby_for_reads)
    _warn_of_readable(settings.file_of(given, os.environ), secrets)
    _warn_of_no_key(KeyFile.of(chosen))
    addresses.networks_of(chosen.webhook_networks)  # wrong settings are reported before anything begins
    relay_of(chosen)
    trusted = addresses.proxies_of(chosen.trusted_proxies, behind_proxy=chosen.behind_proxy)
    encryption = server_tls.context(chosen)
    start_warnings.warn_of_certificate(chosen, system_clock.now_us())
    start_warnings.warn_of_files(chosen)
    new = new_file(chosen.database)
    start_warnings.refuse_beside_another(new, is_meant=given.migrate)
    listening = _listen(chosen, encrypted=encryption is not None, behind_proxy=chosen.behind_proxy)
    try:
        prepare(chosen, migrate_old=given.migrate)
        announce(new)
    except BaseException:
        listening.close()
        raise
    _warn_of_no_address(chosen)
    _warn_of_open_side(chosen, trusted)
    served = app.create_app(chosen)
    bounds = connection.Bounds(
        address_connections=chosen.address_connections,
        request_wait_s=chosen.request_wait_s,
        trusted=trusted,
        refused=services_in(served).metrics.connection_refused,
    )
    config = uvicorn.Config(
        served,
        http=partial(connection.Connection, bounds),  # type: ignore[arg-type]  # it is only ever called
        ws="none",
        timeout_keep_alive=connection.IDLE_S,
        log_config=None,
        log_level="warning",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=ANSWERS_END_S,
        proxy_headers=bool(trusted),
        forwarded_allow_ips=trusted,
    )
    config.load()
    config.ssl = encryption  # ours: minimum version, client certificates, and it can be renewed
    if encryption is not None:
        signal.signal(signal.SIGHUP, lambda *_: _load_again(encryption, chosen))
    elif not sys.stderr.isatty():  # a service: systemctl reload must not end it
        signal.signal(signal.SIGHUP, lambda *_: None)
    freed_memory.run_long()
    long_collections.shorten()
    ended_by: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        # uvicorn stops in good order on these, then raises them again for the next handler, which is this.
        signal.signal(number, lambda number, _: ended_by.append(number))
    began_s = time.monotonic()
    with first_account.offered(chosen, listening.getsockname()[1], system_clock.now_us()) as is_used:
        services_in(served).on_admin = is_used
        announcing_server(config, services_in(served).streams.end).run(sockets=[listening])
    by = [signal.Signals(number).name for number in ended_by[:1]]
    said = {"served_s": round(time.monotonic() - began_s), "by": by[0] if by else "itself"}
    log_line.info("ingest.stopped", extra=said)
    return 0


def _load_again(encryption: ssl.SSLContext, chosen: Settings) -> None:
    server_tls.load_again(encryption, chosen)
    start_warnings.warn_of_certificate(chosen, system_clock.now_us())


def _warn_of_visible(flag: str | None) -> None:
    # A warning only: the password is on the command line already, and readings matter more.
    if flag is not None and hidden.passwords_of(flag):
        reason = (
            "all users of this machine can read the flags of a process; "
            "give the URL by CLEANSIDE_INGEST_DATABASE or --settings, "
            "or the password by libpq's password file"
        )
        log_line.warning("ingest.password_visible", extra={"reason": reason})


def _warn_of_readable(file: Path | None, secrets: Sequence[str]) -> None:
    """Warn where all users of the machine can read the settings, and a password is among them."""
    if file is None or not file.stat().st_mode & 0o004:
        return
    text = file.read_text("utf-8")
    if any(secret in text for secret in secrets):
        reason = "others can read the password in the settings; chmod 600 it, owned by the server's user"
        log_line.warning("ingest.settings_readable", extra={"file": str(file), "reason": reason})


def _warn_of_no_key(file: KeyFile) -> None:
    """Warn of a named key file that cannot be used: else only the first webhook says so."""
    if file.path is None or file.makes_itself:
        return
    try:
        file.read()
    except CannotOpen as error:
        log_line.warning("ingest.webhook_key_unusable", extra={"reason": str(error)})


def _warn_of_no_address(chosen: Settings) -> None:
    """Warn where people come under a name that no setting says: else only the first invitation says so."""
    if not chosen.public_address and (chosen.behind_proxy or chosen.host in ("", "0.0.0.0", "::")):
        reason = (
            "no link is made for who asks under a name; set public_address to where people open the pages"
        )
        log_line.warning("ingest.public_address_not_set", extra={"reason": reason})


def _warn_of_open_side(chosen: Settings, trusted: Sequence[str]) -> None:
    """Warn where the proxy is on this machine, and others reach the server past it."""
    # A network has no bit set beyond its length: one that begins at loopback is loopback as a whole.
    are_here = trusted and all(is_loopback(each.partition("/")[0]) for each in trusted)
    if chosen.behind_proxy and are_here and not is_loopback(chosen.host):
        reason = (
            "the proxy is on this machine, and who reaches the port from another sends keys in the clear; "
            "set host to 127.0.0.1, unless the network lets nothing else through"
        )
        log_line.warning("ingest.open_beside_proxy", extra={"reason": reason, "host": chosen.host})


def announcing_server(config: Any, end_streams: Callable[[], None]) -> Any:
    """
    A uvicorn server that prints its address once it takes requests, and ends what takes too long.

    end_streams : called when it stops, before it waits for answers that are under way.
    """
    import uvicorn

    from cleanside.ingest.api import connection

    class AnnouncingServer(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            if self.started and sockets:
                host, port = sockets[0].getsockname()[:2]
                scheme = "http" if config.ssl is None else "https"
                address = {"listening": f"{scheme}://{_in_url(host)}:{port}", "pid": os.getpid()}
                print(json.dumps(address), flush=True)

        async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
            end_streams()
            await super().shutdown(sockets)

        async def on_tick(self, counter: int) -> bool:
            if counter % LOOK_TICKS == 0:
                now_s = asyncio.get_running_loop().time()
                connection.look_at(self.server_state.connections, now_s, LOOK_TICKS * TICK_S)
            return await super().on_tick(counter)

    return AnnouncingServer(config)


def prepare(chosen: Settings, *, migrate_old: bool) -> None:
    """Bring the database to the newest schema; check what commits are worth and that keys can be revoked."""
    with database.exclusive(chosen.database):
        engine = database.writing_engine(chosen.database, archive=chosen.archive_folder)
        try:
            sqlite = database.sqlite_path(chosen.database) is not None
            database.require_newest(
                engine, migrate_empty=sqlite, migrate_old=migrate_old, on_wait=_say_that_it_waits
            )
            with engine.connect() as connection:
                found = durability.settings_of(connection)
                known = identity.known(connection)
                newest_us = attention.newest_received_us(connection)
        finally:
            engine.dispose()
    start_warnings.warn_of_clock(newest_us, system_clock.now_us())
    _judge_durability(found, chosen)
    folder = database.archive_folder(chosen.database, chosen.archive_folder)
    if folder is not None:
        archive_mark.refuse_other(folder, database=known)
    if chosen.archive_folder:
        say_made(Path(chosen.archive_folder))  # before the next line makes it
    _require_revocations(folder)


def _say_that_it_waits() -> None:
    reason = text_of(SENTENCES, "migration_awaits_standby", {})
    log_line.warning("ingest.migration_awaits_standby", extra={"reason": reason})


def _require_revocations(folder: Path | None) -> None:
    """Raise CalledWrongly where no key could be revoked: whoever needs that must not learn it then."""
    if folder is None:
        log_line.warning("ingest.revocations_not_kept", extra={"reason": NO_REVOCATIONS_FILE})
        return
    if (error := revocations.fault(folder)) is not None:
        raise CalledWrongly("no_key_revocable", path=folder / revocations.FILE, why=why(error)) from error


def _judge_durability(found: CommitSettings | None, chosen: Settings) -> None:
    """Log what a commit is worth. Raises CalledWrongly where it is worth too little and that is refused."""
    if found is None:
        if chosen.awaits_standby:
            raise CalledWrongly("standby_of_sqlite")
        return
    weak = durability.weaknesses(found, on_standby=chosen.awaits_standby)
    if not weak:
        log_line.info("ingest.durability", extra=found._asdict())
        return
    reasons = [text_of(SENTENCES, code, found._asdict()) for code in weak]
    if chosen.weak_durability == "refuse":
        raise CalledWrongly("durability_weak", codes=weak, reasons="; ".join(reasons))
    for code, reason in zip(weak, reasons, strict=True):
        log_line.warning("ingest.durability_weak", extra={"code": code, "reason": reason})


def _listen(chosen: Settings, *, encrypted: bool, behind_proxy: bool) -> socket.socket:
    try:
        family, kind, _, _, address = socket.getaddrinfo(
            chosen.host, chosen.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        server_tls.refuse_in_the_clear(str(address[0]), encrypted=encrypted, behind_proxy=behind_proxy)
        listening = socket.socket(family, kind)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(address)
            listening.listen(
                4_096
            )  # a fleet that comes back at once; the system may hold it lower (somaxconn)
        except OSError:
            listening.close()
            raise
    except OSError as error:
        of_host = isinstance(error, socket.gaierror) or error.errno == errno.EADDRNOTAVAIL
        raise CalledWrongly(
            "not_listening",
            host=chosen.host,
            port=chosen.port,
            why=why(error),
            flag="--host" if of_host else "--port",
        ) from error
    return listening


def _in_url(host: str) -> str:
    return f"[{host}]" if ":" in host else host
