"""
The settings of the gateway: one table, from which file key, environment variable, flag and help come.

Leaves to others: how a table is read (`gateway.setting_table`), what sources do with their options
(`gateway.sources`). The key of the device is never a flag.
"""

from __future__ import annotations

import argparse
import logging
import os
import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from cleanside.gateway.beside.http_listener import address_of
from cleanside.gateway.errors import SettingsWrong
from cleanside.gateway.private import check_key, read_key
from cleanside.gateway.setting_table import (
    FILE,
    NotASetting,
    Table,
    days,
    file_path,
    one_of,
    row,
    seconds,
    switch,
    text,
    whole,
)
from cleanside.gateway.spool.queue import MAX_BATCH_BYTES, MAX_BATCH_READINGS
from cleanside.gateway.spool.spool_on_disk import DEFAULT_BUDGET_BYTES
from cleanside.gateway.uplink.loop import DEFAULT_ASK_EVERY_S, DEFAULT_LINGER_S
from cleanside.gateway.wire import MAX_READINGS, is_name

KEY_VARIABLE: Final = "CLEANSIDE_GATEWAY_KEY"
OLD_KEY_VARIABLE: Final = "CLEANSIDE_KEY"  # read for one release
SOURCES_VARIABLE: Final = "CLEANSIDE_GATEWAY_SOURCES"
DEFAULT_STOP_WAIT_S = 60.0  # chosen: a card that is mounted again or a full disk that is cleared takes less
#: settings and state of the services, of the unit that the package brings
OF_UNIT = Path("/etc/cleanside"), Path("/var/lib/cleanside")
CREDENTIAL = "cleanside-key"  # the name of the systemd credential


def _name(value: Any) -> str:
    if not isinstance(value, str) or not is_name(value):
        raise NotASetting("not_a_name")
    return value


def _listen(value: Any) -> tuple[str, int]:
    if type(value) is int:
        value = str(value)
    if not isinstance(value, str):
        raise NotASetting("not_a_listen_address")
    return address_of(value)


#: units of gauges and plates (common practice, no source), by their own names in `gateway.units`
GAUGE_UNITS: Final = ("kPa", "hPa", "mbar", "inH2O", "mmH2O")


