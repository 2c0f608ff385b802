"""How many made-up examples the dearest properties are tried on, in the short run and in the long one."""

from __future__ import annotations

import os


def examples(short: int, long: int) -> int:
    """So many in `.ci/run`, and so many in `.ci/run all`, which sets CLEANSIDE_MORE_EXAMPLES."""
    return long if os.environ.get("CLEANSIDE_MORE_EXAMPLES") else short
