"""
The command `install-service`: write the unit that systemd starts a gateway by, after showing it.

Promises: it shows what it writes, and writes only after a yes; an existing unit that differs is kept beside
the new one. Leaves to others: starting it (systemctl), the settings and the key.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Final

from cleanside.gateway.errors import CalledWrongly, why

UNIT_NAME: Final = "cleanside-gateway@.service"
UNIT_FOLDER: Final = Path("/etc/systemd/system")  # for units of the administrator (systemd.unit(5))
_STARTS: Final = "ExecStart=/usr/bin/env cleanside-gateway "


def unit_text(command: Path) -> str:
    """The unit of this package, starting the command at this path."""
    shipped = files("cleanside.gateway").joinpath(UNIT_NAME).read_text(encoding="utf-8")
    return shipped.replace(_STARTS, f"ExecStart={command} ")


def install(
    folder: Path, text: str, *, agree: Callable[[str], bool], say: Callable[[str], None], device: str
) -> bool:
    """
    Show the unit and, if `agree` says so, write it into `folder`. False: it was not agreed to.

    Raises CalledWrongly where it cannot be written.
    """
    path = folder / UNIT_NAME
    if is_there(path, text):
        say(f"{path} is there already, as it should be")
    else:
        say(f"{path}:\n\n{text}")
        if not agree(f"Write {path}?"):
            return False
        write(path, text)
        say(f"written: {path}")
    say(next_steps(device))
    return True


def is_there(path: Path, text: str) -> bool:
    """True where the unit has this text already."""
    return path.exists() and path.read_text(encoding="utf-8") == text


def next_steps(device: str) -> str:
    """What to do once the unit is there."""
    return (
        f"settings go to /etc/cleanside/{device}.toml, the key to /etc/cleanside/{device}.key (mode 0600);\n"
        "then:\n"
        f"systemctl daemon-reload\nsystemctl enable --now {UNIT_NAME.replace('@', f'@{device}')}"
    )


def write(path: Path, text: str) -> None:
    """Write the unit; one that was there stays beside it. Raises CalledWrongly where it cannot be written."""
    if not path.parent.is_dir():
        raise CalledWrongly("unit_folder_missing", folder=path.parent)
    new = path.with_name(f"{path.name}.new")
    try:
        if path.exists():
            path.with_name(f"{path.name}.before").write_text(path.read_text(encoding="utf-8"), "utf-8")
        new.write_text(text, "utf-8")
        new.replace(path)
    except OSError as error:
        raise CalledWrongly(f"{path} cannot be written ({why(error)}); run it as root") from error