@dataclass(frozen=True, kw_only=True)
class Settings:
    """The settings of one gateway, read and checked."""

    device: str = field(
        metadata=row(_name, "Name of the device whose readings this is, as registered at the server.")
    )
    spool_path: Path = field(
        metadata=row(
            file_path,
            "File that holds the readings; default: <device>.spool in the state folder.",
            section="spool",
        )
    )
    spool_budget_bytes: int = field(
        default=DEFAULT_BUDGET_BYTES,
        metadata=row(
            whole(2**20, 2**50),
            "Room the readings and their log may take on disk [bytes], less where the file system has less; "
            "the oldest acknowledged go first.",
            section="spool",
        ),
    )
    spool_budget_days: float | None = field(
        default=None,
        metadata=row(
            days,
            "How long readings are kept [d]. Older acknowledged readings are deleted. Older waiting ones are "
            "thinned to what shows each hour, and the rest is declared. Absent: as long as the bytes allow.",
            section="spool",
        ),
    )
    uplink_server: str | None = field(
        default=None,
        metadata=row(text, "Address of the server, https://...; absent: collect only.", section="uplink"),
    )
    uplink_key_file: Path | None = field(
        default=None,
        metadata=row(
            file_path,
            f"File with the device's key; else the systemd credential {CREDENTIAL}, else {KEY_VARIABLE}.",
            section="uplink",
        ),
    )
    uplink_timeout_s: float = field(
        default=30.0,
        metadata=row(
            seconds,
            "Longest wait on the link [s]: to connect (10 at most), for the next part of a request to go "
            "out, and, once it is out, for the whole reply. A large batch on a slow link may take longer.",
            section="uplink",
        ),
    )
    uplink_linger_s: float = field(
        default=DEFAULT_LINGER_S,
        metadata=row(seconds, "How long to wait for more readings before sending [s].", section="uplink"),
    )
    uplink_ask_every_s: float = field(
        default=DEFAULT_ASK_EVERY_S,
        metadata=row(
            seconds,
            "Longest time until a restored server is noticed: all streams are asked about so often, "
            "and a wait after a failure is no longer [s].",
            section="uplink",
        ),
    )
    uplink_max_readings: int = field(
        default=MAX_BATCH_READINGS,
        metadata=row(whole(1, MAX_READINGS), "Most readings in one batch.", section="uplink"),
    )
    uplink_max_bytes: int = field(
        default=MAX_BATCH_BYTES,
        metadata=row(
            whole(1024, 4 * 2**20),
            "About how large a batch may get before it is compressed [bytes].",
            section="uplink",
        ),
    )
    uplink_ca_file: Path | None = field(
        default=None,
        metadata=row(file_path, "Certificates to trust instead of the system's (PEM).", section="uplink"),
    )
    uplink_certificate_file: Path | None = field(
        default=None,
        metadata=row(
            file_path,
            "The machine's own certificate, if the server asks for one (PEM).",
            section="uplink",
        ),
    )
    uplink_certificate_key_file: Path | None = field(
        default=None, metadata=row(file_path, "Its private key (PEM).", section="uplink")
    )
    beside_listen: tuple[str, int] | None = field(
        default=None,
        metadata=row(
            _listen,
            "Address and port of the page beside the machine, like 192.168.4.1:8480; a port alone is "
            "loopback. Absent: there is no page.",
            section="beside",
        ),
    )
    beside_address: str | None = field(
        default=None,
        metadata=row(
            text,
            "Where a phone finds the page, for the label, like http://192.168.4.1:8480; absent: at "
            "beside.listen.",
            section="beside",
        ),
    )
    beside_gauge_unit: str | None = field(
        default=None,
        metadata=row(
            one_of(*GAUGE_UNITS),
            f"Unit of the machine's gauge and change limit: {', '.join(GAUGE_UNITS)}. The page shows "
            "restriction in it too. Absent: in the monitor's own unit alone.",
            section="beside",
        ),
    )
    beside_code_file: Path | None = field(
        default=None,
        metadata=row(
            file_path,
            "File with the code of the label; made if there is none. Default: beside the spool.",
            section="beside",
        ),
    )
    run_stop_wait_s: float = field(
        default=DEFAULT_STOP_WAIT_S,
        metadata=row(
            seconds,
            "How long a stop waits while readings are only in memory because the disk takes no writes [s]; "
            "a service manager is asked for that time, beyond its TimeoutStopSec. "
            "A second signal ends the wait.",
            section="run",
        ),
    )
    run_exit_when_done: bool = field(
        default=False,
        metadata=row(
            switch, "End once every source has ended and everything is acknowledged.", section="run"
        ),
    )
    #: each a table with `use`, perhaps `name`, and the source's own options
    sources: Sequence[Mapping[str, Any]] = field(default_factory=tuple)

    @property
    def code_file(self) -> Path:
        """Where the code of the label is."""
        return self.beside_code_file or self.spool_path.with_name(f"{self.spool_path.name}.code")


TABLE: Final = Table(
    program="gateway",
    rows_of=Settings,
    error=SettingsWrong,
    more_variables=("key", "sources"),
    more_keys=("sources",),
    old_prefix="CLEANSIDE_",
)


def add_flags(parser: argparse.ArgumentParser, *names: str) -> None:
    """Give a command all settings as flags, or those named, with help from the table."""
    TABLE.add_flags(parser, *names)
    if names:
        return
    parser.add_argument(
        "--source",
        dest="sources",
        action="append",
        metavar="WORDS",
        help="A source and its options, like \"csv path=run.csv columns.dp='restriction kPa' step_s=0.1 "
        f'start=2026-03-02T06:00:00Z"; may be repeated. Or {SOURCES_VARIABLE}, one a line.',
    )


