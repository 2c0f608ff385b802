"""Unit factors against published tables, and the way back to what was sent."""

from __future__ import annotations

import math
import random

import pint
import pytest

from cleanside.gateway.units import (
    QUANTITIES,
    SPELLINGS,
    accepts,
    from_si,
    offered,
    own_name,
    suggest_unit,
    to_si,
)


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry()


# NIST SP 811 (2008), appendix B.8/B.9 "Pressure or stress", digits as printed (seven where not exact).
NIST_SP_811_TO_PA = [
    ("inH2O", 2.490889e02),  # "inch of water, conventional"
    ("cmH2O", 9.80665e01),
    ("mmH2O", 9.80665),
    ("Torr", 1.333224e02),  # 101 325 Pa / 760, 1.4e-7 below the conventional millimetre of mercury
    ("mmHg", 1.333224e02),
    ("inHg", 3.386389e03),
    ("psi", 6.894757e03),
    ("bar", 1e5),
    ("mbar", 1e2),
]
# UCUM essence 2.2 (2024-06-17).
UCUM_TO_PA = [
    ("Pa", 1.0),
    ("hPa", 100.0),
    ("kPa", 1000.0),
    ("mbar", 100.0),
    ("m[H2O]", 9806.65),
    ("cm[H2O]", 98.0665),
    ("mm[H2O]", 9.80665),
    ("[in_i'H2O]", 249.08891),
    ("mm[Hg]", 133.322),  # UCUM prints 133.3220, NIST 133.3224
    ("[in_i'Hg]", 3386.3788),
    ("[psi]", 6894.757293168362),
]


@pytest.mark.parametrize(("unit", "printed_pa"), NIST_SP_811_TO_PA)
def test_pressure_factors_are_those_of_nist_sp_811(unit: str, printed_pa: float) -> None:
    half_of_the_seventh_digit = 5e-7
    assert to_si(1.0, unit, "restriction") == pytest.approx(printed_pa, rel=half_of_the_seventh_digit)


@pytest.mark.parametrize(("unit", "pa"), UCUM_TO_PA)
def test_pressure_codes_mean_what_ucum_says(unit: str, pa: float) -> None:
    assert to_si(1.0, unit, "restriction") == pytest.approx(pa, rel=1e-12)


@pytest.mark.parametrize("unit", ["1", "count"])
@pytest.mark.parametrize("quantity", ["position_fix", "satellites"])
def test_a_count_is_a_number_of_its_own(unit: str, quantity: str) -> None:
    """UCUM's unity and "count" of SenML (RFC 8428 section 12.1)."""
    assert to_si(8.0, unit, quantity) == from_si(8.0, unit, quantity) == 8.0


@pytest.mark.parametrize("wrong_pa", [248.84007, 249.08194, 248.082, 2443.56309])
def test_the_inch_of_water_is_the_conventional_one(wrong_pa: float) -> None:
    """249.08891 Pa; not the 60 °F inch, the 39.2 °F inch, nor two wrong values seen in public code."""
    assert to_si(1.0, "inH2O", "restriction") == 249.08891
    assert to_si(1.0, "inH2O", "restriction") != pytest.approx(wrong_pa, rel=1e-6)


@pytest.mark.parametrize(
    ("unit", "name"),
    [
        ("inH2O", "inH2O"),
        ("inHg", "inHg"),
        ("mmHg", "mmHg"),
        ("Torr", "torr"),
        ("psi", "psi"),
        ("cmH2O", "centimeter_H2O"),
    ],
)
def test_pressure_factors_agree_with_pint(registry: pint.UnitRegistry, unit: str, name: str) -> None:
    """pint's default registry, an independent table of units."""
    expected = registry.Quantity(1.0, name).to("Pa").magnitude
    assert to_si(1.0, unit, "restriction") == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("value", "unit", "quantity", "si"),
    [
        (25, "inH2O", "restriction", 6227.22275),  # 25 * 249.08891, by hand
        (62, "mbar", "restriction", 6200.0),
        (760, "Torr", "restriction", 101_325.0),  # the standard atmosphere, of which it is the 760th part
        (1, "r/min", "engine_speed", 0.10471975511965977),  # pi/30; NIST SP 811 prints 0.1047198
        (1, "Hz", "engine_speed", 2 * math.pi),
        (-40, "Cel", "air_temperature", 233.15),
        (-40, "degF", "air_temperature", 233.15),  # the two scales meet at -40
        (212, "degF", "air_temperature", 373.15),
        (50, "%", "engine_load", 0.5),  # UCUM: 10*-2
        (3600, "kg/h", "air_mass_flow", 1.0),
        (2, "h", "engine_hours", 7200.0),
        (24500, "mV", "supply_voltage", 24.5),
        (1000, "ft", "altitude", 304.8),
    ],
)
def test_worked_conversions(value: float, unit: str, quantity: str, si: float) -> None:
    assert to_si(value, unit, quantity) == pytest.approx(si, rel=1e-12)


