"""
A command's output that is cut off by its reader: `cleanside-ingest account | head -3`.

Promises: no traceback and no message, whatever was written when the reader went; the exit code says it.
Leaves to others: what is written.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import Final

EXIT_CUT_OFF: Final = 141  # 128 + SIGPIPE, as a shell reports any program that its reader left


def until_cut_off(command: Callable[[], int]) -> int:
    """Run `command`; returns its exit code, or EXIT_CUT_OFF if its reader went away."""
    try:
        try:
            return command()
        finally:  # also after --help, which ends by SystemExit: else the interpreter meets it at its very end
            sys.stdout.flush()
            sys.stderr.flush()
    except BrokenPipeError:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        for stream in (sys.stdout, sys.stderr):
            os.dup2(nowhere, stream.fileno())  # what is still buffered goes there at the end
        os.close(nowhere)
        return EXIT_CUT_OFF
