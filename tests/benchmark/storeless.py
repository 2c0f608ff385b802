"""
The server without its store: the same command, route, key, decoder, checks and answer, and nothing written.

    python -m tests.benchmark.storeless serve --database URL --port 0

For `bench_single`: what a request costs before anything is written. It acknowledges what it does not keep, so
it is good for nothing else.
"""

from __future__ import annotations

import asyncio
import sys
from typing import Any

from cleanside.ingest import cli
from cleanside.ingest.checking.incoming import Incoming
from cleanside.ingest.intake.answers import answer_of
from cleanside.ingest.store.marks import Marks
from cleanside.ingest.writer.writer import Writer


def answer_at_once(_writer: Writer, _work: Any, item: Incoming, **_: Any) -> asyncio.Future[Any]:
    """In the place of `Writer.post`: the answer that the batch would get."""
    done: asyncio.Future[Any] = asyncio.get_running_loop().create_future()
    highest = item.batch.seq[-1] if item.batch.seq else 0
    marks = Marks(mark=highest, highest=highest)
    done.set_result(answer_of(item.batch, marks, len(item.batch), 0, [], item.received_us))
    return done


if __name__ == "__main__":
    Writer.post = answer_at_once  # type: ignore[method-assign, assignment]
    sys.exit(cli.main(sys.argv[1:]))
