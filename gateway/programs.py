"""
Where the three commands begin: a part whose packages are not installed says so in a sentence.

Promises: loads the standard library alone, until a command's own modules are asked for.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from importlib import import_module


def gateway() -> int:
    """The command `cleanside-gateway`. Returns the exit code."""
    return begin("gateway")


def ingest() -> int:
    """The command `cleanside-ingest`. Returns the exit code."""
    return begin("ingest")


def simulator() -> int:
    """The command `cleanside-simulator`. Returns the exit code."""
    return begin("simulator")


def begin(part: str) -> int:
    """Load a program and run it; 2 where a package of others that it needs is not there."""
    try:
        main: Callable[[], int] = import_module(f"cleanside.{part}.cli").main
    except ModuleNotFoundError as error:
        package = (error.name or "").partition(".")[0]
        if package in {"", "cleanside"}:
            raise
        from cleanside.gateway.install_command import command_for  # here: most starts lack nothing

        # Not among the sentences of `error_texts`: they need packages too.
        needed = f"its package {package} is not installed here; {command_for(part)}"
        sys.stderr.write(f"cleanside-{part}: {needed}\n")
        return 2
    return main()
