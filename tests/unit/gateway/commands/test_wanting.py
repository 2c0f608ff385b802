"""A source that measures and reads no restriction is a finding; a machine at rest is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.commands.live import Process
from cleanside.gateway.commands.standing import findings, look
from cleanside.gateway.commands.standing_text import as_text
from cleanside.gateway.commands.wanting import WANTING_S, Wanting, wanting
from cleanside.gateway.units import offered
from cleanside.gateway.wire import Reading
from tests.unit.gateway.helpers import open_spool, settable_clock

SOUND = {
    "name": "bus",
    "failing_s": None,
    "in_memory": 0,
    "lost": 0,
    "disk_failing_s": None,
    "refused": 0,
    "in_part": 0,
}


def source(*came: tuple[float, Sequence[str]], now_s: float, **more: Any) -> dict[str, Any]:
    """came : time since boot [s], and the quantities that came with it."""
    seen = Wanting()
    seen.why = more.pop("why", None)
    for at_s, names in came:
        units = {name: offered(name)[0] for name in names}
        seen.came([Reading(values=dict.fromkeys(names, 1.0), units=units)], round(at_s * 1e6))
    last = {"age_s": now_s - came[-1][0], "values": {}}
    return {**SOUND, **more, "last_reading": last, **seen.told(round(now_s * 1e6))}


def every(seconds: range, *names: str) -> list[tuple[float, Sequence[str]]]:
    return [(float(at_s), names) for at_s in seconds]


def test_a_bus_without_restriction_needs_a_person_who_reads_why(tmp_path: Path) -> None:
    """It was "all is well", with "last reading boost_pressure 100 kPa"."""
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock):
        standing = look(tmp_path / "a", clock)
    why = 'the bus says "not available" for SPN 107'
    told = source(*every(range(0, 660, 60), "boost_pressure", "engine_speed"), now_s=640, why=why)
    process = Process(
        "runs", 1, told={"sources": [told], "stopping": False, "running_s": 640.0, "version": "1"}
    )
    standing = replace(standing, process=process)
    assert [finding.code for finding in findings(standing) if finding.code == "no_restriction"] != []
    assert standing.exit_code == 1
    shown = " ".join(as_text(standing).split())
    assert f"to do source bus has measured for 10.0 min without restriction: {why}" in shown


@pytest.mark.parametrize(
    "came",
    [
        every(range(0, 500, 60), "engine_speed"),  # not for long enough
        [*every(range(0, 900, 60), "engine_speed"), *every(range(900, 901), "restriction")],
        every(range(0, 9000, 60), "signal_strength"),  # of the link alone
        every(range(0, 9000, 60), "supply_voltage"),  # key on, and nothing works
        [(0.0, ["engine_speed"]), (9000.0, ["engine_speed"])],  # a night between the two
    ],
)
def test_no_person_is_called_for_a_source_that_does_not_want_it(
    came: list[tuple[float, Sequence[str]]],
) -> None:
    assert wanting([source(*came, now_s=9100.0)]) == []


def test_restriction_from_another_source_is_enough_while_it_comes() -> None:
    bus = source(*every(range(0, 2000, 60), "engine_speed"), now_s=9000)
    fitted = source(*every(range(0, 2000, 60), "restriction"), now_s=9000)
    stopped = source(*every(range(0, 60, 60), "restriction"), now_s=9000)
    assert wanting([bus, fitted]) == []
    assert [one["name"] for one in wanting([bus, stopped])] == ["bus"]
    assert bus["without_restriction_s"] >= WANTING_S
