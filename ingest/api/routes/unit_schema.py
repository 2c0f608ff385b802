"""
Quantities and units as enumerations, for the OpenAPI description: made from the one table of them.

Promises: every quantity, and every unit by its own name and its UCUM code. A member that takes or gives a
unit is open: the other spellings that `GET /v1/quantities` lists are taken too, and an answer gives a unit as
it was entered, so no generated client refuses what the server sends.
Leaves to others: what a unit measures (`gateway.units`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from cleanside.gateway.units import QUANTITIES, offered
from cleanside.gateway.wire import MAX_NAME_LENGTH
from cleanside.ingest.api.routes.named_schema import ref
from cleanside.ingest.api.routes.names import NAME_PATTERN

#: quantity -> what it is; the unit stands beside it
WORDS: Mapping[str, str] = {
    "restriction": "how far the pressure on the clean side of the air filter lies below ambient",
    "ambient_pressure": "absolute pressure of the air around the machine",
    "intake_pressure": "absolute pressure in the intake, between air filter and engine",
    "boost_pressure": "pressure after the compressor, above ambient",
    "engine_speed": "speed of the crankshaft",
    "engine_load": "load as a share of what the engine can give at this speed",
    "air_mass_flow": "mass of air that the engine takes in",
    "air_temperature": "temperature of the air around the machine",
    "intake_temperature": "temperature of the air in the intake",
    "engine_hours": "what the hour meter of the engine shows",
    "supply_voltage": "voltage that feeds the monitor",
    "latitude": "degrees north of the equator, WGS 84",
    "longitude": "degrees east of Greenwich, WGS 84",
    "altitude": "height above sea level",
    "signal_strength": "strength of the radio signal at the monitor",
    "position_fix": "how well the receiver knows where it is: 0 not, 1 a fix, 2 and more a better one",
    "satellites": "how many satellites the receiver uses",
}
#: unit in SI -> name of the enumeration of all units that measure the same
_ENUMERATIONS: Mapping[str, str] = {
    "Pa": "PressureUnit",
    "rad/s": "SpeedUnit",
    "/": "RatioUnit",
    "kg/s": "MassFlowUnit",
    "K": "TemperatureUnit",
    "s": "DurationUnit",
    "V": "VoltageUnit",
    "deg": "AngleUnit",
    "m": "LengthUnit",
    "dBm": "LevelUnit",
    "1": "CountUnit",
}
_OTHERS = "other usual spellings, as GET /v1/quantities lists them, are taken too"


def enumeration_of(quantity: str) -> str:
    """The name of the enumeration of a quantity's units."""
    return _ENUMERATIONS[QUANTITIES[quantity].si_unit]


def unit_of(quantity: str) -> dict[str, Any]:
    """A unit of a quantity: one of the enumeration, or any other text."""
    text = {"type": "string", "minLength": 1, "maxLength": MAX_NAME_LENGTH}
    return {"anyOf": [ref(enumeration_of(quantity)), text], "description": f"unit of {quantity}; {_OTHERS}"}


def values_of_quantities(value: Mapping[str, Any], unit: str) -> dict[str, Any]:
    """A member for each quantity. value : its schema. unit : in which unit, in words; {si} is the SI unit."""
    return {
        name: {**value, "description": f"{words} [{unit.format(si=QUANTITIES[name].si_unit)}]"}
        for name, words in WORDS.items()
    }


def schemas() -> dict[str, Any]:
    """The enumerations, and `Units`: the unit of each quantity."""
    quantity = {
        "type": "string",
        "enum": list(QUANTITIES),
        "description": "a quantity that a reading may carry; a later release may know more",
    }
    return {"Quantity": quantity, **_units_by_kind(), "Units": _units()}


def _units_by_kind() -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name in QUANTITIES:
        units = offered(name)
        found[enumeration_of(name)] = {
            "type": "string",
            "enum": units,
            "x-enum-varnames": [_as_identifier(unit) for unit in units],
            "description": f"a unit by its own name or its UCUM code, as of {name}; {_OTHERS}",
        }
    return found


def _as_identifier(unit: str) -> str:
    """What a generator may call a unit: "mm[Hg]" and "mmHg" would get one name, and one of them be lost."""
    of_ucum = "[" in unit or unit == "/min"
    spelled = unit.replace("%", "percent").replace("/", "_per_") if unit != "/" else "ratio"
    plain = "_".join(re.findall(r"[A-Za-z0-9]+", spelled)).upper()
    plain = "ONE" if plain == "1" else plain
    return f"UCUM_{plain}" if of_ucum else plain


def _units() -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {name: unit_of(name) for name in QUANTITIES},
        "propertyNames": {"pattern": NAME_PATTERN},
        "additionalProperties": {"type": "string", "minLength": 1, "maxLength": MAX_NAME_LENGTH},
        "description": f"the unit of each quantity used, `quantity: unit`; {_OTHERS}",
    }
