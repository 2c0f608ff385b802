"""
cleanside: readings of air-filter restriction, kept on the machine, brought to the shop, turned into dates.

Installed, this file is `cleanside/__init__.py`. For integrators: `from cleanside import Client, Reading`.
Promises: importing it loads nothing; a name loads its module when it is first asked for, so that each
program brings only the libraries of its own extra.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from cleanside.gateway.client.client import Client
    from cleanside.gateway.wire import Reading

_HOMES = {
    "Client": "cleanside.gateway.client.client",
    "Reading": "cleanside.gateway.wire",
}

__all__ = ["Client", "Reading"]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
