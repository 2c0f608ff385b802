"""
The settings of the server: one table, from which file key, environment variable, flag and help come.

Leaves to others: how a table is read (`gateway.setting_table`).
"""

from __future__ import annotations

import argparse
import logging
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from cleanside.gateway.setting_table import (
    FILE,
    Table,
    one_of,
    row,
    switch,
    text_or_empty,
    web_address_or_empty,
    whole,
)
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.log import FORMS, LEVELS

_COUNT: Final = whole(0)


@dataclass(frozen=True, kw_only=True)
class Settings:
    """The settings of one server, read and checked."""

    database: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "URL of the database; empty: a SQLite file in the user's data folder. All users of a machine can "
            "read flags: give a password by the environment, by --settings or in libpq's file (PGPASSFILE).",
        ),
    )
    host: str = field(
        default="127.0.0.1",
        metadata=row(
            text_or_empty, "Address to listen on; beyond loopback with TLS, or behind a proxy that has it."
        ),
    )
    port: int = field(
        default=8750,
        metadata=row(whole(0, 65_535), "Port to listen on; 0 takes a free one and prints it."),
    )
    public_address: str = field(
        default="",
        metadata=row(
            web_address_or_empty,
            "Address under which people open the pages, like https://filters.example; it stands in links. "
            "Empty: the address that was asked, where that is loopback or what the server listens on; under "
            "another name or behind a proxy no link is made.",
        ),
    )
    durability: str = field(
        default="disk",
        metadata=row(
            one_of("disk", "standby"),
            "What an acknowledgement has to mean with PostgreSQL: on its disk, or on a synchronous standby's "
            "disk too (standby).",
        ),
    )
    weak_durability: str = field(
        default="warn",
        metadata=row(
            one_of("warn", "refuse"),
            "What to do at the start where the database's settings make a commit worth less than that: warn, "
            "or refuse to serve.",
        ),
    )
    standby_for_reads: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "URL of a standby of a PostgreSQL database, for reads that may lag: pages and files of raw "
            "readings. Empty: the database itself.",
        ),
    )
    oidc_issuer: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "Issuer of the OpenID provider by which people may sign in, https; empty: by none.",
        ),
    )
    oidc_client_id: str = field(
        default="", metadata=row(text_or_empty, "How that provider knows this server (client id).")
    )
    oidc_client_secret_file: str = field(
        default="",
        metadata=row(
            text_or_empty, "File of mode 0600 with the client's secret; empty: a public client, PKCE alone."
        ),
    )
    oidc_name: str = field(
        default="", metadata=row(text_or_empty, "What the sign-in page calls that provider.")
    )
    max_waiting: int = field(
        default=256,
        metadata=row(_COUNT, "Requests that may wait for the disk before new ones get 503."),
    )
    max_bundle_bytes: int = field(
        default=2**30,
        metadata=row(_COUNT, "Largest bundle taken over HTTP; one of 2**20 readings has some 16 MiB [B]."),
    )
    recheck_interval_s: int = field(
        default=30,
        metadata=row(_COUNT, "How often quarantined readings with a future time are checked again [s]."),
    )
    # This month and the same month of last year stay in the tables; older ones are seldom read.
    retention_days: int = field(
        default=400,
        metadata=row(
            _COUNT, "Readings of months older than this move from the tables to the archive; 0: never [days]."
        ),
    )
    archive_folder: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "Folder of older readings; empty: beside a SQLite file, with PostgreSQL none and nothing moves.",
        ),
    )
    archive_interval_s: int = field(
        default=3_600,
        metadata=row(_COUNT, "How often a server looks for readings to archive [s]."),
    )
    # Counting reads every number once: a second for a few million readings.
    account_interval_s: int = field(
        default=86_400,
        metadata=row(
            _COUNT,
            "How often the account is counted for /metrics; 0: never [s]. Where a webhook or a message waits "
            "for it, it is counted every 15 minutes at least.",
        ),
    )
    backup_folder: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "Folder with backups, each in a folder of its own; the age of the newest is in /metrics. Empty: "
            "not looked at.",
        ),
    )
    tls_certificate: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "Certificate chain of the server (PEM); empty: plain HTTP, on loopback alone.",
        ),
    )
    tls_key: str = field(
        default="",
        metadata=row(text_or_empty, "Its private key (PEM); empty: it is in the certificate's file."),
    )
    tls_client_ca: str = field(
        default="",
        metadata=row(text_or_empty, "Authorities of client certificates (PEM); empty: none is asked for."),
    )
    behind_proxy: bool = field(
        default=False,
        metadata=row(
            switch,
            "TLS ends in a proxy in front: plain HTTP beyond loopback is meant; needs --trusted-proxies.",
        ),
    )
    trusted_proxies: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "Addresses of proxies whose X-Forwarded-For and -Proto are believed, with commas; or none.",
        ),
    )
    key_requests_per_s: int = field(
        default=500,
        metadata=row(_COUNT, "Requests one key may send, with 20 s saved up; 0: no limit [1/s]."),
    )
    key_bytes_per_s: int = field(
        default=32 * 2**20,
        metadata=row(_COUNT, "Bytes one key may send, with 20 s saved up; 0: no limit [B/s]."),
    )
    address_tries_per_minute: int = field(
        default=60,
        metadata=row(
            _COUNT,
            "Tries in vain of one address: so many of keys, so many of codes and passwords; 0: no limit "
            "[1/min].",
        ),
    )
    # As many as the listen queue: a whole site behind one address may reconnect at once.
    address_connections: int = field(
        default=4_096,
        metadata=row(
            _COUNT, "Connections that one address may have before they show a valid key; 0: no limit."
        ),
    )
    request_wait_s: int = field(
        default=60,
        metadata=row(
            _COUNT,
            "Time for the head of a request; its body has as long, and 1 s more for each 256 B [s].",
        ),
    )
    planning_horizon_days: int = field(
        default=14, metadata=row(_COUNT, "An element due within this time is in state plan [days].")
    )
    webhook_networks: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "Private networks that webhooks may reach, like 10.0.0.0/8,127.0.0.0/8; "
            "empty: public addresses only.",
        ),
    )
    webhook_give_up_days: int = field(
        default=3,
        metadata=row(_COUNT, "An event that a webhook does not take for so long is given up [days]."),
    )
    webhook_key_file: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "File of the keys that webhook secrets are encrypted with, the same on every host; empty: beside "
            "a SQLite file, where the first webhook makes it; PostgreSQL needs it (webhooks create-key).",
        ),
    )
    docs_folder: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "Folder of the documents that /docs shows; empty: where `docs build` puts them.",
        ),
    )
    backup_record: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "File in which `backup` notes what became of it, and from which a server tells people; empty: "
            "beside a SQLite file, with PostgreSQL none.",
        ),
    )
    smtp_host: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "Mail server that takes messages to people; empty: no mail is sent. Needs --smtp-sender and "
            "--public-address.",
        ),
    )
    smtp_port: int = field(default=587, metadata=row(whole(1, 65_535), "Port of the mail server."))
    smtp_security: str = field(
        default="starttls",
        metadata=row(
            one_of("starttls", "tls", "none"),
            "How the way there is encrypted: starttls, tls from the first byte (port 465), or none, which "
            "is for a mail server on this machine alone.",
        ),
    )
    smtp_user: str = field(
        default="", metadata=row(text_or_empty, "User at the mail server; empty: it asks for none.")
    )
    smtp_password_file: str = field(
        default="", metadata=row(text_or_empty, "File with the password of this user, alone.")
    )
    smtp_sender: str = field(
        default="",
        metadata=row(
            text_or_empty,
            "Address that messages come from; word of what could not be delivered goes there.",
        ),
    )
    mail_give_up_days: int = field(
        default=3,
        metadata=row(_COUNT, "A message that the mail server does not take for so long is given up [days]."),
    )
    log_level: str = field(
        default="info", metadata=row(one_of(*LEVELS), f"How much is logged: {', '.join(LEVELS)}.")
    )
    log_format: str = field(
        default="text", metadata=row(one_of(*FORMS), "Text for people, or json: one object a line.")
    )
    access_log: bool = field(
        default=False,
        metadata=row(switch, "One line a request, with route, status, duration and the key's handle."),
    )

    @property
    def awaits_standby(self) -> bool:
        """True where what is acknowledged has to be on a standby's disk too."""
        return self.durability == "standby"


