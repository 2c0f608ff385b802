"""
The settings of the gateway: one table from which file key, environment variable, flag and help come.

Promises: flag before environment before file before default; an unknown key or a value that is not allowed is
refused with the place it stands at, the rule and the next step. The key of the device is never a flag.
Leaves to others: what sources do with their options (`gateway.sources`).
"""

from __future__ import annotations

import argparse
import os
import shlex
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cleanside.gateway.errors import SettingsWrong, why
from cleanside.gateway.private import check_key, read_key
from cleanside.gateway.spool.queue import DEFAULT_BUDGET_BYTES, MAX_BATCH_BYTES, MAX_BATCH_READINGS
from cleanside.gateway.uplink.loop import DEFAULT_ASK_EVERY_S, DEFAULT_LINGER_S
from cleanside.gateway.wire import MAX_READINGS, is_name

PREFIX = "CLEANSIDE_"
KEY_VARIABLE = "CLEANSIDE_KEY"
DEFAULT_STOP_WAIT_S = 60.0  # chosen: a card that is mounted again or a full disk that is cleared takes less
CREDENTIAL = "cleanside-key"  # the name of the systemd credential


@dataclass(frozen=True, slots=True)
class Setting:
    """One row: where `name` is "spool.path", the flag is --spool-path, the variable CLEANSIDE_SPOOL_PATH."""

    name: str
    read: Callable[[Any], Any]
    default: Any
    sentence: str

    @property
    def flag(self) -> str:
        """The command's flag."""
        return "--" + self.name.replace(".", "-").replace("_", "-")

    @property
    def variable(self) -> str:
        """The environment variable."""
        return PREFIX + self.name.replace(".", "_").upper()

    @property
    def attribute(self) -> str:
        """The attribute of `Settings`."""
        return self.name.replace(".", "_")


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value:
        raise ValueError("is not a text")
    return value


def _name(value: Any) -> str:
    if not isinstance(value, str) or not is_name(value):
        raise ValueError("is not a name of 1 to 64 characters from A-Z a-z 0-9 - : . _")
    return value


def _path(value: Any) -> Path:
    return Path(_text(value)).expanduser()


def _whole(lowest: int, highest: int) -> Callable[[Any], int]:
    def read(value: Any) -> int:
        number = int(value) if isinstance(value, str) and value.isdecimal() else value
        if type(number) is not int or not lowest <= number <= highest:
            raise ValueError(f"is not a whole number from {lowest} to {highest}")
        return number

    return read


def _seconds(value: Any) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise ValueError("is not a number of seconds") from None
    if isinstance(value, bool) or not 0 < number <= 86_400:
        raise ValueError("is not a number of seconds above 0 and up to 86400")
    return number


def _days(value: Any) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise ValueError("is not a number of days") from None
    if isinstance(value, bool) or not 1 <= number <= 36_500:
        raise ValueError("is not a number of days from 1 to 36500")
    return number


def _switch(value: Any) -> bool:
    if value in (True, "true", "1", "yes"):
        return True
    if value in (False, "false", "0", "no"):
        return False
    raise ValueError("is neither true nor false")


