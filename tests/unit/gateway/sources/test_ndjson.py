"""Readings on standard input."""

from __future__ import annotations

import os
import threading
from typing import Any

import pytest

from gateway.errors import SourceWrong
from gateway.sources.ndjson import NdjsonSource
from gateway.wire import BatchRefused, instant_text, us_of

from .test_csv import Taken

OPTIONS = {"units": {"restriction": "kPa", "engine_speed": "r/min"}}


def read(*lines: bytes) -> Taken:
    taken = Taken()
    ours, theirs = os.pipe()

    def write() -> None:
        with os.fdopen(theirs, "wb") as pipe:
            pipe.write(b"".join(lines))

    writer = threading.Thread(target=write)
    writer.start()
    NdjsonSource(OPTIONS, taken.context, descriptor=ours).run(taken, threading.Event())
    writer.join()
    os.close(ours)
    return taken


def test_a_line_is_a_reading_stamped_on_arrival_or_with_its_own_time() -> None:
    taken = read(
        b'{"restriction": 3.05, "engine_speed": 1795}\n',
        b'{"at": "2026-12-02T06:14:07.250Z", "at_uncertainty_s": 4.0, "restriction": 3}\n',
    )
    first, second = taken.readings
    assert (first.at, dict(first.values)) == (None, {"restriction": 3.05, "engine_speed": 1795})
    assert second.at is not None
    assert (instant_text(us_of(second.at)), second.at_uncertainty_s) == ("2026-12-02T06:14:07.250Z", 4.0)
    assert type(second.values["restriction"]) is int


def test_a_value_that_is_null_is_not_there_and_an_empty_line_is_nothing() -> None:
    taken = read(b'\n{"restriction": null, "engine_speed": 1}\n  \n')
    assert [dict(r.values) for r in taken.readings] == [{"engine_speed": 1}]
    assert taken.reports == []


def test_a_last_line_without_a_line_end_counts() -> None:
    assert len(read(b'{"restriction": 1}').readings) == 1


@pytest.mark.parametrize(
    "line",
    [
        b"not JSON",
        b"[1, 2]",
        b'{"restriction": "3.05"}',
        b'{"restriction": true}',
        b'{"restriction": NaN}',
        b'{"restriction": 1, "restriction": 2}',
        b'{"restriction": 9007199254740993}',
        b'{"pressure": 1}',
        b'{"supply_voltage": 27}',
        b'{"at": "2026-12-02T06:14:07", "restriction": 1}',
        b'{"at": 1796192047, "restriction": 1}',
        b'{"at": "2026-12-02T06:14:07Z", "at_uncertainty_s": -1, "restriction": 1}',
        b'{"restriction": 1}\xff',
        b'{"restriction": 1' + b" " * 70_000 + b"}",
    ],
)
def test_a_line_that_is_not_as_specified_is_reported_and_the_next_one_is_read(line: bytes) -> None:
    taken = read(line + b"\n", b'{"restriction": 7}\n')
    assert [dict(r.values) for r in taken.readings][-1:] == [{"restriction": 7}]
    assert len(taken.readings) == 1
    assert {report["what"] for report in taken.reports} == {"line_not_read"}


def test_a_leap_second_is_kept_with_a_second_of_doubt() -> None:
    source = NdjsonSource(OPTIONS, Taken().context)
    reading = source.read(b'{"at": "2016-12-31T23:59:60.5Z", "restriction": 1}')
    assert reading.at is not None
    assert instant_text(us_of(reading.at)) == "2017-01-01T00:00:00.500Z"
    assert reading.at_uncertainty_s == 1.0


def test_a_refusal_says_value_rule_and_next_step() -> None:
    source = NdjsonSource(OPTIONS, Taken().context)
    with pytest.raises(ValueError, match='"supply_voltage" has no unit in the settings; add it to units'):
        source.read(b'{"supply_voltage": 27}')
    with pytest.raises(BatchRefused, match="twice"):
        source.read(b'{"restriction": 1, "restriction": 2}')


@pytest.mark.parametrize(
    "options", [{}, {"units": {}}, {"units": {"restriction": "kpa"}}, {**OPTIONS, "speed": 1}]
)
def test_options_that_cannot_work_are_refused(options: dict[str, Any]) -> None:
    with pytest.raises(SourceWrong):
        NdjsonSource(options, Taken().context)


def test_a_stop_is_heard_while_nothing_comes() -> None:
    ours, theirs = os.pipe()
    stop = threading.Event()
    source = NdjsonSource(OPTIONS, Taken().context, descriptor=ours)
    thread = threading.Thread(target=source.run, args=(Taken(), stop))
    thread.start()
    stop.set()
    thread.join(5)
    assert not thread.is_alive()
    os.close(ours)
    os.close(theirs)
