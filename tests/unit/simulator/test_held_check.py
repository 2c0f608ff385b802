"""The check finds each way in which a server may hold something else than was sampled."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from cleanside.simulator.held_check import KINDS, HeldRows, findings_of
from cleanside.simulator.load_samples import values_of
from tests.unit.simulator.test_load_patterns import plan

PLAN = plan(machines=3)
SAMPLED = 20


def held(numbers: np.ndarray, machine: int = 1) -> HeldRows:
    """What a server shows that holds these numbers of a machine."""
    values = values_of(machine, numbers)
    return HeldRows([PLAN.stream(machine)] * len(numbers), numbers, PLAN.at_us(machine, numbers), values)


WHOLE = held(np.arange(1, SAMPLED + 1))


def changed(name: str, index: int, value: float) -> HeldRows:
    column = WHOLE.values[name].copy()
    column[index] = value
    return replace(WHOLE, values={**WHOLE.values, name: column})


def shifted() -> HeldRows:
    at_us = WHOLE.at_us.copy()
    at_us[4] += 1
    return replace(WHOLE, at_us=at_us)


def of_another_machine() -> HeldRows:
    return held(np.arange(1, SAMPLED + 1), machine=2)


WRONG: dict[str, tuple[Callable[[], HeldRows], dict[str, int]]] = {
    "one is missing": (lambda: held(np.delete(np.arange(1, 21), 6)), {"lost": 1}),
    "none is there": (lambda: held(np.arange(0)), {"lost": 20}),
    "one is there twice": (lambda: held(np.insert(np.arange(1, 21), 6, 7)), {"doubled": 1}),
    "two have changed places": (
        lambda: held(np.array([1, 2, 4, 3, *range(5, 21)])),
        {"reordered": 1},
    ),
    "a value": (lambda: changed("restriction", 9, 1.0), {"changed": 1}),
    "the last bit of a value": (
        lambda: changed("engine_speed", 9, np.nextafter(WHOLE.values["engine_speed"][9], 1e9)),
        {"changed": 1},
    ),
    "a value is not there": (lambda: changed("supply_voltage", 0, np.nan), {"changed": 1}),
    "a microsecond": (shifted, {"changed": 1}),
    "another machine's": (of_another_machine, {"misplaced": 20, "lost": 20}),
    "one that was never sampled": (lambda: held(np.arange(1, 22)), {"misplaced": 1}),
}


def test_what_was_sampled_is_as_it_was() -> None:
    assert findings_of(PLAN, 1, SAMPLED, WHOLE) == []


@pytest.mark.parametrize("case", WRONG)
def test_what_a_server_holds_wrongly_is_found_and_named(case: str) -> None:
    make, expected = WRONG[case]
    found = findings_of(PLAN, 1, SAMPLED, make())
    assert {finding.kind: finding.readings for finding in found} == expected
    assert set(expected) <= set(KINDS)
    assert {finding.device for finding in found} == {PLAN.device(1)}


def test_a_reading_under_another_stream_is_misplaced() -> None:
    streams = [PLAN.stream(1)] * 19 + [PLAN.stream(2)]
    found = findings_of(PLAN, 1, SAMPLED, replace(WHOLE, stream=streams))
    assert {finding.kind: finding.readings for finding in found} == {"misplaced": 1, "lost": 1}
