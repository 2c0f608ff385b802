"""
The machine and disk of a spool, to recognise a copy.

A copied spool, or a disk image in many machines, would continue the numbering of its original. A change of
these traits shows it before a number is used twice.
Promises: reads only; unknown traits are left out and prove nothing. An old image of a whole disk in its own
machine shows no change: there the server's answers show it.
Leaves to others: opening a new stream (`gateway.spool.queue`).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Final

#: trait -> value; of a machine: the ids of system and board; of the file: its number on the disk
Traits = Mapping[str, str]
FindTraits = Callable[[Path], Traits]

_MACHINE: Final = (Path("/etc/machine-id"),)  # machine-id(5)
_BOARD: Final = (
    Path("/sys/firmware/devicetree/base/serial-number"),
    Path("/sys/class/dmi/id/product_uuid"),  # root alone may read it
    Path("/sys/class/dmi/id/board_serial"),
)
_MOUNTS: Final = Path("/proc/self/mountinfo")  # proc_pid_mountinfo(5)
#: file systems on which a file keeps its number when they are mounted again
_KEEPS_NUMBERS: Final = frozenset({"ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "ubifs", "jffs2"})


def traits_of(path: Path) -> Traits:
    """The traits of this machine and of the file at `path`, as far as they can be learned."""
    traits = {"machine": _first_text(_MACHINE), "board": _first_text(_BOARD), "file": _file_number(path)}
    return {name: value for name, value in traits.items() if value}


def _first_text(paths: tuple[Path, ...]) -> str:
    for path in paths:
        with suppress(OSError, ValueError):
            if text := path.read_text(encoding="ascii").strip("\0\n "):
                return text
    return ""


def _file_number(path: Path) -> str:
    with suppress(OSError, ValueError):
        state = path.resolve().stat()
        if _file_system(path.resolve()) in _KEEPS_NUMBERS:
            return str(state.st_ino)
    return ""


def _file_system(path: Path) -> str:
    """The kind of file system that a path lies on: that of the longest mount point above it."""
    kinds = {}
    for line in _MOUNTS.read_text().splitlines():
        head, _, tail = line.partition(" - ")
        kinds[Path(head.split()[4])] = tail.split()[0]
    return next((kinds[above] for above in path.parents if above in kinds), "")


def as_traits(text: object) -> Traits:
    """Traits in a spool's note; none where there is no note, or it is not as it was written."""
    with suppress(ValueError, TypeError):
        traits = json.loads(text)  # type: ignore[arg-type]  # what is no text is none
        if isinstance(traits, dict):
            return {name: value for name, value in traits.items() if isinstance(value, str)}
    return {}


def differing(before: Traits, now: Traits) -> list[str]:
    """Names of traits that are known of both and differ. Pure."""
    return sorted(name for name in before.keys() & now.keys() if before[name] != now[name])
