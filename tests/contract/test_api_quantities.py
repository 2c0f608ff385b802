"""What a reading may carry: what the server lists it takes, and what lies beyond the bounds it does not."""

from __future__ import annotations

from typing import Any

import pytest

from cleanside.gateway.units import QUANTITIES, from_si
from cleanside.gateway.wire import instant_text
from cleanside.ingest.owners.access import ROLES
from tests.support.serving import DEVICE, Api


def asked(api: Api, key: str = "device") -> dict[str, dict[str, Any]]:
    """Quantity -> what is said of it."""
    response = api.get("/v1/quantities", key=key)
    assert response.status_code == 200, response.text
    return {entry.pop("quantity"): entry for entry in response.json()["quantities"]}


def posted(api: Api, quantity: str, sent: list[tuple[float, str]]) -> list[str | None]:
    """What becomes of readings of one quantity, a second apart: None where it is stored, else the code."""
    codes: list[str | None] = []
    for value, unit in sent:
        api.clock.advance(1)
        reading = {"at": instant_text(api.clock()), quantity: value}
        body = {"device": DEVICE, "units": {quantity: unit}, "readings": [reading]}
        response = api.post("/v1/readings", body, key="device")
        assert response.status_code == 200, response.text
        codes.append(next((held["code"] for held in response.json()["quarantined"]), None))
    return codes


def test_every_quantity_is_listed_with_its_unit_in_si_and_its_bounds(api: Api) -> None:
    found = asked(api)
    assert list(found) == list(QUANTITIES)
    assert {name: (q["si_unit"], q["lowest"], q["highest"]) for name, q in found.items()} == {
        name: (q.si_unit, q.lowest, q.highest) for name, q in QUANTITIES.items()
    }


def test_every_text_that_is_accepted_is_listed_once_under_the_units_own_name(api: Api) -> None:
    for name, quantity in asked(api).items():
        own = [entry["unit"] for entry in quantity["units"]]
        listed = own + [text for entry in quantity["units"] for text in entry["spellings"]]
        assert sorted(listed) == sorted(QUANTITIES[name].units)
        assert quantity["si_unit"] in own
    (inch,) = [u for u in asked(api)["restriction"]["units"] if u["unit"] == "inH2O"]
    assert {"inWC", "in. w.g."} <= set(inch["spellings"])


@pytest.mark.parametrize("quantity", ["restriction", "air_temperature", "engine_speed"])
def test_what_is_listed_is_taken_and_what_lies_beyond_the_bounds_is_not(api: Api, quantity: str) -> None:
    api.register()
    said = asked(api)[quantity]
    low, high, si = said["lowest"], said["highest"], said["si_unit"]
    little = (high - low) * 1e-6
    assert posted(api, quantity, [(low, si), (high, si)]) == [None, None]
    assert posted(api, quantity, [(low - little, si), (high + little, si)]) == ["out_of_range"] * 2
    texts = [text for entry in said["units"] for text in (entry["unit"], *entry["spellings"])]
    middle = [(from_si((low + high) / 2, text, quantity), text) for text in texts]
    assert posted(api, quantity, middle) == [None] * len(texts)
    assert posted(api, quantity, [(1.0, "furlong")]) == ["unit_not_accepted"]


def test_it_is_the_same_for_every_key(api: Api) -> None:
    said = asked(api)
    assert all(asked(api, role) == said for role in (*ROLES, "quarry admin"))
