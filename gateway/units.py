"""
Quantities a reading may carry, the units each may be sent in, and the way to SI and back.

Promises: a factor is the one of its published definition, exact where the definition is exact.
The inch of water is the conventional one, 249.08891 Pa (1000 kg/m³, 9.80665 m/s²); other inches of
water differ by at most 0.10 %. Nothing is guessed: a unit is accepted for a quantity or it is not.
Leaves to others: what to do with a reading whose unit is not accepted (see `gateway.wire`,
`ingest.checking.checks`).

Sources: NIST SP 811 (2008) appendix B.8 and B.9; UCUM essence 2.2; RFC 8428 section 12.1 and RFC 8798.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

STANDARD_GRAVITY_M_S2 = 9.80665  # exact, 3rd CGPM 1901
_CONVENTIONAL_WATER_KG_M3 = 1000.0
_CONVENTIONAL_MERCURY_KG_M3 = 13595.1
_INCH_M = 0.0254
_POUND_KG = 0.45359237
_UCUM_METRE_OF_MERCURY_PA = 133322.0  # UCUM prints 133.3220 kPa, 3e-6 below the conventional value


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: SI value = sent value * factor + offset."""

    factor: float
    offset: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Quantity:
    """What a reading may carry: its name on the wire, its column in the store, its units and its bounds."""

    #: name on the wire
    name: str
    #: name with the SI unit, used for columns and variables
    column: str
    #: the unit it is kept in
    si_unit: str
    #: accepted spellings, as sent
    units: Mapping[str, Unit]
    #: lowest and highest value that is physically possible on a diesel machine, in `si_unit` (chosen, wide)
    lowest: float
    highest: float


_PRESSURE = {
    "Pa": Unit(1.0),
    "hPa": Unit(100.0),
    "kPa": Unit(1000.0),
    "mbar": Unit(100.0),
    "bar": Unit(100_000.0),
    "psi": Unit(_POUND_KG * STANDARD_GRAVITY_M_S2 / _INCH_M**2),
    "[psi]": Unit(_POUND_KG * STANDARD_GRAVITY_M_S2 / _INCH_M**2),
    "inH2O": Unit(249.08891),  # 0.0254 m * 1000 kg/m³ * 9.80665 m/s², exact in decimal
    "[in_i'H2O]": Unit(249.08891),
    "mmH2O": Unit(9.80665),
    "mm[H2O]": Unit(9.80665),
    "cmH2O": Unit(98.0665),
    "cm[H2O]": Unit(98.0665),
    "m[H2O]": Unit(_CONVENTIONAL_WATER_KG_M3 * STANDARD_GRAVITY_M_S2),
    "mmHg": Unit(_CONVENTIONAL_MERCURY_KG_M3 * STANDARD_GRAVITY_M_S2 * 1e-3),
    "inHg": Unit(_CONVENTIONAL_MERCURY_KG_M3 * STANDARD_GRAVITY_M_S2 * _INCH_M),
    "mm[Hg]": Unit(_UCUM_METRE_OF_MERCURY_PA * 1e-3),
    "[in_i'Hg]": Unit(_UCUM_METRE_OF_MERCURY_PA * _INCH_M),
}
_SPEED = {
    "r/min": Unit(math.pi / 30),
    "/min": Unit(math.pi / 30),  # UCUM has no revolutions per minute of its own
    "Hz": Unit(2 * math.pi),  # revolutions per second
    "rad/s": Unit(1.0),
}
_TEMPERATURE = {
    "Cel": Unit(1.0, 273.15),
    "K": Unit(1.0),
    "degF": Unit(5 / 9, 459.67 * 5 / 9),
    "[degF]": Unit(5 / 9, 459.67 * 5 / 9),
}
_RATIO = {"/": Unit(1.0), "%": Unit(0.01)}
_MASS_FLOW = {"kg/s": Unit(1.0), "kg/h": Unit(1 / 3600)}
_DURATION = {"h": Unit(3600.0), "s": Unit(1.0)}
_VOLTAGE = {"V": Unit(1.0), "mV": Unit(0.001)}
_ANGLE = {"deg": Unit(1.0)}
_LENGTH = {"m": Unit(1.0), "ft": Unit(0.3048), "[ft_i]": Unit(0.3048)}
_LEVEL = {"dBm": Unit(1.0)}


