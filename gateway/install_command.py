"""
How a part of the package that is not installed is added.

Promises: loads the standard library alone. Leaves to others: finding that it is not there.
"""

from __future__ import annotations

import json
from importlib.metadata import PackageNotFoundError, distribution
from urllib.parse import unquote, urlsplit


def command_for(part: str) -> str:
    """
    The command that installs a part of the package, from where the package itself came.

    part : an extra, like "gateway". From a clone or a wheel it names that (PEP 610, `direct_url.json`).
    """
    try:
        origin = json.loads(distribution("cleanside").read_text("direct_url.json") or "{}")
    except (PackageNotFoundError, ValueError):
        origin = {}
    url = urlsplit(origin.get("url", ""))
    source = unquote(url.path) if url.scheme == "file" else "cleanside"
    editable = "-e " if origin.get("dir_info", {}).get("editable") else ""
    return f"pip install {editable}'{source}[{part}]'"
