"""What the machine sees of itself: the same verdicts as at the server, in bounded memory."""

from __future__ import annotations

import numpy as np
import pytest

from cleanside.gateway.beside.watch import MOST_ROWS, Around, Watch
from cleanside.gateway.spot_checks import ANSWER, FAILED, KEY_OFF, PASSED, SUPPLY, ZERO
from cleanside.gateway.units import to_si
from cleanside.gateway.wire import Reading
from cleanside.ingest.restriction import Readings
from cleanside.ingest.restriction.verdict.installation import Surroundings, accept

UNITS = {"restriction": "kPa", "engine_speed": "r/min", "supply_voltage": "V"}
BEFORE = Around(acknowledged=9, power_cycles=1, clock_uncertainty_s=0.2, anchor="gps")

Row = tuple[float, float, float, float]


def visit(*, seed: int, tube_on: bool = True, zero_kpa: float = 0.0, volts: float = 27.4) -> list[Row]:
    """Rest, idle, high idle, each half a minute and longer: at_s, kPa, r/min, V."""
    noise = np.random.default_rng(seed)
    rows, at_s = [], 100.0
    for speed, level, seconds in ((0.0, 0.0, 60), (750.0, 0.3, 120), (2100.0, 2.4, 90), (0.0, 0.0, 40)):
        for _ in range(seconds // 2):
            shown = zero_kpa + (level if tube_on else 0.0) + noise.normal(0, 0.005)
            rows.append((at_s, shown, speed + noise.normal(0, 3) * bool(speed), volts + noise.normal(0, 0.1)))
            at_s += 2.0
    return rows


def seen_by_machine(rows: list[Row], around: Around = BEFORE) -> dict[str, tuple[str, str]]:
    watch = Watch(lambda: round(rows[-1][0] * 1e6))
    for at_s, *values in rows:
        reading = Reading(values=dict(zip(UNITS, values, strict=True)), units=UNITS)
        watch.take([reading], round(at_s * 1e6))
    return {check.check: (check.verdict, check.seen.code) for check in watch.checks(around)}


def seen_by_server(rows: list[Row]) -> dict[str, tuple[str, str]]:
    at_s, *columns = (np.array(column) for column in zip(*rows, strict=True))
    restriction, speed, volts = (
        np.array([to_si(value, unit, name) for value in column])
        for column, (name, unit) in zip(columns, UNITS.items(), strict=True)
    )
    readings = Readings(
        at_s=at_s, restriction_pa=restriction, engine_speed_rad_s=speed, supply_voltage_v=volts
    )
    around = Surroundings(
        acknowledged=9,
        missing=0,
        clock_uncertainty_s=0.2,
        anchor="gps",
        power_cycles=1,
        terminal_pa=None,
        terminal_as_read=None,
        terminal_confirmed=False,
    )
    return {check.check: (check.verdict, check.seen.code) for check in accept(readings, around)}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "odd",
    [{}, {"tube_on": False}, {"zero_kpa": 0.3}, {"volts": 18.0}],
    ids=["sound", "tube", "zero", "volts"],
)
def test_machine_and_server_judge_the_same_readings_alike(odd: dict, seed: int) -> None:
    rows = visit(seed=seed, **odd)
    machine, server = seen_by_machine(rows), seen_by_server(rows)
    assert machine == {name: server[name] for name in machine}


def test_a_genset_is_judged_at_its_one_speed_on_both_sides() -> None:
    rows = [(float(at), 0.0, 0.0, 27.0) for at in range(0, 60, 2)]
    rows += [(float(at), 1.5, 1500.0, 27.5) for at in range(60, 460, 2)]
    machine = seen_by_machine(rows)
    assert machine[ANSWER] == seen_by_server(rows)[ANSWER] == (PASSED, "rest_and_one_speed")


def test_a_sound_visit_passes_and_each_fault_fails_its_check() -> None:
    assert {verdict for verdict, _ in seen_by_machine(visit(seed=1)).values()} == {PASSED}
    assert seen_by_machine(visit(seed=1, tube_on=False))[ANSWER][0] == FAILED
    assert seen_by_machine(visit(seed=1, zero_kpa=0.3))[ZERO][0] == FAILED
    assert seen_by_machine(visit(seed=1, volts=18.0))[SUPPLY][0] == FAILED


def test_a_permanent_feed_shows_after_half_an_hour_at_rest() -> None:
    rows = [(float(at), 0.0, 0.0, 25.0) for at in range(0, 1_900, 20)]
    around = Around(acknowledged=9, power_cycles=0, clock_uncertainty_s=0.2, anchor="gps")
    assert seen_by_machine(rows, around)[KEY_OFF] == (FAILED, "read_on_at_rest")


def test_a_fast_source_and_odd_quantities_fill_no_memory() -> None:
    watch = Watch(lambda: 0)
    for number in range(3 * MOST_ROWS):
        watch.take([Reading(values={"restriction": 1.0}, units={"restriction": "kPa"})], number * 1_000_000)
    watch.take(
        [Reading(values={f"odd_{n}": 1.0 for n in range(60)}, units={f"odd_{n}": "V" for n in range(60)})], 1
    )
    assert len(watch._rows) == MOST_ROWS
    assert [last.quantity for last in watch.values()] == ["restriction"]


def test_each_value_has_its_own_age() -> None:
    watch = Watch(lambda: 30_000_000)
    watch.take([Reading(values={"supply_voltage": 27.0}, units={"supply_voltage": "V"})], 10_000_000)
    watch.take([Reading(values={"restriction": 1.0}, units={"restriction": "kPa"})], 28_000_000)
    assert [(last.quantity, last.age_s) for last in watch.values()] == [
        ("restriction", 2.0),
        ("supply_voltage", 20.0),
    ]


def test_signal_of_the_last_minutes_is_there_to_compare_places() -> None:
    watch = Watch(lambda: 700_000_000)
    for at_s, level in ((0.0, -97.0), (200.0, -97.0), (690.0, -85.0)):
        values = {"restriction": 1.0, "signal_strength": level}
        watch.take(
            [Reading(values=values, units={"restriction": "kPa", "signal_strength": "dBm"})],
            round(at_s * 1e6),
        )
    assert watch.signal_dbm() == [(500.0, -97.0), (10.0, -85.0)]
