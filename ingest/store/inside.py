"""
Names from a manifest, a table or a bundle as paths: inside their folder, or refused.

Promises: a path that is returned lies in the folder by resolution, and no part of it below the folder is a
symbolic link. Nothing is opened or made here.
"""

from __future__ import annotations

from pathlib import Path, PurePosixPath

from cleanside.ingest.errors import CalledWrongly


class PathOutside(CalledWrongly):
    """A name leads out of its folder, or through a link."""


def path_inside(folder: Path, name: str) -> Path:
    """
    The path of `name` inside `folder`; it need not exist.

    name : relative, with / between its parts. Raises PathOutside for any other, or one that meets a link.
    """
    parts = PurePosixPath(name).parts
    plain = name == "/".join(parts) and not {"", ".", ".."} & set(name.split("/"))
    if not plain or name.startswith("/") or "\\" in name or "\0" in name:
        raise PathOutside(f"{name!r} is not a plain name inside {folder}; nothing was read or written")
    path = folder
    for part in parts:
        path = path / part
        if path.is_symlink():
            raise PathOutside(f"{path} is a symbolic link; put the file itself there")
    if not path.resolve().is_relative_to(folder.resolve()):
        raise PathOutside(f"{name!r} leads out of {folder}; nothing was read or written")
    return path
