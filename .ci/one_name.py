"""
Build hook: everything installed lies under the one name `cleanside`.

A wheel gets `gateway/cleanside.py` as `cleanside/__init__.py`, and `py.typed` beside it. An editable install
points at `.links`, where `cleanside` is a folder of links to the folders of the repository: no build backend
can rewrite a prefix in an editable install, and type checkers follow folders, not import hooks.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

#: the documents as a site: git leaves it out, and what is built brings it along where it is there
SITE = "ingest/docs/site"
ROOMS = ("gateway", "ingest", "migrations", "simulator")
#: file of the repository -> its place under `cleanside`
FILES = {"gateway/cleanside.py": "__init__.py", "gateway/py.typed": "py.typed"}


class OneName(BuildHookInterface):  # type: ignore[type-arg]
    """Found by hatchling through `tool.hatch.build.hooks.custom`."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """version : "standard" for a wheel or sdist, "editable" for a checkout that is worked in."""
        root = Path(self.root)
        if version != "editable" and (root / SITE).is_dir():
            place = SITE if self.target_name == "sdist" else f"cleanside/{SITE}"
            build_data["force_include"][str(root / SITE)] = place
        if self.target_name != "wheel":
            return
        if version == "editable":
            link_rooms(root)
        else:
            for source, place in FILES.items():
                build_data["force_include"][str(root / source)] = f"cleanside/{place}"


def link_rooms(root: Path) -> None:
    """Make `.links/cleanside`, or bring it up to date. Links are relative: the checkout may be moved."""
    folder = root / ".links" / "cleanside"
    folder.mkdir(parents=True, exist_ok=True)
    wanted = {room: room for room in ROOMS} | {place: source for source, place in FILES.items()}
    for name, source in wanted.items():
        link(folder / name, Path("..") / ".." / source)
    for stray in {entry.name for entry in folder.iterdir()} - {*wanted, "__pycache__"}:
        (folder / stray).unlink()


def link(place: Path, target: Path) -> None:
    """A symbolic link at a place, replacing an older one."""
    if place.is_symlink() and place.readlink() == target:
        return
    place.unlink(missing_ok=True)
    place.symlink_to(target)


def get_build_hook() -> type[BuildHookInterface]:  # type: ignore[type-arg]
    """The entry point that hatchling looks for."""
    return OneName
