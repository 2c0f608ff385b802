"""Log lines are events, one line each, and cannot fill the disk."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.gateway.log import (
    BURST,
    HTTP_CLIENTS,
    LONGEST,
    MOST_LINES,
    EventLog,
    OthersBounded,
    silence_http_clients,
)
from cleanside.ingest import log as ingest_log


class Lines:
    def __init__(self) -> None:
        self.now_us = 0
        self.lines: list[str] = []
        self.log = EventLog(now_us=lambda: self.now_us, write=lambda _, line: self.lines.append(line))


def test_a_line_is_the_name_of_the_event_and_its_fields() -> None:
    made = Lines()
    made.log("gateway.batch_refused", reason="status 422", stream="019a", first=3)
    assert made.lines == ['gateway.batch_refused reason="status 422" stream=019a first=3']


def test_a_field_cannot_break_the_line() -> None:
    made = Lines()
    made.log("gateway.line_not_read", line="a\nb=c")
    assert made.lines == ['gateway.line_not_read line="a\\nb=c"']


def test_too_many_of_one_event_are_left_out_and_counted_with_the_next() -> None:
    made = Lines()
    for _ in range(1000):
        made.log("gateway.no_answer")
    made.log("gateway.rewound")
    assert len(made.lines) == BURST + 1
    made.now_us += 61_000_000
    made.log("gateway.no_answer")
    assert made.lines[-1] == f"gateway.no_answer left_out={1000 - BURST}"


def test_without_a_writer_events_go_to_the_logger(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO):
        EventLog(now_us=lambda: 0)("gateway.started", device="grader-07-intake")
    assert caplog.messages == ["gateway.started device=grader-07-intake"]


def test_of_all_events_together_there_are_so_many_lines_a_minute_and_no_more() -> None:
    made = Lines()
    for number in range(1000):
        made.log(f"gateway.event_{number}")
    assert len(made.lines) == MOST_LINES
    made.now_us += 61_000_000
    made.log("gateway.event_0")
    assert len(made.lines) == MOST_LINES + 1


def test_an_event_that_is_left_out_uses_up_nothing_of_what_others_may_say() -> None:
    made = Lines()
    for _ in range(10 * MOST_LINES):
        made.log("gateway.no_answer")
    made.log("gateway.rewound")
    assert made.lines[-1] == "gateway.rewound"


def test_a_line_has_an_end() -> None:
    made = Lines()
    fields: dict[str, Any] = {f"field_{n}": "x" * 10_000 for n in range(100)}
    made.log("gateway.line_not_read", **fields)
    assert len(made.lines[0]) == LONGEST


def test_a_day_in_which_everything_goes_wrong_fills_no_disk() -> None:
    made = Lines()
    for minute in range(0, 24 * 60, 60):  # one minute of each hour
        made.now_us = minute * 60_000_000
        for number in range(2_000):
            made.log(f"gateway.event_{number % 40}", reason="x" * 1_000)
    a_minute = sum(len(line) + 60 for line in made.lines) / 24
    assert a_minute * 24 * 60 < 64 * 2**20


@pytest.fixture
def library() -> Iterator[tuple[logging.Logger, list[str]]]:
    """A library's logger behind the bound, and what came through."""
    lines: list[str] = []

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            lines.append(record.getMessage())

    handler = Keep()
    handler.addFilter(OthersBounded(now_us=lambda: 0))
    logger = logging.getLogger("some.library")
    logger.propagate = False
    logger.setLevel(logging.DEBUG)
    logger.addHandler(handler)
    yield logger, lines
    logger.removeHandler(handler)
    logger.propagate = True
    logger.setLevel(logging.NOTSET)


def test_what_a_library_says_is_bounded_too(library: tuple[logging.Logger, list[str]]) -> None:
    logger, lines = library
    logger.info("a line for each request")
    assert lines == []
    for number in range(1000):
        logger.error("no answer %d %s", number, "x" * 10_000)
    assert len(lines) == BURST
    assert lines[0].startswith("no answer 0 x")
    assert len(lines[0]) == LONGEST


def test_our_own_events_pass_whatever_libraries_say() -> None:
    bound = OthersBounded(now_us=lambda: 0)
    ours = logging.makeLogRecord({"name": "cleanside.gateway", "levelno": logging.INFO, "msg": "x"})
    assert all(bound.filter(ours) for _ in range(10 * BURST))


def test_a_library_that_speaks_http_makes_no_line_at_all() -> None:
    """Its lines hold addresses: none is made, so none has to be searched for secrets."""
    silence_http_clients()
    for name in ("httpx", "httpcore.http11", "urllib3.connectionpool"):
        assert not logging.getLogger(name).isEnabledFor(logging.CRITICAL)


def test_both_programs_silence_the_same_libraries() -> None:
    """The server may not import this file of the gateway, so each has the list."""
    assert ingest_log.HTTP_CLIENTS == HTTP_CLIENTS
