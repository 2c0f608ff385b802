"""What it costs to wait, over HTTP: percentages without prices, money and a date with them."""

from __future__ import annotations

from typing import Any

import pytest

from cleanside.gateway.wire import parse_instant
from tests.support.serving import DEVICE, STREAM, Api

START = "2026-02-10T06:00:00Z"
PRICES = {"currency": "EUR", "fuel_l_per_h": 20.0, "fuel_price_per_l": 1.5, "element_price": 120.0}


def loading(hours: int) -> dict[str, Any]:
    """Hours at rated speed, a reading every ten minutes; restriction rises from 2 kPa by 0.02 kPa an hour."""
    count = hours * 6
    return {
        "device": DEVICE,
        "stream": STREAM,
        "units": {"restriction": "kPa", "engine_speed": "r/min"},
        "first_seq": 1,
        "start": START,
        "step_ms": [0] + [600_000] * (count - 1),
        "columns": {
            "restriction": [round(2.0 + 0.02 * i / 6, 3) for i in range(count)],
            "engine_speed": [1800.0] * count,
        },
    }


def seen(api: Api, hours: int = 100) -> dict[str, Any]:
    api.register()
    api.clock.now_us = parse_instant(START).us + hours * 3_600_000_000
    api.send(loading(hours))
    api.analyse()
    return waiting(api)


def waiting(api: Api) -> dict[str, Any]:
    response = api.get("/v1/machines/grader-07/waiting", key="planner")
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.json()
    return document


def test_without_prices_there_are_percentages_only(api: Api) -> None:
    """2 kPa above clean: 0.6 to 1.0 % by Energies 2022, 15, 3285 (0.3 to 0.5 % a kPa)."""
    document = seen(api)
    cost = document["waiting"]
    assert cost["extra_fuel_percent_now"]["low"] == pytest.approx(0.3 * 2.0, rel=0.15)
    assert cost["extra_fuel_percent_now"]["high"] == pytest.approx(0.5 * 2.0, rel=0.15)
    assert cost["extra_fuel_l_until_due"] is cost["cheapest_at"] is document["prices"] is None
    assert "No prices are entered" in document["missing"]
    assert "Energies 2022" in document["source"]


def test_with_prices_it_says_what_it_costs_and_when_changing_is_cheapest(api: Api) -> None:
    seen(api)
    entered = api.post("/v1/machines/grader-07/prices", PRICES, key="planner")
    assert entered.status_code == 200
    document = waiting(api)
    cost = document["waiting"]
    assert (document["prices"]["currency"], document["missing"]) == ("EUR", None)
    litres, money = cost["extra_fuel_l_until_due"], cost["extra_fuel_cost_until_due"]
    assert 0 < litres["low"] < litres["high"]
    assert money["high"] == pytest.approx(1.5 * litres["high"])
    due = api.get("/v1/machines/grader-07/restriction").json()["due_at"]["p50"]
    assert document["now"] <= cost["cheapest_at"]["low"] <= cost["cheapest_at"]["high"] <= due


def test_beyond_terminal_there_is_a_cost_by_the_hour_instead_of_none(api: Api) -> None:
    seen(api, hours=250)
    api.post("/v1/machines/grader-07/prices", PRICES, key="planner")
    document = waiting(api)
    cost = document["waiting"]
    assert document["state"] == "over"
    assert (cost["extra_fuel_l_until_due"], cost["extra_fuel_cost_until_due"]) == (None, None)
    assert cost["extra_fuel_cost_per_hour_now"]["low"] > 0
    assert "No hours are left" in document["missing"]


def test_figures_that_look_mistyped_are_asked_about(api: Api) -> None:
    api.register()
    wrong = PRICES | {"fuel_l_per_h": 1800.0, "fuel_price_per_l": 145.0}
    refused = api.post("/v1/machines/grader-07/prices", wrong, key="planner")
    assert (refused.status_code, refused.json()["code"]) == (422, "not_valid")
    assert [e["pointer"] for e in refused.json()["errors"]] == ["#/fuel_l_per_h", "#/fuel_price_per_l"]
    taken = api.post("/v1/machines/grader-07/prices", wrong | {"figures_are_right": True}, key="planner")
    assert (taken.status_code, taken.json()["fuel_l_per_h"]) == (200, 1800.0)


def test_prices_entered_again_replace_the_first_and_both_are_in_the_audit(api: Api) -> None:
    seen(api)
    api.post("/v1/machines/grader-07/prices", PRICES, key="planner")
    api.post("/v1/machines/grader-07/prices", PRICES | {"element_price": 80.0}, key="planner")
    assert waiting(api)["prices"]["element_price"] == 80.0
    audit = api.get("/v1/audit", key="admin").json()
    assert sum(entry["what"] == "prices" for entry in audit["entries"]) == 2


def test_nothing_is_said_of_a_machine_that_was_not_seen(api: Api) -> None:
    api.register()
    document = waiting(api)
    assert document["waiting"] is None
    assert "Wait for its first operating hours" in document["missing"]
    assert (document["state"], document["state_text"]) == ("silent", "no data")


@pytest.mark.parametrize("wrong", [{"currency": "euro"}, {"element_price": 0}, {"fuel_l_per_h": "20"}])
def test_a_price_that_cannot_be_is_refused(api: Api, wrong: dict[str, Any]) -> None:
    api.register()
    response = api.post("/v1/machines/grader-07/prices", PRICES | wrong, key="planner")
    assert response.status_code == 422
    assert waiting(api)["prices"] is None