TABLE: tuple[Setting, ...] = (
    Setting("device", _name, None, "Name of the device whose readings this is, as registered at the server."),
    Setting(
        "spool.path",
        _path,
        None,
        "File that holds the readings; default: <device>.spool in the state folder.",
    ),
    Setting(
        "spool.budget_bytes",
        _whole(2**20, 2**50),
        DEFAULT_BUDGET_BYTES,
        "Room the readings and their log may take on disk [bytes], less where the file system has less; "
        "the oldest acknowledged go first.",
    ),
    Setting(
        "spool.budget_days",
        _days,
        None,
        "How long readings are held [d]: of older ones the acknowledged go, those that wait are thinned to "
        "what tells each hour, and declared; absent: as long as the bytes allow.",
    ),
    Setting("uplink.server", _text, None, "Address of the server, https://...; absent: collect only."),
    Setting(
        "uplink.key_file",
        _path,
        None,
        f"File with the device's key; else the systemd credential {CREDENTIAL}, else {KEY_VARIABLE}.",
    ),
    Setting("uplink.timeout_s", _seconds, 30.0, "Longest time for one exchange with the server [s]."),
    Setting(
        "uplink.linger_s", _seconds, DEFAULT_LINGER_S, "How long a new reading may wait for company [s]."
    ),
    Setting(
        "uplink.ask_every_s",
        _seconds,
        DEFAULT_ASK_EVERY_S,
        "Longest time until a restored server is noticed: all streams are asked about so often [s].",
    ),
    Setting(
        "uplink.max_readings", _whole(1, MAX_READINGS), MAX_BATCH_READINGS, "Most readings in one batch."
    ),
    Setting(
        "uplink.max_bytes",
        _whole(1024, 4 * 2**20),
        MAX_BATCH_BYTES,
        "About how large a batch may get before it is compressed [bytes].",
    ),
    Setting("uplink.ca_file", _path, None, "Certificates to trust instead of the system's (PEM)."),
    Setting(
        "uplink.certificate_file",
        _path,
        None,
        "The machine's own certificate, if the server asks for one (PEM).",
    ),
    Setting("uplink.certificate_key_file", _path, None, "Its private key (PEM)."),
    Setting(
        "run.stop_wait_s",
        _seconds,
        DEFAULT_STOP_WAIT_S,
        "How long a stop waits while readings are only in memory because the disk takes no writes [s]; a "
        "service manager is asked for that time, beyond its TimeoutStopSec. A second signal ends the wait.",
    ),
    Setting(
        "run.exit_when_done",
        _switch,
        False,
        "End once every source has ended and everything is acknowledged.",
    ),
)


@dataclass(frozen=True, kw_only=True)
class Settings:
    """The settings of one gateway, read and checked."""

    device: str
    spool_path: Path
    spool_budget_bytes: int = DEFAULT_BUDGET_BYTES
    spool_budget_days: float | None = None
    uplink_server: str | None = None
    uplink_key_file: Path | None = None
    uplink_timeout_s: float = 30.0
    uplink_linger_s: float = DEFAULT_LINGER_S
    uplink_ask_every_s: float = DEFAULT_ASK_EVERY_S
    uplink_max_readings: int = MAX_BATCH_READINGS
    uplink_max_bytes: int = MAX_BATCH_BYTES
    uplink_ca_file: Path | None = None
    uplink_certificate_file: Path | None = None
    uplink_certificate_key_file: Path | None = None
    run_stop_wait_s: float = DEFAULT_STOP_WAIT_S
    run_exit_when_done: bool = False
    #: each a table with `use`, perhaps `name`, and the source's own options
    sources: Sequence[Mapping[str, Any]] = field(default_factory=tuple)


def add_flags(parser: argparse.ArgumentParser, *names: str) -> None:
    """Give a command all settings as flags, or those named, with help from the table."""
    parser.add_argument("--settings", metavar="FILE", help=f"Settings file (TOML); or {PREFIX}SETTINGS.")
    for row in TABLE:
        if names and row.name not in names:
            continue
        default = "" if row.default is None else f" Default: {row.default}."
        parser.add_argument(
            row.flag,
            dest=row.name,
            metavar="VALUE",
            help=f"{row.sentence}{default} Or {row.variable}.".replace("%", "%%"),
        )
    if names:
        return
    parser.add_argument(
        "--source",
        dest="sources",
        action="append",
        metavar="WORDS",
        help="A source and its options, like \"csv path=run.csv columns.dp='restriction kPa' step_s=0.1 "
        f'start=2026-03-02T06:00:00Z"; may be repeated. Or {PREFIX}SOURCES, one a line.',
    )


def load(flags: Mapping[str, Any], environ: Mapping[str, str]) -> Settings:
    """
    Put the settings together. flags : name -> text as given, None where not. Raises SettingsWrong.
    """
    file_name = flags.get("settings") or environ.get(PREFIX + "SETTINGS")
    document = _read_file(Path(file_name)) if file_name else {}
    given: dict[str, Any] = {}
    for row in TABLE:
        place, value = _find(row, flags, environ, document, str(file_name))
        given[row.attribute] = row.default if value is None else _checked(row, place, value)
    sources = _sources(flags, environ, document)
    _refuse_rest(document, str(file_name))
    if given["device"] is None:
        raise SettingsWrong(
            "device is not set; set --device, CLEANSIDE_DEVICE or device in the settings file"
        )
    given["spool_path"] = given["spool_path"] or _state_folder(environ) / f"{given['device']}.spool"
    return Settings(**given, sources=sources)


