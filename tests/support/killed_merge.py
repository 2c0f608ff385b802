"""
A server's merging, killed (SIGKILL) at a named step between two of its joins; run by a test.

    python -m tests.support.killed_merge join.deleted:2 DATABASE

The step is one of `tests.support.dying_merger.STEPS`, and how often it is reached. Blocks are joined three
batches at a time, so what is left has joined blocks, small ones, and what a killed transaction leaves. The
lease of the killed process is left too.
"""

from __future__ import annotations

import sys

from cleanside.ingest.keeping import merge_choice, merging
from tests.support import dying_merger
from tests.support.serving import in_process

JOINED = 90  # readings of a joined block


def merge(step: str, url: str) -> None:
    """One pass, until it dies."""
    dying_merger.merge_without_pause()
    merge_choice.TO_BLOCKS = merge_choice.Sizes(small=JOINED, most=JOINED, many=None)
    dying_merger.put_in(dying_merger.NamedSteps(step))
    with in_process(url, tokens={}) as api:
        merging.merge(api.resources, set())


if __name__ == "__main__":
    merge(*sys.argv[1:])
