"""
The server up to its decoder: the same command, route, key, body and answer; nothing is decoded or written.

    python -m tests.benchmark.undecoded serve --database URL --port 0

For `bench_budget`: what a request costs before anybody looks into its body. The first batch is decoded, and
every other one is answered as if it were that one.
"""

from __future__ import annotations

import sys
from typing import Any

from cleanside.ingest import cli
from cleanside.ingest.api.routes import readings
from cleanside.ingest.checking.incoming import Incoming
from cleanside.ingest.writer.writer import Writer
from tests.benchmark.storeless import answer_at_once

_decoded = readings._incoming
_first: list[Incoming] = []


async def first_of_all(*given: Any) -> Incoming:
    """In the place of `_incoming`: the first batch again and again."""
    if not _first:
        _first.append(await _decoded(*given))
    return _first[0]


if __name__ == "__main__":
    readings._incoming = first_of_all  # type: ignore[assignment]
    Writer.post = answer_at_once  # type: ignore[method-assign, assignment]
    sys.exit(cli.main(sys.argv[1:]))