def _read_file(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except OSError as error:
        raise SettingsWrong(f"{path} cannot be read ({why(error)}); check --settings") from error
    except (tomllib.TOMLDecodeError, UnicodeError) as error:
        raise SettingsWrong(
            f"{path} is not TOML ({why(error)}); mend the file, or check --settings"
        ) from error


def _find(
    row: Setting,
    flags: Mapping[str, Any],
    environ: Mapping[str, str],
    document: dict[str, Any],
    file_name: str,
) -> tuple[str, Any]:
    section, _, key = row.name.rpartition(".")
    table = document.get(section, {}) if section else document
    in_file = table.pop(key, None) if isinstance(table, dict) else None
    if flags.get(row.name) is not None:
        return row.flag, flags[row.name]
    if row.variable in environ:
        return row.variable, environ[row.variable]
    return f"{file_name}: {f'[{section}] ' if section else ''}{key}", in_file


def _checked(row: Setting, place: str, value: Any) -> Any:
    try:
        return row.read(value)
    except ValueError as error:
        raise SettingsWrong(f'{place} "{value}" {error}; {row.sentence}') from None


def _sources(
    flags: Mapping[str, Any], environ: Mapping[str, str], document: dict[str, Any]
) -> tuple[Mapping[str, Any], ...]:
    in_file = document.pop("sources", [])
    if not isinstance(in_file, list) or not all(isinstance(entry, dict) for entry in in_file):
        raise SettingsWrong("sources is not a list of tables; write each as [[sources]]")
    lines = flags.get("sources") or [
        line for line in environ.get(PREFIX + "SOURCES", "").splitlines() if line.strip()
    ]
    entries = [parse_source(line) for line in lines] or in_file
    for entry in entries:
        if not isinstance(entry.get("use"), str):
            raise SettingsWrong('a source has no use; add use = "csv" or another one')
    return tuple(entries)


def parse_source(line: str) -> dict[str, Any]:
    """Read a source from one line: `use key=value table.key=value ...`, quoted as in a shell."""
    try:
        use, *words = shlex.split(line) or [""]
    except ValueError as error:
        raise SettingsWrong(
            f"a source is not quoted as in a shell ({error}); write it like: csv path=run.csv"
        ) from None
    entry: dict[str, Any] = {"use": use}
    for word in words:
        name, equals, value = word.partition("=")
        if not equals:
            raise SettingsWrong(f'source {use}: "{word}" is not key=value; write it like path=run.csv')
        table, dot, key = name.partition(".")
        if dot:
            entry.setdefault(table, {})[key] = value
        else:
            entry[name] = value
    return entry


def _refuse_rest(document: Mapping[str, Any], file_name: str) -> None:
    rest = [key for key, value in document.items() if value != {}]
    if rest:
        names = ", ".join(row.name for row in TABLE)
        raise SettingsWrong(
            f"{file_name}: {', '.join(rest)} has unknown keys; there are: {names}, [[sources]]"
        )


def _state_folder(environ: Mapping[str, str]) -> Path:
    if folder := environ.get("STATE_DIRECTORY"):  # set by systemd for the unit
        return Path(folder.split(":")[0])
    home = environ.get("XDG_STATE_HOME")
    return (Path(home) if home else Path.home() / ".local/state") / "cleanside"


def key_reader(settings: Settings, environ: Mapping[str, str]) -> Callable[[], str]:
    """
    How the device's key is read: from `uplink.key_file`, else the credential, else the environment.

    Read at each call: a new key is used without a restart. Raises SettingsWrong if there is none, or one
    that HTTP cannot carry; no message holds any part of it (`gateway.private`).
    """
    path = settings.uplink_key_file
    folder = environ.get("CREDENTIALS_DIRECTORY")
    if path is None and folder and os.path.exists(os.path.join(folder, CREDENTIAL)):  # noqa: PTH110, PTH118
        path = Path(folder) / CREDENTIAL
    key = environ.get(KEY_VARIABLE, "").strip()
    if path is None and not key:
        raise SettingsWrong(f"no key of {settings.device} is given; set uplink.key_file or {KEY_VARIABLE}")

    def read() -> str:
        if path is None:
            return check_key(key, where=KEY_VARIABLE)
        return read_key(path, check="uplink.key_file")

    read()
    return read
