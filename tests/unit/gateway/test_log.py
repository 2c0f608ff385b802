"""Log lines are events, one line each, and cannot fill the disk."""

from __future__ import annotations

import logging

import pytest

from gateway.log import BURST, EventLog


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
