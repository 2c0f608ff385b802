"""
Folders that a unit of ours cannot see: it has PrivateTmp and ProtectHome (systemd.exec(5)).

Promises: pure but for the resolving of links. Leaves to others: the sentence, and writing the unit.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from importlib.resources import files
from pathlib import Path

HIDDEN = tuple(map(Path, ("/tmp", "/var/tmp", "/home", "/root", "/run/user")))  # compared alone


def parts_of(command: Path, package: Path) -> tuple[Path, ...]:
    """What a command needs to start: itself, where it is a link its target, Python, and its package."""
    return command, command.resolve(), Path(sys.executable).resolve(), package.resolve()


def hidden_part(parts: Iterable[Path]) -> Path | None:
    """The first of these paths that a unit cannot see; None: it sees all of them."""
    return next((part for part in parts if any(part.is_relative_to(folder) for folder in HIDDEN)), None)


def require_visible(
    command: Path,
    package: str,
    *,
    is_used: bool,
    refusal: Callable[[Path], Exception],
    say: Callable[[str], None],
) -> None:
    """
    Raise `refusal`, of the hidden part, where systemd would not see the command of a package.

    is_used : systemd reads the unit where it is written; else it is only said.
    """
    part = hidden_part(parts_of(command, Path(str(files(package)))))
    if part is None:
        return
    wrong = refusal(part)
    if is_used:
        raise wrong
    say(str(wrong))
