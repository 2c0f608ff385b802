"""Every page, found by its file: a module of this folder with a router."""

from __future__ import annotations

import pkgutil
from functools import cache
from importlib import import_module

from cleanside.ingest import console
from cleanside.ingest.console.routing import PageRoute


@cache
def all_pages() -> tuple[PageRoute, ...]:
    """Every route of the console: those of each file of this folder that has a router."""
    names = sorted(file.name for file in pkgutil.iter_modules(console.__path__) if file.name != "every_page")
    modules = [import_module(f"{console.__name__}.{name}") for name in names]
    routers = [module.router for module in modules if hasattr(module, "router")]
    return tuple(route for router in routers for route in router.routes if isinstance(route, PageRoute))