def load(
    flags: Mapping[str, Any], environ: Mapping[str, str], *, notify: Callable[[str], None] | None = None
) -> Settings:
    """
    Put the settings together. flags : name -> text as given, None where not. Raises SettingsWrong.

    notify : takes what to say about old names; None: the log.
    """
    values, own, environ = TABLE.read(flags, environ, notify or _log)
    sources = _sources(flags, environ, own.get("sources", []))
    if "device" not in values:
        raise SettingsWrong("device_not_set")
    named = flags.get(FILE) or environ.get(TABLE.variable(FILE))
    values.setdefault("spool_path", state_folder(environ, named) / f"{values['device']}.spool")
    return Settings(**values, sources=sources)


def _log(notice: str) -> None:
    logging.getLogger("cleanside.gateway").warning('gateway.setting reason="%s"', notice)


def _sources(
    flags: Mapping[str, Any], environ: Mapping[str, str], in_file: Any
) -> tuple[Mapping[str, Any], ...]:
    if not isinstance(in_file, list) or not all(isinstance(entry, dict) for entry in in_file):
        raise SettingsWrong("sources_not_a_list")
    lines = flags.get("sources") or [
        line for line in environ.get(SOURCES_VARIABLE, "").splitlines() if line.strip()
    ]
    entries = [parse_source(line) for line in lines] or in_file
    for entry in entries:
        if not isinstance(entry.get("use"), str):
            raise SettingsWrong("source_without_use")
    return tuple(entries)


def parse_source(line: str) -> dict[str, Any]:
    """Read a source from one line: `use key=value table.key=value ...`, quoted as in a shell."""
    try:
        use, *words = shlex.split(line) or [""]
    except ValueError as error:
        raise SettingsWrong("source_not_quoted", why=str(error)) from None
    entry: dict[str, Any] = {"use": use}
    for word in words:
        name, equals, value = word.partition("=")
        if not equals:
            raise SettingsWrong("source_option_not_a_pair", use=use, word=word)
        table, dot, key = name.partition(".")
        if dot:
            entry.setdefault(table, {})[key] = value
        else:
            entry[name] = value
    return entry


def state_folder(environ: Mapping[str, str], named: str | None) -> Path:
    """Where the spool lies unless a setting says otherwise. named : the file of settings that was named."""
    if folder := environ.get("STATE_DIRECTORY"):  # set by systemd for the unit
        return Path(folder.split(":")[0])
    settings_of_unit, state_of_unit = OF_UNIT
    if named and Path(named).absolute().parent == settings_of_unit:
        return state_of_unit  # `status` by hand asks after the service's spool
    home = environ.get("XDG_STATE_HOME")
    return (Path(home) if home else Path.home() / ".local/state") / "cleanside"


def key_reader(settings: Settings, environ: Mapping[str, str]) -> Callable[[], str]:
    """
    How the device's key is read: from `uplink.key_file`, else the credential, else the environment.

    A service has a user of its own, who cannot read the file that `enrol` wrote as root: there the service
    manager's copy of it, the credential, stands for it. Read at each call: a new key is used without a
    restart. Raises SettingsWrong if there is none, or one that HTTP cannot carry; no message holds any part
    of it (`gateway.private`).
    """
    path = settings.uplink_key_file
    credential = Path(environ.get("CREDENTIALS_DIRECTORY", os.devnull)) / CREDENTIAL
    if os.path.exists(credential):  # noqa: PTH110
        denied = path is not None and os.path.exists(path) and not os.access(path, os.R_OK)  # noqa: PTH110
        path = credential if path is None or denied else path
    key = (environ.get(KEY_VARIABLE) or environ.get(OLD_KEY_VARIABLE, "")).strip()
    if path is None and not key:
        raise SettingsWrong("no_key", device=settings.device, variable=KEY_VARIABLE)

    def read() -> str:
        if path is None:
            return check_key(key, where=KEY_VARIABLE)
        return read_key(path, check="uplink.key_file")

    read()
    return read
