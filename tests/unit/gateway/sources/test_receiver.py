"""The file of a modem and a receiver: read when it changed, the newest line of each kind."""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.errors import SourceAway, SourceWrong
from cleanside.gateway.sources import Context
from cleanside.gateway.sources.receiver import MOST_BYTES, ReceiverSource, values_of
from cleanside.gateway.wire import Reading
from tests.support.coded import refused
from tests.unit.gateway.helpers import settable_clock
from tests.unit.gateway.sources.test_link_words import EXAMPLE, fixed


def source(path: Path | str, **more: object) -> ReceiverSource:
    context = Context(
        name="receiver-1", clock=settable_clock(), mark=lambda: None, report=lambda *_, **__: None
    )
    return ReceiverSource({"path": str(path), **more}, context)


def looks(made: ReceiverSource, path: Path, *texts: str) -> list[Reading]:
    """What it emits when the file holds these texts at one look after the other."""
    emitted: list[Reading] = []
    stop = threading.Event()
    left = list(texts)

    def write() -> None:
        path.write_text(left.pop(0))
        os.utime(path, ns=(len(left), len(left)))

    def wait(_: threading.Event, __: float) -> bool:
        if left:
            write()
        else:
            stop.set()
        return stop.is_set()

    def emit(readings: Sequence[Reading], *, mark: str | None = None) -> None:
        assert mark is None
        emitted.extend(readings)

    write()
    clock: Any = made._context.clock
    clock.wait = wait
    made.run(emit, stop)
    return emitted


def test_the_newest_line_of_each_kind_counts(tmp_path: Path) -> None:
    text = f"AT+CSQ\r\n+CSQ: 9,99\r\nOK\r\n{fixed(0)}\n+CSQ: 18,99\n{EXAMPLE}\n"
    (reading,) = looks(source(tmp_path / "a"), tmp_path / "a", text)
    assert reading.values["signal_strength"] == -77.0
    assert (reading.values["position_fix"], reading.values["satellites"]) == (1, 8)
    assert reading.at is None, "stamped by the boot's clock"


def test_a_position_of_before_does_not_outlive_its_fix() -> None:
    assert values_of(f"+CSQ: 18,99\n{EXAMPLE}\n{fixed(0, '00')}") == {
        "signal_strength": -77.0,
        "position_fix": 0,
        "satellites": 0,
    }


def test_a_file_that_did_not_change_makes_no_reading(tmp_path: Path) -> None:
    path = tmp_path / "a"
    made = source(path)
    assert len(looks(made, path, "+CSQ: 18,99\n", "+CSQ: 19,99\n")) == 2
    before = made._new_text()
    assert before == ""


def test_of_a_long_file_the_end_is_read_and_of_noise_nothing(tmp_path: Path) -> None:
    text = "\udcff".encode("utf-8", "surrogateescape").decode("latin-1") * MOST_BYTES + "\n+CSQ: 18,99\n"
    (reading,) = looks(source(tmp_path / "a"), tmp_path / "a", text)
    assert reading.values == {"signal_strength": -77.0}
    assert looks(source(tmp_path / "b"), tmp_path / "b", "nothing\n") == []


def test_a_file_that_is_not_there_is_waited_for_and_options_are_strict(tmp_path: Path) -> None:
    with refused(SourceAway, "file_unreadable"):
        source(tmp_path / "none")._new_text()
    with pytest.raises(SourceWrong):
        source(tmp_path / "a", evry_s=5)
