"""
The settings of the server: one table from which flags, environment, file and help are made.

A flag outranks the environment (CLEANSIDE_INGEST_...), that the TOML file, that the default.
"""

from __future__ import annotations

import argparse
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from cleanside.ingest.errors import CalledWrongly, why

PREFIX = "CLEANSIDE_INGEST_"
_HIGHEST = {"port": 65_535}


def _row(default: Any, help_text: str) -> Any:
    return field(default=default, metadata={"help": help_text})


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What can be set. Each field is a flag, an environment variable and a key of the TOML file."""

    database: str = _row(
        "",
        "URL of the database; empty: a SQLite file in the user's data folder. All users of a machine can "
        "read flags: give a password by the environment, by --config or in libpq's file (PGPASSFILE)",
    )
    host: str = _row(
        "127.0.0.1", "address to listen on; beyond loopback with TLS, or behind a proxy that has it"
    )
    port: int = _row(8750, "port to listen on; 0 takes a free one and prints it")
    max_waiting: int = _row(256, "requests that may wait for the disk before new ones get 503")
    max_bundle_bytes: int = _row(
        2**30, "largest bundle taken over HTTP; one of 2**20 readings has some 16 MiB [B]"
    )
    recheck_interval_s: int = _row(30, "how often readings held for a time to come are looked at again [s]")
    # This month and the same of last year stay at hand in the tables; older ones are looked at now and then.
    retention_days: int = _row(
        400, "readings of months older than this move from the tables to the archive; 0: never [days]"
    )
    archive_folder: str = _row(
        "", "folder of older readings; empty: beside a SQLite file, with PostgreSQL none and nothing moves"
    )
    archive_interval_s: int = _row(3_600, "how often a serving process looks for what has to move [s]")
    tls_certificate: str = _row(
        "", "certificate chain of the server (PEM); empty: plain HTTP, on loopback alone"
    )
    tls_key: str = _row("", "its private key (PEM); empty: it is in the certificate's file")
    tls_client_ca: str = _row("", "authorities of client certificates (PEM); empty: none is asked for")
    trusted_proxies: str = _row(
        "",
        "addresses of proxies whose X-Forwarded-For and -Proto are believed, with commas; or none",
    )
    key_requests_per_s: int = _row(500, "requests one key may send, with 20 s saved up; 0: no limit [1/s]")
    key_bytes_per_s: int = _row(32 * 2**20, "bytes one key may send, with 20 s saved up; 0: no limit [B/s]")
    address_tries_per_minute: int = _row(
        60, "tries without a valid key or code that one address has; 0: no limit [1/min]"
    )
    # As many as wait to be accepted (listen): a whole site behind one address may reconnect at once.
    address_connections: int = _row(
        4_096, "connections that one address may have before they show a valid key; 0: no limit"
    )
    request_wait_s: int = _row(
        60, "time for the head of a request; its body has as long, and 1 s more for each 256 B [s]"
    )
    planning_horizon_days: int = _row(14, "an element due within this time is in state plan [days]")
    webhook_networks: str = _row(
        "",
        "private networks that webhooks may reach, like 10.0.0.0/8,127.0.0.0/8; empty: public addresses only",
    )
    webhook_give_up_days: int = _row(
        3, "an event that a webhook does not take for so long is given up [days]"
    )
    webhook_key_file: str = _row(
        "",
        "file of the keys that webhook secrets are encrypted with, the same on every host; empty: beside a "
        "SQLite file, where the first webhook makes it; PostgreSQL needs it (webhooks create-key)",
    )
    log_level: str = _row("info", "debug, info, warning or error")
    log_format: str = _row("text", "text for people, or json: one object a line")
    access_log: str = _row("off", "on: one line a request, with route, status, duration and the key's handle")


def load(
    *,
    flags: Mapping[str, Any] | None = None,
    environ: Mapping[str, str] | None = None,
    config: Path | None = None,
) -> Settings:
    """
    The settings from flags (None: not given), environment and file.

    config : the TOML file; None: the one CLEANSIDE_INGEST_CONFIG names, else none.
    Raises CalledWrongly for a file or value that does not fit; the message says where.
    """
    environ = os.environ if environ is None else environ
    named = environ.get(f"{PREFIX}CONFIG")
    file = config or (Path(named) if named else None)
    found: dict[str, Any] = _from_file(file) if file else {}
    for row in fields(Settings):
        variable = PREFIX + row.name.upper()
        if variable in environ:
            found[row.name] = _converted(row.name, environ[variable], variable)
    found |= {name: value for name, value in (flags or {}).items() if value is not None}
    _refuse_impossible(found)
    settings = Settings(**found)
    if not settings.database:
        settings = Settings(**(found | {"database": f"sqlite:///{data_folder(environ) / 'ingest.db'}"}))
    return settings


def data_folder(environ: Mapping[str, str]) -> Path:
    """The user's data folder (XDG Base Directory Specification), or its counterpart on Windows."""
    if base := environ.get("XDG_DATA_HOME") or environ.get("LOCALAPPDATA"):
        return Path(base) / "cleanside"
    return Path.home() / ".local" / "share" / "cleanside"


def add_arguments(parser: argparse.ArgumentParser, *names: str) -> None:
    """One flag for each setting, or for those named."""
    parser.add_argument("--config", type=Path, metavar="FILE", help="settings in TOML")
    for row in fields(Settings):
        if names and row.name not in names:
            continue
        default = f" (default: {row.default})" if row.default != "" else ""
        parser.add_argument(
            "--" + row.name.replace("_", "-"),
            type=type(row.default),
            metavar=type(row.default).__name__.upper(),
            help=f"{row.metadata['help']}{default}; {PREFIX}{row.name.upper()}",
        )


def from_arguments(arguments: argparse.Namespace) -> Settings:
    """The settings of a command whose flags came from `add_arguments`."""
    names = {row.name for row in fields(Settings)}
    flags = {name: value for name, value in vars(arguments).items() if name in names}
    return load(flags=flags, config=arguments.config)


def _from_file(path: Path) -> dict[str, Any]:
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise CalledWrongly(f"{path}: cannot be read ({why(error)}); check --config") from error
    except (tomllib.TOMLDecodeError, UnicodeError) as error:
        raise CalledWrongly(f"{path}: is not TOML ({why(error)}); correct it") from error
    known = {row.name for row in fields(Settings)}
    if strange := document.keys() - known:
        raise CalledWrongly(
            f"{path}: {', '.join(sorted(strange))} is no setting; there are {', '.join(sorted(known))}"
        )
    return {name: _converted(name, value, f"{path}: {name}") for name, value in document.items()}


def _refuse_impossible(found: Mapping[str, Any]) -> None:
    # Else a port of 99999 is taken modulo 65536.
    for name, value in found.items():
        highest = _HIGHEST.get(name)
        if type(value) is int and not 0 <= value <= (value if highest is None else highest):
            bound = "from 0 up" if highest is None else f"from 0 to {highest}"
            raise CalledWrongly(f"{name} is {value}; it must be a whole number {bound}")


def _converted(name: str, value: Any, where: str) -> Any:
    number = any(row.name == name and type(row.default) is int for row in fields(Settings))
    if not number and isinstance(value, str):
        return value
    if number and type(value) is int:
        return value
    if number and isinstance(value, str) and value.strip().isdecimal():
        return int(value)
    raise CalledWrongly(f"{where} is {value!r}; it must be {'a whole number' if number else 'a text'}")