def _quantity(name: str, si: str, suffix: str, units: dict[str, Unit], low: float, high: float) -> Quantity:
    return Quantity(
        name=name,
        column=f"{name}_{suffix}",
        si_unit=si,
        units=MappingProxyType(units),
        lowest=low,
        highest=high,
    )


#: Every quantity by its name on the wire. To add one: a row here, a column in a migration (DEVELOPERS.md).
QUANTITIES: Mapping[str, Quantity] = MappingProxyType(
    {
        q.name: q
        for q in (
            _quantity("restriction", "Pa", "pa", _PRESSURE, -10e3, 50e3),
            _quantity("ambient_pressure", "Pa", "pa", _PRESSURE, 30e3, 115e3),
            _quantity("intake_pressure", "Pa", "pa", _PRESSURE, 10e3, 115e3),
            _quantity("boost_pressure", "Pa", "pa", _PRESSURE, -50e3, 1000e3),
            _quantity("engine_speed", "rad/s", "rad_s", _SPEED, 0.0, 1000.0),
            _quantity("engine_load", "/", "ratio", _RATIO, 0.0, 2.5),
            _quantity("air_mass_flow", "kg/s", "kg_s", _MASS_FLOW, 0.0, 20.0),
            _quantity("air_temperature", "K", "k", _TEMPERATURE, 183.15, 353.15),
            _quantity("intake_temperature", "K", "k", _TEMPERATURE, 183.15, 573.15),
            _quantity("engine_hours", "s", "s", _DURATION, 0.0, 3.6e9),
            _quantity("supply_voltage", "V", "v", _VOLTAGE, 0.0, 100.0),
            _quantity("latitude", "deg", "deg", _ANGLE, -90.0, 90.0),
            _quantity("longitude", "deg", "deg", _ANGLE, -180.0, 180.0),
            _quantity("altitude", "m", "m", _LENGTH, -500.0, 9000.0),
            _quantity("signal_strength", "dBm", "dbm", _LEVEL, -200.0, 20.0),
        )
    }
)

# Spellings people use that are not accepted, and what they most likely mean. Only ever a suggestion.
_LIKELY_MEANT = {
    "rpm": "r/min",
    "1/min": "r/min",
    "c": "Cel",
    "°c": "Cel",
    "degc": "Cel",
    "f": "degF",
    "°f": "degF",
    "inwc": "inH2O",
    "inwg": "inH2O",
    "inchh2o": "inH2O",
    "mmwc": "mmH2O",
    "mmwg": "mmH2O",
    "cmwc": "cmH2O",
    "torr": "mmHg",
    "percent": "%",
    "hr": "h",
    "hrs": "h",
    "hours": "h",
    "volt": "V",
    "volts": "V",
    "°": "deg",
    "feet": "ft",
}


def accepts(unit: str, quantity: str) -> bool:
    """True if `quantity` may be sent in `unit`. Raises KeyError for an unknown quantity."""
    return unit in QUANTITIES[quantity].units


def to_si(value: float, unit: str, quantity: str) -> float:
    """
    Convert a sent value to the unit it is kept in.

    Raises KeyError if the quantity is unknown or the unit does not measure it: ask `accepts` first.
    """
    factors = QUANTITIES[quantity].units[unit]
    return value * factors.factor + factors.offset


def from_si(value: float, unit: str, quantity: str) -> float:
    """
    Convert a kept value back to the unit it was sent in.

    Gives the sent number again where that had at most 15 significant digits (10 decimals for temperatures
    in units with an offset): what a double carries through a multiplication and back.
    """
    factors = QUANTITIES[quantity].units[unit]
    sent = (value - factors.offset) / factors.factor
    if factors.offset:
        return round(sent, 10)
    return float(f"{sent:.15g}")


def counted(number: int, noun: str, plural: str = "") -> str:
    """A count with its noun: "1 reading", "1,200 readings". plural : where it is not noun + s."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


def suggest_unit(unit: str, quantity: str) -> str | None:
    """The accepted unit that `unit` most likely means, or None: for a person to confirm, never applied."""
    accepted = QUANTITIES[quantity].units
    folded = unit.strip().replace(" ", "").replace(".", "").replace("₂", "2").casefold()
    if (likely := _LIKELY_MEANT.get(folded)) in accepted:
        return likely
    matches = [name for name in accepted if name.casefold() == folded]
    return matches[0] if len(matches) == 1 else None
