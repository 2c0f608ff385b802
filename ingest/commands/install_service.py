"""The command `install-service`: write the unit that systemd starts the server by, after showing it."""

from __future__ import annotations

import argparse
import shutil
import sys
from importlib.resources import files
from pathlib import Path
from typing import Any

from cleanside.gateway.unit_places import require_visible
from cleanside.ingest.errors import CalledWrongly, why

UNIT_NAME = "cleanside-ingest.service"
UNIT_FOLDER = Path("/etc/systemd/system")  # for units of the administrator (systemd.unit(5))
USER = "cleanside-ingest"
NEXT_STEPS = f"""\
its user, once:
  useradd --system --shell /usr/sbin/nologin {USER}
settings go to /etc/cleanside/ingest.toml; its user owns them, and each secret file that they name:
  chown {USER}: /etc/cleanside/ingest.toml
  chmod 600 /etc/cleanside/ingest.toml
then:
  systemctl daemon-reload
  systemctl enable --now cleanside-ingest"""
_STARTS = "ExecStart=/usr/bin/env cleanside-ingest "


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "install-service", help="show the systemd unit, ask, and write it; exit code 1 if you decline"
    )
    parser.add_argument("--yes", action="store_true", help="write it without asking")
    parser.add_argument("--folder", type=Path, default=UNIT_FOLDER, help=f"default: {UNIT_FOLDER}")
    parser.set_defaults(run=run_install)


def run_install(given: argparse.Namespace) -> int:
    """Show, ask, write. Exit code 1 if it was not agreed to."""
    command = _own_command()
    require_visible(
        command,
        "cleanside.ingest",
        is_used=given.folder == UNIT_FOLDER,
        refusal=lambda part: CalledWrongly("command_hidden", part=part),
        say=_say,
    )
    path, text = given.folder / UNIT_NAME, unit_text(command)
    if _is_there(path, text):
        print(f"{path} is there already, as it should be")
    else:
        print(f"{path}:\n\n{text}")
        if not (given.yes or _agrees(f"Write {path}?")):
            return 1
        _write(path, text)
        print(f"written: {path}")
    print(NEXT_STEPS)
    return 0


def _is_there(path: Path, text: str) -> bool:
    """True where the unit has this text already."""
    return path.exists() and path.read_text(encoding="utf-8") == text


def _agrees(question: str) -> bool:
    return input(f"{question} [y/N] ").strip().lower() in ("y", "yes")


def unit_text(command: Path) -> str:
    """The unit of this package, starting the command at this path."""
    shipped = files("cleanside.ingest").joinpath(UNIT_NAME).read_text(encoding="utf-8")
    return shipped.replace(_STARTS, f"ExecStart={command} ")


def _say(words: str) -> None:
    print(words, file=sys.stderr)


def _own_command() -> Path:
    return Path(shutil.which("cleanside-ingest") or sys.argv[0]).absolute()


def _write(path: Path, text: str) -> None:
    new = path.with_name(f"{path.name}.new")
    try:
        if path.exists():
            path.with_name(f"{path.name}.before").write_text(path.read_text(encoding="utf-8"), "utf-8")
        new.write_text(text, "utf-8")
        new.replace(path)
    except OSError as error:
        raise CalledWrongly(f"{path} cannot be written ({why(error)}); run it as root") from error