TABLE: Final = Table(program="ingest", rows_of=Settings, error=CalledWrongly, old_file="config")
add_flags = TABLE.add_flags


def load(
    flags: Mapping[str, Any], environ: Mapping[str, str], *, notify: Callable[[str], None] | None = None
) -> Settings:
    """
    Put the settings together. flags : name -> value, None where not given. Raises CalledWrongly.

    notify : called with notices about old names; None: the log.
    """
    values, _, _ = TABLE.read(flags, environ, notify or _log)
    if not values.get("database"):
        values["database"] = default_database(environ)
    return Settings(**values)


def from_arguments(given: argparse.Namespace, *, notify: Callable[[str], None]) -> Settings | None:
    """The settings of a command whose flags came from `add_flags`; None: the command has none."""
    flags = vars(given)
    return load(flags, os.environ, notify=notify) if FILE in flags else None


def file_of(given: argparse.Namespace, environ: Mapping[str, str]) -> Path | None:
    """The settings file of a command, as it is named; None: there is none."""
    name = vars(given).get(FILE) or environ.get(TABLE.variable(FILE))
    return Path(name) if name else None


def default_database(environ: Mapping[str, str]) -> str:
    """URL of the database where none is named."""
    return f"sqlite:///{data_folder(environ) / 'ingest.db'}"


def data_folder(environ: Mapping[str, str]) -> Path:
    """The user's data folder (XDG Base Directory Specification), or its counterpart on Windows."""
    if base := environ.get("XDG_DATA_HOME") or environ.get("LOCALAPPDATA"):
        return Path(base) / "cleanside"
    return Path.home() / ".local" / "share" / "cleanside"


def _log(notice: str) -> None:
    logging.getLogger("cleanside.ingest").warning("ingest.setting", extra={"reason": notice})
