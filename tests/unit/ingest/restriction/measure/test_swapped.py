"""Monitors that changed places between two machines show by what they send, crosswise and at one time."""

from __future__ import annotations

import math

import numpy as np
import pytest

from cleanside.ingest.restriction import (
    FleetKnowledge,
    HousingFacts,
    Readings,
    SentChanges,
    Summaries,
    collect_sent,
    learn_fleet,
    study_housing,
    summarise_hours,
)
from cleanside.ingest.restriction.measure.summary import HOUR_S

STEP_S = 300.0
HOURS = 60


def sent(*spans: tuple[str, int]) -> Summaries:
    """Hours of one housing: with engine speed, or with supply voltage alone, for so many hours each."""
    columns: dict[str, list[float]] = {"speed": [], "volts": []}
    for kind, hours in spans:
        many = int(hours * HOUR_S / STEP_S)
        columns["speed"] += many * [200.0 if kind == "speed" else math.nan]
        columns["volts"] += many * [math.nan if kind == "speed" else 27.6]
    n = len(columns["speed"])
    return summarise_hours(
        Readings(
            at_s=np.arange(float(n)) * STEP_S,
            restriction_pa=np.full(n, 2500.0),
            engine_speed_rad_s=np.array(columns["speed"]),
            supply_voltage_v=np.array(columns["volts"]),
        )
    )


def sent_by_flow(*spans: tuple[str, int]) -> Summaries:
    """The same with mass flow and restriction, all or a quarter of the latter, or with supply voltage."""
    columns: dict[str, list[float]] = {"pa": [], "flow": [], "volts": []}
    many = int(HOUR_S / STEP_S)
    for kind, hours in spans:
        given = many if kind != "seldom" else many // 4
        columns["pa"] += hours * (given * [2500.0] + (many - given) * [math.nan])
        columns["flow"] += hours * many * [math.nan if kind == "volts" else 0.2]
        columns["volts"] += hours * many * [27.6 if kind == "volts" else math.nan]
    return summarise_hours(
        Readings(
            at_s=np.arange(float(len(columns["pa"]))) * STEP_S,
            restriction_pa=np.array(columns["pa"]),
            air_mass_flow_kg_s=np.array(columns["flow"]),
            supply_voltage_v=np.array(columns["volts"]),
        )
    )


def fleet(**machines: Summaries) -> SentChanges:
    return collect_sent(machines.items())


def test_machines_that_change_crosswise_have_each_others_monitor_until_they_change_back() -> None:
    ones, others = (
        sent(("speed", 20), ("volts", 15), ("speed", 25)),
        sent(("volts", 20), ("speed", 15), ("volts", 25)),
    )
    found = fleet(one=ones, other=others)
    assert found.spans(ones, "one") == [("other", 20 * HOUR_S, 36 * HOUR_S)]
    assert found.spans(others, "other") == [("one", 20 * HOUR_S, 36 * HOUR_S)]


def test_hours_in_which_restriction_came_seldom_are_no_other_kind() -> None:
    """A monitor may send a quantity only where it changes. Such hours hid a swap; its end began one."""
    ones = sent_by_flow(("often", 15), ("seldom", 5), ("volts", 15), ("often", 25))
    others = sent_by_flow(("volts", 20), ("often", 15), ("volts", 25))
    found = fleet(one=ones, other=others)
    assert found.spans(ones, "one") == [("other", 20 * HOUR_S, 36 * HOUR_S)]
    assert found.spans(others, "other") == [("one", 20 * HOUR_S, 36 * HOUR_S)]


def test_while_it_lasts_it_is_a_suspicion_and_its_hours_judge_no_element() -> None:
    ones, others = sent(("speed", 40), ("volts", 20)), sent(("volts", 40), ("speed", 20))
    knowledge = learn_fleet((), sent=fleet(one=ones, other=others))
    studied = study_housing(ones, HousingFacts(terminal_pa=6200.0, fleet=knowledge, machine="one"))
    [suspicion] = studied.study.suspicions
    assert (suspicion.cause, suspicion.evidence.values["other"]) == ("monitors_swapped", "other")
    assert studied.study.restriction_s is not None
    assert studied.study.restriction_s < 40 * HOUR_S


@pytest.mark.parametrize(
    "others",
    [
        sent(("volts", HOURS)),  # it did not change
        sent(("volts", 10), ("speed", HOURS - 10)),  # at another time
        sent(("speed", 20), ("volts", HOURS - 20)),  # the same way round
        sent(("volts", 20), ("speed", 1), ("volts", HOURS - 21)),  # for one odd hour
    ],
)
def test_a_change_without_a_mirrored_one_is_another_wiring(others: Summaries) -> None:
    ones = sent(("speed", 20), ("volts", HOURS - 20))
    assert fleet(one=ones, other=others).spans(ones, "one") == []


def test_the_order_of_machines_and_a_passage_through_json_change_nothing() -> None:
    ones, others = sent(("speed", 20), ("volts", 20)), sent(("volts", 20), ("speed", 20))
    found = fleet(one=ones, other=others)
    assert found == fleet(other=others, one=ones)
    knowledge = learn_fleet((), sent=found)
    assert FleetKnowledge.from_record(knowledge.as_record()).sent == found
