"""
Quantities a reading may carry, the units each may be sent in, and the way to SI and back.

Promises: a factor is the one of its published definition, exact where the definition is exact.
The inch of water is the conventional one, 249.08891 Pa (1000 kg/m³, 9.80665 m/s²); other inches of
water differ by at most 0.10 %. Nothing is guessed: a unit is accepted for a quantity or it is not. The usual
spellings of the field are accepted where they can mean one unit only (`SPELLINGS`). The server stores and
hashes a unit as sent, the gateway's spool stores the unit's own name (`own_name`).
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
_STANDARD_ATMOSPHERE_PA = 101_325.0  # exact, 10th CGPM 1954
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
    #: the unit of storage
    si_unit: str
    #: accepted units: each by its own name, its code in UCUM and its other spellings
    units: Mapping[str, Unit]
    #: spelling -> the unit's own name, of those that are none
    spellings: Mapping[str, str]
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
    "Torr": Unit(_STANDARD_ATMOSPHERE_PA / 760),
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
#: a number of things, or a code: UCUM has "1", SenML has "count" (RFC 8428 section 12.1)
_COUNT = {"1": Unit(1.0), "count": Unit(1.0)}


#: A unit's own name, and how gauges, manuals and programs spell it too (common practice). Only what can mean
#: no other unit of any quantity here: "mpa" or "M" is not among them.
SPELLINGS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "Pa": ("pa", "PA", "pascal", "pascals"),
        "hPa": ("hpa", "HPA", "hectopascal"),
        "kPa": ("kpa", "KPA", "KPa", "Kpa", "kilopascal"),
        "mbar": ("mBar", "MBAR", "mb", "millibar", "millibars"),
        "bar": ("Bar", "BAR", "bars"),
        "psi": ("PSI", "Psi", "lbf/in2", "lb/in2"),
        "inH2O": (
            *(
                "inh2o",
                "INH2O",
                "InH2O",
                "in H2O",
                "in. H2O",
                "in.H2O",
                "in h2o",
                "inH₂O",
                "in H₂O",
                "inchH2O",
            ),
            *(
                "inWC",
                "inwc",
                "INWC",
                "in WC",
                "in wc",
                "in. WC",
                "in. w.c.",
                "in w.c.",
                "in.wc",
                "inches WC",
            ),
            *(
                "inWG",
                "inwg",
                "INWG",
                "in WG",
                "in wg",
                "in. WG",
                "in. w.g.",
                "in w.g.",
                "in.wg",
                "iwc",
                "iwg",
            ),
        ),
        "mmH2O": (
            *("mmh2o", "MMH2O", "mm H2O", "mm h2o", "mmH₂O", "mm H₂O", "mmWC", "mmwc", "mm WC", "mm wc"),
            *("mmWG", "mmwg", "mm WG", "mm wg", "mmWS"),
        ),
        "cmH2O": ("cmh2o", "CMH2O", "cm H2O", "cm h2o", "cmH₂O", "cm H₂O", "cmWC", "cmwc", "cm WC", "cmWG"),
        "Torr": ("torr", "TORR"),
        "mmHg": ("mmhg", "MMHG", "mm Hg", "mm hg"),
        "inHg": ("inhg", "INHG", "InHg", "in Hg", "in. Hg", "in.Hg", "in hg"),
        "r/min": (
            "rpm",
            "RPM",
            "Rpm",
            "r.p.m.",
            "rev/min",
            "revs/min",
            "1/min",
            "min-1",
            "min^-1",
            "min⁻¹",
            "U/min",
        ),
        "Hz": ("hz", "HZ", "r/s", "rev/s", "1/s"),
        "rad/s": ("rad/sec", "RAD/S"),
        "Cel": ("C", "°C", "° C", "degC", "deg C", "℃", "celsius", "Celsius"),
        "K": ("kelvin", "Kelvin"),
        "degF": ("F", "°F", "° F", "deg F", "℉", "fahrenheit", "Fahrenheit"),
        "%": ("percent", "pct", "per cent"),
        "kg/s": ("kg/sec", "KG/S"),
        "kg/h": ("kg/hr", "kg/hour", "KG/H"),
        "h": ("hr", "hrs", "hour", "hours", "Hours"),
        "s": ("sec", "secs", "second", "seconds"),
        "V": ("v", "volt", "volts", "Volt", "Volts", "Vdc", "VDC", "V DC"),
        "mV": ("millivolt", "millivolts"),
        "deg": ("°", "degree", "degrees"),
        "m": ("metre", "metres", "meter", "meters"),
        "ft": ("foot", "feet", "Ft", "FT"),
        "dBm": ("dbm", "DBM", "dBM"),
    }
)


def _quantity(name: str, si: str, suffix: str, units: dict[str, Unit], low: float, high: float) -> Quantity:
    spellings = {spelling: own for own in units for spelling in SPELLINGS.get(own, ())}
    return Quantity(
        name=name,
        column=f"{name}_{suffix}",
        si_unit=si,
        units=MappingProxyType(units | {spelling: units[own] for spelling, own in spellings.items()}),
        spellings=MappingProxyType(spellings),
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
            # The quality indicator of a GGA sentence (NMEA 0183): 0 no fix, 1 a fix, 2 differential ... 8.
            _quantity("position_fix", "1", "code", _COUNT, 0.0, 9.0),
            # Satellites in use: the field of a GGA sentence has two digits.
            _quantity("satellites", "1", "count", _COUNT, 0.0, 99.0),
        )
    }
)


def accepts(unit: str, quantity: str) -> bool:
    """True if `quantity` may be sent in `unit`. Raises KeyError for an unknown quantity."""
    return unit in QUANTITIES[quantity].units


def to_si(value: float, unit: str, quantity: str) -> float:
    """
    Convert a value as sent to the unit of storage.

    Raises KeyError if the quantity is unknown or the unit does not measure it: ask `accepts` first.
    """
    factors = QUANTITIES[quantity].units[unit]
    return value * factors.factor + factors.offset


def from_si(value: float, unit: str, quantity: str) -> float:
    """
    Convert a stored value back to the unit in which it was sent.

    Returns the sent number again where that had at most 15 significant digits (10 decimals for temperatures
    in units with an offset): the precision of a double over a multiplication and back.
    """
    factors = QUANTITIES[quantity].units[unit]
    sent = (value - factors.offset) / factors.factor
    if factors.offset:
        return round(sent, 10)
    return float(f"{sent:.15g}")


def counted(number: int, noun: str, plural: str = "") -> str:
    """A count with its noun: "1 reading", "1,200 readings". plural : where it is not noun + s."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


def own_name(unit: str, quantity: str) -> str:
    """The own name of a unit that may be spelled otherwise; anything else comes back as it is."""
    row = QUANTITIES.get(quantity)
    return unit if row is None else row.spellings.get(unit, unit)


def offered(quantity: str) -> list[str]:
    """The units of a quantity by their own names and UCUM codes. Raises KeyError for an unknown quantity."""
    row = QUANTITIES[quantity]
    return [unit for unit in row.units if unit not in row.spellings]


def suggest_unit(unit: str, quantity: str) -> str | None:
    """The unit that `unit` most likely means, or None: for a person to confirm, never applied."""
    row = QUANTITIES[quantity]
    meant = {row.spellings.get(name, name) for name in row.units if _folded(name) == _folded(unit)}
    return meant.pop() if len(meant) == 1 else None


def _folded(unit: str) -> str:
    return unit.strip().replace(" ", "").replace(".", "").replace("₂", "2").casefold()