EVERY_UNIT = [(quantity, unit) for quantity in QUANTITIES for unit in QUANTITIES[quantity].units]


#: 200 for each unit: the ends, those beside zero, and others from one seed
THOUSANDTHS = (-9_999_999, -1, 0, 1, 9_999_999, *random.Random(11).sample(range(-9_999_999, 9_999_999), 195))


@pytest.mark.parametrize(("quantity", "unit"), EVERY_UNIT)
def test_the_value_as_sent_comes_back(quantity: str, unit: str) -> None:
    for sent in (thousandths / 1000 for thousandths in THOUSANDTHS):
        assert from_si(to_si(sent, unit, quantity), unit, quantity) == sent


@pytest.mark.parametrize(
    ("unit", "quantity", "meant"),
    [
        ("k Pa", "restriction", "kPa"),
        ("IN. W.C.", "restriction", "inH2O"),
        ("r p m", "engine_speed", "r/min"),
        ("° c", "air_temperature", "Cel"),
        ("rpm", "restriction", None),
        ("furlong", "restriction", None),
    ],
)
def test_a_unit_that_is_not_accepted_may_have_a_suggestion(
    unit: str, quantity: str, meant: str | None
) -> None:
    assert not accepts(unit, quantity)
    assert suggest_unit(unit, quantity) == meant
    assert meant is None or accepts(meant, quantity)


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_a_spelling_means_one_unit_and_is_no_units_own_name(quantity: str) -> None:
    known = QUANTITIES[quantity]
    assert not set(known.spellings) & {name for q in QUANTITIES.values() for name in offered(q.name)}
    for spelling, own in known.spellings.items():
        assert to_si(7.5, spelling, quantity) == to_si(7.5, own, quantity)
        assert own_name(spelling, quantity) == own


def test_every_spelling_of_the_table_is_accepted_for_some_quantity() -> None:
    listed = [spelling for many in SPELLINGS.values() for spelling in many]
    assert len(listed) == len(set(listed))
    assert set(listed) == {spelling for q in QUANTITIES.values() for spelling in q.spellings}


@pytest.mark.parametrize(
    ("spelling", "quantity"),
    [
        *[
            (s, "restriction")
            for s in ("pascal", "hectopascal", "kilopascal", "millibar", "inchH2O", "millibars", "torr")
        ],
        *[(s, "engine_speed") for s in ("rpm",)],
        *[(s, "engine_hours") for s in ("hr", "hour", "hours", "sec", "second")],
        *[(s, "supply_voltage") for s in ("volt", "volts", "millivolt")],
        *[(s, "altitude") for s in ("metre", "meters", "foot", "feet")],
    ],
)
def test_a_spelling_that_pint_knows_means_there_what_it_means_here(
    registry: pint.UnitRegistry, spelling: str, quantity: str
) -> None:
    """pint's default registry, an independent table of units."""
    if spelling not in QUANTITIES[quantity].units:
        pytest.fail(f"{spelling} is in no table of ours")
    si = {
        "restriction": "Pa",
        "engine_speed": "rad/s",
        "engine_hours": "s",
        "supply_voltage": "V",
        "altitude": "m",
    }
    theirs = registry.Quantity(1.0, spelling.replace("inchH2O", "inch_H2O")).to(si[quantity])
    assert to_si(1.0, spelling, quantity) == pytest.approx(theirs.magnitude, rel=1e-9)


@pytest.mark.parametrize("unit", ["mpa", "MPA", "M", "S", "H", "MV", "mv", "KV", "bar g", "psia", "psig"])
def test_what_could_mean_two_units_is_not_accepted(unit: str) -> None:
    """Milli and mega, metre and a million, gauge and absolute."""
    assert not any(accepts(unit, quantity) for quantity in QUANTITIES)


def test_percent_is_accepted_as_ucum_has_it_only() -> None:
    """In SenML "%" means a ratio of 0 to 1 (RFC 8428 section 12.1 note 2); the plain layout follows UCUM."""
    assert to_si(80, "%", "engine_load") == pytest.approx(0.8)
    assert not accepts("/100", "engine_load")


def test_columns_are_named_after_quantity_and_unit_and_are_unique() -> None:
    columns = [quantity.column for quantity in QUANTITIES.values()]
    assert len(set(columns)) == len(columns)
    assert QUANTITIES["restriction"].column == "restriction_pa"
