"""Replaying a recorded file."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.errors import SourceWrong
from cleanside.gateway.sources import Context
from cleanside.gateway.sources.csv import CsvSource
from cleanside.gateway.timing.clock import SettableClock
from cleanside.gateway.wire import Reading, instant_text, us_of
from tests.support.coded import refused
from tests.unit.gateway.helpers import settable_clock

COLUMNS = {"dp": "restriction kPa", "n": "engine_speed r/min"}
OPTIONS = {"columns": COLUMNS, "start": "2026-12-02T06:00:00Z", "step_s": 10, "pace": "none"}


class Taken:
    """Takes what a source emits, as the spool would."""

    def __init__(self, clock: SettableClock | None = None) -> None:
        self.clock = clock or settable_clock()
        self.readings: list[Reading] = []
        self.mark: str | None = None
        self.times_s: list[float] = []
        self.calls: list[int] = []
        self.reports: list[dict[str, Any]] = []
        self.parts: list[dict[str, Any]] = []
        self.fail_after: int | None = None

    def __call__(self, readings: Sequence[Reading], *, mark: str | None = None) -> None:
        if self.fail_after is not None and len(self.readings) + len(readings) > self.fail_after:
            raise OSError("key-off")
        self.readings += readings
        self.calls.append(len(readings))
        self.times_s += [self.clock.since_boot_us() / 1e6] * len(readings)
        self.mark = mark

    @property
    def context(self) -> Context:
        return Context(
            name="csv-1",
            clock=self.clock,
            mark=lambda: self.mark,
            report=lambda what, **fields: self.reports.append({"what": what, **fields}),
            report_part=lambda what, **fields: self.parts.append({"what": what, **fields}),
        )


def play(path: Path, text: str, *, taken: Taken | None = None, **options: Any) -> Taken:
    path.write_text(text)
    taken = taken or Taken()
    CsvSource({"path": str(path), **OPTIONS, **options}, taken.context).run(taken, threading.Event())
    return taken


def rows(count: int) -> str:
    return "dp,n,other\n" + "".join(f"{i / 100},{i},x\n" for i in range(1, count + 1))


def test_each_row_is_a_reading_with_the_units_and_times_that_the_settings_say(tmp_path: Path) -> None:
    taken = play(tmp_path / "f", rows(3), uncertainty_s=0)
    assert [dict(r.values) for r in taken.readings] == [
        {"restriction": i / 100, "engine_speed": i} for i in (1, 2, 3)
    ]
    assert [instant_text(us_of(r.at)) for r in taken.readings if r.at] == [
        "2026-12-02T06:00:00Z",
        "2026-12-02T06:00:10Z",
        "2026-12-02T06:00:20Z",
    ]
    assert taken.readings[0].units["restriction"] == "kPa"
    assert taken.readings[0].at_uncertainty_s == 0
    assert type(taken.readings[0].values["engine_speed"]) is int
    assert taken.mark == "3"


def test_times_can_come_from_a_column_or_from_seconds_since_the_start(tmp_path: Path) -> None:
    text = "at,s,dp\n2026-12-02T07:00:00.250+01:00,0.25,1\n"
    columns = {"dp": "restriction kPa"}
    by_time = play(tmp_path / "a", text, columns=columns, time_column="at", start=None, step_s=None)
    by_span = play(tmp_path / "b", text, columns=columns, elapsed_column="s", step_s=None)
    assert by_time.readings[0].at == by_span.readings[0].at
    assert instant_text(us_of(by_time.readings[0].at)) == "2026-12-02T06:00:00.250Z"  # type: ignore[arg-type]


@pytest.mark.parametrize("kept", [0, 1, 499, 500, 777, 1200])
def test_after_a_restart_it_goes_on_with_the_next_row_and_repeats_none(tmp_path: Path, kept: int) -> None:
    taken = Taken()
    taken.fail_after = kept
    if kept < 1200:
        with pytest.raises(OSError, match="key-off"):
            play(tmp_path / "f", rows(1200), taken=taken)
    taken.fail_after = None
    play(tmp_path / "f", rows(1200), taken=taken)
    assert [r.values["engine_speed"] for r in taken.readings] == list(range(1, 1201))


@pytest.mark.parametrize("bad", ["x,2", "nan,2", "inf,2", "1e999,2"])
def test_a_row_that_cannot_be_read_is_reported_and_the_next_one_is_read(tmp_path: Path, bad: str) -> None:
    taken = play(tmp_path / "f", f"dp,n\n0.01,1\n{bad}\n0.03,3\n")
    assert [r.values["engine_speed"] for r in taken.readings] == [1, 3]
    assert [(r["what"], r["row"]) for r in taken.reports] == [("row_not_read", 2)]
    assert taken.reports[0]["reason"] == f"dp {bad.split(',')[0]!r} is not a finite number"
    assert taken.mark == "3"


def test_an_empty_cell_is_a_value_that_is_not_there(tmp_path: Path) -> None:
    taken = play(tmp_path / "f", "dp,n\n,1\n0.02,\n")
    assert [dict(r.values) for r in taken.readings] == [{"engine_speed": 1}, {"restriction": 0.02}]


def test_at_its_own_pace_a_row_comes_as_long_after_the_first_as_it_was_recorded(tmp_path: Path) -> None:
    taken = play(tmp_path / "f", rows(4), pace=1)
    assert [t - taken.times_s[0] for t in taken.times_s] == pytest.approx([0, 10, 20, 30], abs=0.01)
    assert taken.calls == [1, 1, 1, 1]


def test_a_faster_pace_divides_the_time_between(tmp_path: Path) -> None:
    taken = play(tmp_path / "f", rows(4), pace="20")
    assert [t - taken.times_s[0] for t in taken.times_s] == pytest.approx([0, 0.5, 1.0, 1.5], abs=0.01)


def test_rows_that_are_due_together_share_a_commit(tmp_path: Path) -> None:
    assert play(tmp_path / "f", rows(1200)).calls == [500, 500, 200]


def test_a_stop_is_heard_while_waiting(tmp_path: Path) -> None:
    (tmp_path / "f").write_text(rows(3))

    class Stopping(SettableClock):
        def wait(self, event: threading.Event, seconds: float) -> bool:
            stop.set()
            return super().wait(event, seconds)

    taken = Taken(Stopping(utc_us=0))
    stop = threading.Event()
    CsvSource({"path": str(tmp_path / "f"), **OPTIONS, "pace": 1}, taken.context).run(taken, stop)
    assert len(taken.readings) == 1


@pytest.mark.parametrize(
    ("options", "code", "values"),
    [
        ({"columns": {"dp": "restriction k Pa"}}, "unit_not_accepted", {"unit": "k Pa", "likely": "kPa"}),
        ({"columns": {"dp": "pressure kPa"}}, "quantity_unknown", {"quantity": "pressure"}),
        ({"columns": {}}, "columns_missing", {}),
        ({"columns": {"a": "restriction kPa", "b": "restriction Pa"}}, "quantity_twice", {}),
        ({"step_s": 0}, "option_not_above", {"name": "step_s", "above": 0}),
        ({"step_s": "often"}, "option_not_above", {"name": "step_s", "value": "often"}),
        ({"start": "2026-12-02T06:00:00"}, "start_not_an_instant", {"rule": "no_offset"}),
        ({"start": None}, "no_time_of_rows", {}),
        ({"time_column": "at"}, "no_time_of_rows", {}),
        ({"speed": 3}, "option_unknown", {"options": "speed"}),
        ({"delimeter": ";"}, "option_unknown", {"options": 'delimeter (did you mean "delimiter"?)'}),
        ({"path": ""}, "option_missing", {"name": "path"}),
    ],
)
def test_options_that_cannot_work_are_refused_before_anything_is_read(
    options: dict[str, Any], code: str, values: dict[str, Any]
) -> None:
    with refused(SourceWrong, code, **values):
        CsvSource({"path": "f", **OPTIONS, **options}, Taken().context)


def test_a_column_that_the_file_does_not_have_is_named(tmp_path: Path) -> None:
    with refused(SourceWrong, "column_missing", missing="n", header="dp"):
        play(tmp_path / "f", "dp\n1\n")


@pytest.mark.parametrize(
    ("content", "code", "values"),
    [
        (None, "file_unreadable", {"why": "No such file or directory"}),
        (b"\xff\xfe\x00", "file_unreadable", {"why": "it is not text"}),
        (b"", "file_empty", {}),
    ],
)
def test_a_file_that_cannot_be_read_is_named(
    tmp_path: Path, content: bytes | None, code: str, values: dict[str, Any]
) -> None:
    if content is not None:
        (tmp_path / "f").write_bytes(content)
    with refused(SourceWrong, code, **values):
        CsvSource({"path": str(tmp_path / "f"), **OPTIONS}, Taken().context).run(Taken(), threading.Event())
