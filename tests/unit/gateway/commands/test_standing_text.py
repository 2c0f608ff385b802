"""One screen of `status`: what a technician looks for stands where it is not cut off."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from cleanside.gateway.commands.live import Process
from cleanside.gateway.commands.standing import document, look
from cleanside.gateway.commands.standing_text import _last, as_text
from cleanside.gateway.units import QUANTITIES, offered
from cleanside.gateway.wire import Reading
from tests.unit.gateway.helpers import open_spool, settable_clock


def lines(path: Path, clock: object) -> dict[str, str]:
    text = as_text(look(path, clock))  # type: ignore[arg-type]
    return {line[:13].strip(): line[13:] for line in text.splitlines()}


def test_the_last_value_has_its_unit_and_age_however_much_is_measured(tmp_path: Path) -> None:
    """With six quantities the age was cut off at the end of the line."""
    units = {name: offered(name)[0] for name in QUANTITIES}
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        values = dict.fromkeys(units, 12.5)
        spool.append([Reading(values=values, units=units)])
    clock.advance(42)
    shown = lines(tmp_path / "a", clock)["last reading"]
    assert shown.startswith("restriction 12.5 Pa, 42 s ago; ")
    assert len(shown) <= 118 - 13


def test_a_single_value_ends_with_its_age(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append([Reading(values={"restriction": 3.05}, units={"restriction": "kPa"})])
    assert lines(tmp_path / "a", clock)["last reading"] == "restriction 3.05 kPa, 0 s ago"


def test_of_a_reading_that_a_running_process_has_the_arrival_is_said(tmp_path: Path) -> None:
    """Found in a trial: "23 s ago" for a reading whose own time was 11 h before."""
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock):
        standing = look(tmp_path / "a", clock)
    told = {"values": {"restriction": {"value": 2.8, "unit": "kPa"}}, "age_s": 23.0}
    source: dict[str, object] = {
        "name": "pit",
        "failing_s": None,
        "in_memory": 0,
        "lost": 0,
        "disk_failing_s": None,
    }
    source |= {"reason": None, "refused": 0, "in_part": 0, "last_reading": told}
    standing = replace(standing, process=Process("runs", 1, told={"sources": [source]}))
    assert _last(standing) == "restriction 2.8 kPa, arrived 23 s ago"


def test_entries_that_wait_are_on_the_screen_and_in_the_object(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        assert "entries" not in lines(tmp_path / "a", clock)
        for name in ("e-1", "e-2"):
            spool.enter(name, {"what": "new", "note": "", "by": "T. Wolny"})
    assert lines(tmp_path / "a", clock)["entries"] == "2 entries waiting for the server"
    assert document(look(tmp_path / "a", clock))["entries_waiting"] == 2


def test_what_a_source_could_not_read_is_named_while_it_runs_and_after_a_restart(tmp_path: Path) -> None:
    clock = settable_clock()
    said = {
        "refused": 3,
        "last_refusal": "not JSON",
        "in_part": 1,
        "last_in_part": '"note" is not a quantity',
    }
    with open_spool(tmp_path / "a", clock) as spool:
        spool.declare("readings_refused", {"source": "pit", "count": 3}, note=("unread:pit", said))
    standing = look(tmp_path / "a", clock)
    text = lines(tmp_path / "a", clock)["before"]
    assert text.startswith(
        "source pit, in an earlier run: 3 lines refused; the last: not JSON; 1 line read in part"
    )
    source = {"name": "pit", "failing_s": None, "in_memory": 0, "lost": 0, "disk_failing_s": None}
    process = Process("runs", 1, told={"sources": [{**source, "last_reading": None, **said, "refused": 0}]})
    running = replace(standing, process=process)
    assert [(f["code"], f["text"]) for f in document(running)["findings"]] == [
        ("lines_in_part", 'source pit: 1 line read in part; the last: "note" is not a quantity')
    ]
    assert document(running)["in_part"] == 1
    assert document(running)["unread_before"] == {}
    assert document(standing)["unread_before"] == {"pit": said}


def test_what_is_to_do_is_whole_in_eighty_columns_and_the_disk_has_its_unit(tmp_path: Path) -> None:
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock):
        standing = look(tmp_path / "a", clock)
    reason = "403 from the server; use a key that is bound to this device; check key_file, " * 2
    process = Process("silent", 1, f"{reason}and the last word")
    text = as_text(replace(standing, process=process))
    [*_, last] = [line for line in text.splitlines() if "the last word" in line]
    assert len(last) <= 80
    assert re.search(r"disk         [0-9.]+ MiB used", text)
